"""Sessions one can see and end, the end of an unused one, and who looked at which client."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.db import DatabaseError
from django.test import Client as Browser
from django.urls import reverse
from django.utils import timezone

from practice import audit, seen, sessions, staffing
from practice.models import AuditEvent, SignedIn
from tests.factories import PASSWORD
from tests.orders.ready import ready_dispense

FIREFOX = "Mozilla/5.0 (X11; Linux x86_64; rv:133.0) Gecko/20100101 Firefox/133.0"
IPAD = "Mozilla/5.0 (iPad; CPU OS 17_0 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/17.0 Safari/604.1"
LIST = "/sessions/"


def signed_in(person, agent=FIREFOX, password=PASSWORD):
    browser = Browser(headers={"user-agent": agent})
    answer = browser.post(reverse("practice:sign_in"), {"username": person.username, "password": password})
    assert answer.status_code == 302
    return browser


def unused(browser, minutes):
    session = browser.session
    session[sessions.USED] -= minutes * 60
    session.save()


def out(browser):
    return browser.get(LIST).status_code == 302


# --- seen and ended -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (FIREFOX, "Firefox on Linux"),
        (IPAD, "Safari on iPad"),
        (
            "Mozilla/5.0 (Windows NT 10.0) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/131.0 Safari/537.36 Edg/131.0",
            "Edge on Windows",
        ),
        ("<script>", "unknown device"),
        ("", "unknown device"),
    ],
)
def test_a_device_is_named_in_words_or_not_at_all(agent, words):
    assert sessions.device_words(agent) == words


def test_one_sees_ones_sessions_and_ends_another(cast):
    desk, tablet = signed_in(cast.dispenser), signed_in(cast.dispenser, IPAD)
    stranger = signed_in(cast.trainee)
    page = desk.get(LIST).content.decode()
    assert page.count("<tr>") == 3
    assert page.index("this one") > page.index("Firefox on Linux")
    other = SignedIn.objects.get(device="Safari on iPad")
    assert stranger.post(LIST, {"end": other.pk}).status_code == 302  # not theirs: nothing happens
    assert not out(tablet)
    assert desk.post(LIST, {"end": other.pk}).status_code == 302
    assert out(tablet)
    assert not out(desk)
    assert "iPad" not in desk.get(LIST).content.decode()
    assert AuditEvent.objects.filter(action="staff.sessions_ended", actor=cast.dispenser).count() == 1


def test_ending_all_others_and_signing_out(cast):
    browsers = [signed_in(cast.dispenser) for _ in range(3)]
    browsers[0].post(LIST, {"end": "others"})
    assert [out(b) for b in browsers] == [False, True, True]
    browsers[0].post(reverse("practice:sign_out"))
    assert out(browsers[0])
    assert sessions.open_of(cast.dispenser) == []
    assert not SignedIn.objects.filter(ended_at=None).exists()


def test_a_new_password_ends_the_others_and_keeps_this_one_listed(cast):
    here, there = signed_in(cast.dispenser), signed_in(cast.dispenser)
    new = "otter under limestone"
    here.post(reverse("practice:password"), {"old_password": PASSWORD, "new_password1": new, "new_password2": new})
    assert out(there)
    assert "this one" in here.get(LIST).content.decode()
    assert len(sessions.open_of(cast.dispenser)) == 1


# --- unused -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("minutes", "ends"), [(29, False), (30, True), (700, True)])
def test_an_unused_session_ends_and_says_so(cast, minutes, ends):
    browser = signed_in(cast.dispenser)
    key = browser.session.session_key
    unused(browser, minutes)
    page = browser.get(reverse("practice:clients"), follow=True)
    assert ("/sign-in/" in page.redirect_chain[-1][0] if page.redirect_chain else False) is ends
    assert ("after 30 minutes without use" in page.content.decode()) is ends
    assert Session.objects.filter(session_key=key).exists() is not ends
    if ends:
        assert "next=/clients/" in page.redirect_chain[-1][0]
        assert "without use" not in browser.get("/sign-in/").content.decode()  # said once


def test_use_starts_the_time_again_and_a_page_left_open_does_not(cast):
    made = ready_dispense(cast)
    browser = signed_in(cast.dispenser)
    presence = reverse("dispensing:presence", args=[made.reference])
    unused(browser, 20)
    browser.post(presence, {})
    assert sessions.unused_for(browser.session, timezone.now() + timedelta(minutes=11)) == 30
    browser.get(reverse("practice:clients"))
    assert sessions.unused_for(browser.session, timezone.now() + timedelta(minutes=29)) is None
    assert not out(browser)


def test_a_branch_sets_the_time_or_none(cast):
    cast.branch.idle_minutes = None
    cast.branch.save()
    browser = signed_in(cast.dispenser)
    unused(browser, 600)
    assert not out(browser)
    cast.branch.idle_minutes = 5
    cast.branch.save()
    unused(browser, 2)
    assert not out(browser)  # noted, with the new rule
    unused(browser, 6)
    assert out(browser)


def test_the_manager_sets_it_and_nonsense_is_refused(cast, client):
    client.force_login(cast.manager)
    url = reverse("practice:branch", args=[cast.branch.pk])
    page = client.get(url).content.decode()
    assert 'name="idle_minutes" value="30"' in page
    answer = client.post(url, {"idle_minutes": "4", "seen": "x"}).content.decode()
    assert "From 5 to 720 minutes." in answer


# --- people who leave ---------------------------------------------------------------------------------------------------


def test_whoever_leaves_is_closed_not_deleted_and_out_at_once(cast):
    browser = signed_in(cast.dispenser)
    shown = staffing.shown_of(cast.dispenser, cast.branch)
    staffing.change_person(
        actor=cast.manager,
        person=cast.dispenser,
        branch=cast.branch,
        seen=audit.token(shown),
        values={"is_active": False, "role": "dispenser"},
    )
    assert out(browser)
    assert type(cast.dispenser).objects.filter(pk=cast.dispenser.pk, is_active=False).exists()
    with pytest.raises(Exception, match="protected"):
        ready_dispense(cast, actor=cast.trainee).dispenser.delete()


# --- who looked at whom -------------------------------------------------------------------------------------------------


def looks(cast):
    return list(AuditEvent.objects.filter(action="client.seen").order_by("pk").values_list("actor", "client", "subject"))


def test_looking_is_recorded_once_an_hour_for_each_person_and_client(cast, client):
    made = ready_dispense(cast)
    reference, client_url = made.client.reference, reverse("dispensing:client", args=[made.client.reference])
    client.force_login(cast.dispenser)
    client.get(client_url)
    client.get(reverse("dispensing:sheet", args=[made.reference]))
    client.force_login(cast.dispenser)  # another session, the same hour
    client.get(client_url)
    assert looks(cast) == [(cast.dispenser.pk, made.client_id, f"client {reference}")]
    client.force_login(cast.trainee)
    client.get(reverse("dispensing:sign_off", args=[made.reference]))
    assert looks(cast)[1:] == [(cast.trainee.pk, made.client_id, f"dispense {made.reference}")]
    old = timezone.now() + seen.ONCE_IN + timedelta(minutes=1)
    event = AuditEvent.objects.filter(action="client.seen").first()
    assert old - event.at > seen.ONCE_IN
    client.force_login(cast.manager)
    page = client.get(reverse("practice:audit"), {"what": "client.seen"}).content.decode()
    assert page.count('<th scope="row">Client’s record looked at') == 2
    assert cast.trainee.display_name in page
    assert audit.verify(cast.group) is None


def test_an_hour_later_it_is_recorded_again(cast, monkeypatch):
    assert seen.note_seen(actor=cast.dispenser, client=cast.client, branch=cast.branch, page="client X")
    assert not seen.note_seen(actor=cast.dispenser, client=cast.client, branch=cast.branch, page="client X")
    later = timezone.now() + timedelta(minutes=61)
    monkeypatch.setattr(seen.timezone, "now", lambda: later)
    assert seen.note_seen(actor=cast.dispenser, client=cast.client, branch=cast.branch, page="client X")


def test_a_trail_that_cannot_be_written_does_not_keep_the_page(cast, client, monkeypatch, caplog):
    def broken(**_values):
        raise DatabaseError("disk full")

    client.force_login(cast.dispenser)
    page = reverse("dispensing:client", args=[cast.client.reference])
    with monkeypatch.context() as patch:
        patch.setattr(audit, "record", broken)
        assert client.get(page).status_code == 200
    assert "could not record who looked" in caplog.text
    assert looks(cast) == []
    client.get(page)  # the same session, the same hour: what could not be written before is written now
    assert looks(cast) == [(cast.dispenser.pk, cast.client.pk, f"client {cast.client.reference}")]


def test_another_groups_client_is_neither_shown_nor_noted(cast, client):
    client.force_login(cast.dispenser)
    assert client.get(reverse("dispensing:client", args=[cast.foreign_client.reference])).status_code == 404
    assert looks(cast) == []
