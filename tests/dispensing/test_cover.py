"""Cover: whoever stands in for a supervisor sees their trainees' work as theirs, and the signature says in whose place."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client as Browser
from django.urls import reverse

from dispensing import sign_off, waiting
from dispensing.models import Dispense
from practice import access, cover
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent, Cover, Post, Staff
from tests.factories import PASSWORD
from tests.orders.ready import ready_dispense


def _set(cast, *, by=None, absent=None, first=0, last=7, actor=None) -> Cover:
    today = cast.branch.today()
    return cover.set_cover(
        actor=actor or cast.supervisor,
        branch=cast.branch,
        absent=absent or cast.supervisor,
        by=by or cast.second_supervisor,
        from_on=today + timedelta(days=first),
        to_on=today + timedelta(days=last),
    )


def _waiting(cast, dispenser=None) -> Dispense:
    made = ready_dispense(cast, actor=dispenser or cast.trainee)
    sign_off.put_forward(actor=dispenser or cast.trainee, dispense=made, version=made.version)
    return Dispense.objects.get(pk=made.pk)


def test_what_waits_shows_at_the_cover_s_desk_and_the_signature_says_for_whom(cast):
    dispense = _waiting(cast)
    (row,) = waiting.to_sign(cast.second_supervisor, cast.branch)
    assert (row.covering_for, row.own_trainee) == ("", False)
    assert cast.trainee not in access.trains(cast.second_supervisor)
    _set(cast)
    (row,) = waiting.to_sign(cast.second_supervisor, cast.branch)
    assert row.covering_for == cast.supervisor.display_name
    assert cast.trainee in access.trains(cast.second_supervisor)
    browser = Browser()
    browser.force_login(cast.second_supervisor)
    desk = browser.get(reverse("dispensing:sign_off_desk")).content.decode()
    assert f"you cover for {cast.supervisor.display_name}" in desk
    page = browser.get(reverse("dispensing:sign_off", args=[dispense.reference])).content.decode()
    assert f"in the place of {cast.supervisor.display_name}" in page
    signed = sign_off.sign(actor=cast.second_supervisor, dispense=dispense, version=dispense.version, password=PASSWORD)
    assert signed.covering_for == cast.supervisor
    told = AuditEvent.objects.get(action="dispense.signed")
    assert told.after["covering_for"] == cast.supervisor.display_name
    words = f"covering for {cast.supervisor.display_name}"
    for url in (
        reverse("dispensing:sign_off", args=[dispense.reference]),
        reverse("dispensing:signature", args=[dispense.reference, signed.pk]),
    ):
        assert words in browser.get(url).content.decode()
    browser.force_login(cast.supervisor)
    assert "covers for you until" in browser.get(reverse("dispensing:sign_off_desk")).content.decode()


def test_the_own_supervisor_and_anybody_else_sign_as_themselves(cast):
    _set(cast)
    one, two = _waiting(cast), _waiting(cast)
    own = sign_off.sign(actor=cast.supervisor, dispense=one, version=one.version, password=PASSWORD)
    other = sign_off.return_to_dispenser(actor=cast.manager, dispense=two, version=two.version, comment="Look again.")
    assert (own.covering_for, other.covering_for) == (None, None)


def test_nobody_covers_in_their_own_work(cast):
    """Somebody who covers is still refused their own dispense, also as a trainee's who became a supervisor."""
    _set(cast)
    own = _waiting(cast, cast.second_supervisor)
    with pytest.raises(NotAllowed, match="Nobody signs their own"):
        sign_off.sign(actor=cast.second_supervisor, dispense=own, version=own.version, password=PASSWORD)
    assert cover.covering_for(cast.second_supervisor, cast.second_supervisor, cast.branch) is None


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"by": "supervisor"}, "by"),  # for oneself
        ({"by": "trainee"}, "by"),
        ({"by": "dispenser"}, "by"),
        ({"by": "elsewhere"}, "by"),
        ({"by": "foreigner"}, "by"),
        ({"absent": "trainee"}, "absent"),
        ({"first": -1}, "from_on"),
        ({"last": -1}, "to_on"),
        ({"last": 400}, "to_on"),
    ],
)
def test_who_cannot_cover_and_when(cast, change, field):
    values = {k: getattr(cast, v) if isinstance(v, str) else v for k, v in change.items()}
    with pytest.raises(Invalid) as wrong:
        _set(cast, **values)
    assert field in wrong.value.errors
    assert not Cover.objects.exists()


def test_two_do_not_cover_at_once_and_nobody_away_covers(cast):
    _set(cast, first=2, last=5)
    with pytest.raises(Invalid):
        _set(cast, by=cast.manager, first=5, last=9)
    with pytest.raises(Invalid) as wrong:
        _set(cast, absent=cast.second_supervisor, by=cast.supervisor, first=1, last=3)
    assert "is away then" in wrong.value.errors["by"]
    _set(cast, by=cast.manager, first=6, last=9)
    for person in (cast.trainee, cast.dispenser, cast.elsewhere, cast.foreigner):
        with pytest.raises(NotAllowed):
            _set(cast, first=20, last=21, actor=person)


def test_it_begins_and_ends_by_itself_and_with_the_post(cast):
    made = _set(cast, first=1, last=2)
    today = cast.branch.today()
    days = [bool(list(cover.in_force(cast.branch, today + timedelta(days=n)))) for n in range(4)]
    assert days == [False, True, True, False]
    during = today + timedelta(days=1)
    Post.objects.filter(staff=made.by).update(role="dispenser")
    assert not cover.in_force(cast.branch, during)
    Post.objects.filter(staff=made.by).update(role="manager")
    assert cover.in_force(cast.branch, during)
    Staff.objects.filter(pk=made.by_id).update(is_active=False)
    assert not cover.in_force(cast.branch, during)


def test_set_and_ended_on_the_page_each_on_record(cast):
    browser = Browser()
    browser.force_login(cast.manager)
    url, today = reverse("practice:cover"), cast.branch.today()
    typed = {"absent": cast.supervisor.pk, "by": cast.second_supervisor.pk, "from_on": today.strftime("%d/%m/%Y")}
    wrong = browser.post(url, {**typed, "to_on": "soon"})
    assert (wrong.status_code, b"Day, month, year" in wrong.content, b'value="soon"' in wrong.content) == (200, True, True)
    own = browser.post(url, {**typed, "by": cast.supervisor.pk, "to_on": f"{today:%d %B %Y}"})
    assert b"Nobody covers for themselves" in own.content
    assert not Cover.objects.exists()
    assert browser.post(url, {**typed, "to_on": f"{today:%d %B %Y}"}).status_code == 302
    made = Cover.objects.get()
    assert (made.from_on, made.to_on, made.set_by) == (today, today, cast.manager)
    assert cast.second_supervisor.display_name in browser.get(url).content.decode()
    assert browser.post(url, {"end": made.pk}).status_code == 302
    with pytest.raises(Refused):
        cover.end_cover(actor=cast.manager, cover=made)
    assert not cover.in_force(cast.branch)
    assert [e.action for e in AuditEvent.objects.filter(action__startswith="cover").order_by("pk")] == [
        "cover.set",
        "cover.ended",
    ]
    assert browser.post(url, {"end": "0"}).status_code == 404
    assert browser.post(url, {"end": "x"}).status_code == 404
