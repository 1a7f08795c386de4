"""Second factors: codes against RFC 6238, recovery codes once only, demanded by role, and the step after the password."""

from __future__ import annotations

import base64
import time
from datetime import timedelta

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal import auth as totp
from django.contrib.auth import get_user
from django.db import connection
from django.test import Client as Browser
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from dispensing import sign_off
from practice import audit, devices, factors, links, proof, sessions, sign_in_rules
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent, SignInTry
from tests.factories import PASSWORD
from tests.orders.ready import ready_dispense

# RFC 6238, appendix B: SHA-1, the twenty bytes "12345678901234567890", eight digits
SECRET = base64.b32encode(b"12345678901234567890").decode()
VECTORS = [
    (59, "94287082"),
    (1111111109, "07081804"),
    (1111111111, "14050471"),
    (1234567890, "89005924"),
    (2000000000, "69279037"),
    (20000000000, "65353130"),
]


def code_at(seconds: float, secret: str = SECRET) -> str:
    return totp.format_hotp_value(totp.hotp_value(secret, int(seconds) // 30))


def next_code(secret: str = SECRET) -> str:
    """Of the next half minute: always later than one that was used just now."""
    return code_at(time.time() + 30, secret)


def with_app(person):
    factors.add_totp(actor=person, secret=SECRET, code=code_at(time.time() - 30))
    return person


def post(browser, person, password=PASSWORD, **more):
    return browser.post(reverse("practice:sign_in"), {"username": person.username, "password": password, **more})


def second(browser, **typed):
    return browser.post(reverse("practice:second_factor"), typed)


def inside(browser):
    return get_user(browser).is_authenticated


def actions():
    return list(AuditEvent.objects.order_by("pk").values_list("action", flat=True))


@pytest.fixture
def clock(monkeypatch):
    def at(seconds):
        monkeypatch.setattr(totp.time, "time", lambda: seconds)

    return at


@pytest.mark.parametrize(("seconds", "eight"), VECTORS)
def test_codes_are_those_of_the_standard(seconds, eight, clock, settings):
    clock(seconds)
    assert factors.code_fits(SECRET, eight[-6:]) == seconds // 30  # six digits are the last six of eight (RFC 4226, 5.3)
    settings.MFA_TOTP_DIGITS = 8
    assert factors.code_fits(SECRET, eight) == seconds // 30


def test_a_clock_may_be_half_a_minute_out_and_no_more(clock):
    clock(1_000_000_000)
    fits = [factors.code_fits(SECRET, code_at(1_000_000_000 + 30 * n)) is not None for n in (-2, -1, 0, 1, 2)]
    assert fits == [False, True, True, True, False]


def test_a_code_counts_once_and_no_earlier_one_after_it(cast):
    with_app(cast.trainee)
    code = next_code()
    assert factors.code_right(cast.trainee, f"{code[:3]} {code[3:]}")
    assert not factors.code_right(cast.trainee, code)
    assert not factors.code_right(cast.trainee, code_at(time.time() - 30))
    assert not factors.code_right(cast.dispenser, code)


def test_the_secret_is_not_readable_in_the_database(cast):
    with_app(cast.trainee)
    kept = Authenticator.objects.get(type="totp").data["secret"]
    assert SECRET not in kept
    assert base64.b32decode(SECRET).decode() not in kept


def test_password_then_code(cast, client):
    with_app(cast.trainee)
    answer = post(client, cast.trainee, next="/clients/")
    assert answer["Location"] == reverse("practice:second_factor")
    assert not inside(client)
    assert client.get("/clients/").status_code == 302
    wrong = second(client, code="000000")
    assert factors.WRONG in wrong.content.decode()
    assert not inside(client)
    assert second(client, code=next_code())["Location"] == "/clients/"
    assert get_user(client) == cast.trainee
    event = AuditEvent.objects.get(action="staff.signed_in")
    assert event.after == {"how": "password and code"}
    assert actions().count("staff.sign_in_refused") == 1


def test_the_second_step_is_not_there_without_the_first(client, cast):
    assert client.get(reverse("practice:second_factor"))["Location"] == reverse("practice:sign_in")
    assert second(client, code=next_code())["Location"] == reverse("practice:sign_in")
    with_app(cast.trainee)
    post(client, cast.trainee)
    cast.trainee.is_active = False
    cast.trainee.save()
    second(client, code=next_code())
    assert not inside(client)


def test_guessing_codes_is_slowed_like_guessing_passwords(cast, client):
    with_app(cast.trainee)
    post(client, cast.trainee)
    for n in range(5):
        second(client, code=f"00000{n}")
    right = next_code()
    assert "Too many tries. Wait" in second(client, code=right).content.decode()
    assert not inside(client)
    assert "Too many tries. Wait" in post(Browser(), cast.trainee).content.decode()  # and so is the first step
    SignInTry.objects.update(wait_until=timezone.now() - timedelta(seconds=1))
    second(client, code=right)
    assert inside(client)


def test_a_recovery_code_lets_in_once(cast, client):
    codes = factors.add_totp(actor=cast.trainee, secret=SECRET, code=code_at(time.time() - 30))
    assert len(set(codes)) == 10
    post(client, cast.trainee)
    second(client, code=f"{codes[3][:4]} {codes[3][4:]}")
    assert inside(client)
    assert factors.codes_left(cast.trainee) == 9
    other = Browser()
    post(other, cast.trainee)
    assert second(other, code=codes[3]).status_code == 200
    assert not inside(other)
    fresh = factors.new_codes(actor=cast.trainee)
    assert not factors.recovery_code_right(cast.trainee, codes[4])
    assert factors.recovery_code_right(cast.trainee, fresh[4])
    assert not factors.recovery_code_right(cast.dispenser, fresh[5])


def test_a_recovery_code_is_locked_while_it_is_looked_at(cast):
    """Two who send the same one at once are not both let in: on PostgreSQL the row waits, on SQLite there is one writer at a time."""
    codes = factors.add_totp(actor=cast.trainee, secret=SECRET, code=code_at(time.time() - 30))
    with CaptureQueriesContext(connection) as asked:
        assert factors.recovery_code_right(cast.trainee, codes[0])
    if connection.features.has_select_for_update:
        assert "FOR UPDATE" in next(q["sql"] for q in asked if "mfa_authenticator" in q["sql"])


def rules(cast, roles=(), hours=10):
    seen = audit.token(audit.snapshot(type(cast.group).objects.get(pk=cast.group.pk), sign_in_rules.FIELDS))
    sign_in_rules.change_rules(
        actor=cast.manager, branch=cast.branch, seen=seen, second_factor_roles=roles, pin_hours=hours
    )
    cast.group.refresh_from_db()


def test_whose_role_demands_a_factor_sets_one_up_before_anything_else(cast, client):
    rules(cast, ["supervisor"])
    post(client, cast.supervisor)
    for page in ("/", "/clients/", reverse("practice:password"), reverse("practice:pin")):
        assert client.get(page)["Location"] == reverse("practice:factors")
    assert client.get("/api/v1/calculations").status_code == 403
    assert client.get("/clients/", headers={"HX-Request": "true"}).status_code == 403
    page = client.get(reverse("practice:factors")).content.decode()
    assert "Before anything else, set up a second factor" in page
    page = client.get(reverse("practice:add_totp")).content.decode()
    secret = client.session["new_app_secret"]
    assert " ".join(secret[i : i + 4] for i in range(0, 32, 4)) in page
    assert "<svg" in page
    bad = client.post(reverse("practice:add_totp"), {"code": "12"}).content.decode()
    assert "not the code the app shows now" in bad
    client.post(reverse("practice:add_totp"), {"code": code_at(time.time(), secret)})
    shown = client.get(reverse("practice:factors")).content.decode()
    assert "Your recovery codes, shown only now" in shown
    assert "shown only now" not in client.get(reverse("practice:factors")).content.decode()
    assert client.get("/clients/").status_code == 200
    pk = Authenticator.objects.get(user=cast.supervisor, type="totp").pk
    refused = client.post(reverse("practice:factors"), {"remove": pk}).content.decode()
    assert "Your role needs a second factor" in refused
    assert post(Browser(), cast.dispenser)["Location"] == "/"  # another role is not asked
    assert "group.sign_in_rules" in actions()


def test_a_rule_made_meanwhile_reaches_whoever_is_signed_in(cast, client):
    post(client, cast.dispenser)
    rules(cast, ["dispenser"])
    session = client.session
    session[sessions.USED] -= 90  # the next note of use is due
    session.save()
    client.get("/clients/")
    assert client.get("/clients/")["Location"] == reverse("practice:factors")


def test_rules_are_the_managers_and_are_shown(cast, client):
    client.force_login(cast.manager)
    page = client.get(reverse("practice:sign_in_rules"))
    typed = {"needs-manager": "1", "pin_hours": "99", "seen": page.context["seen"], "password": PASSWORD}
    bad = client.post(reverse("practice:sign_in_rules"), typed).content.decode()
    assert "From 1 to 12 hours" in bad
    assert 'value="99"' in bad
    without = client.post(reverse("practice:sign_in_rules"), typed | {"pin_hours": "", "password": ""}).content.decode()
    assert "Type your password to go on." in without
    assert client.post(reverse("practice:sign_in_rules"), typed | {"pin_hours": ""}).status_code == 302
    cast.group.refresh_from_db()
    assert (cast.group.second_factor_roles, cast.group.pin_hours) == (["manager"], None)
    stale = client.post(reverse("practice:sign_in_rules"), typed | {"pin_hours": "4"}).content.decode()
    assert "Somebody else changed these rules" in stale
    with pytest.raises(NotAllowed):
        sign_in_rules.change_rules(
            actor=cast.supervisor, branch=cast.branch, seen="", second_factor_roles=[], pin_hours=None
        )


def test_a_manager_takes_lost_factors_away_and_nobody_else(cast):
    with_app(cast.trainee)
    with pytest.raises(NotAllowed):
        factors.remove_all(actor=cast.supervisor, person=cast.trainee, branch=cast.branch)
    with pytest.raises(Refused):
        factors.remove_all(actor=cast.manager, person=cast.foreigner, branch=cast.branch)
    assert factors.remove_all(actor=cast.manager, person=cast.trainee, branch=cast.branch) == 1
    assert not Authenticator.objects.exists()
    event = AuditEvent.objects.get(action="staff.factors_removed")
    assert event.before == {"factors": ["code from an app", "recovery codes"]}


# --- proving it once more ---------------------------------------------------------------------------------------------


def test_a_dispense_is_signed_by_password_or_code_and_never_by_pin(cast):
    with_app(cast.supervisor)
    devices.set_pin(actor=cast.supervisor, pin="402816", again="402816")
    made = ready_dispense(cast, actor=cast.trainee)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    made.refresh_from_db()
    for wrong in ("402816", "000000", ""):
        with pytest.raises(Invalid):
            sign_off.sign(actor=cast.supervisor, dispense=made, version=made.version, password=wrong)
    code = next_code()
    sign_off.sign(actor=cast.supervisor, dispense=made, version=made.version, password=code)
    made.refresh_from_db()
    assert made.state == "signed"
    with pytest.raises(Invalid):
        proof.prove(actor=cast.supervisor, secret=code)  # used


def test_doors_ask_again_after_a_while(cast, client):
    post(client, cast.manager)
    url = reverse("practice:invitations")
    assert 'name="password"' not in client.get(url).content.decode()
    session = client.session
    session[sessions.FULL] -= 16 * 60
    session.save()
    assert 'name="password"' in client.get(url).content.decode()
    typed = {"first_name": "Ada", "last_name": "Quill", "role": "dispenser"}
    page = client.post(url, typed | {"password": "wrong"}).content.decode()
    assert "That is not your password." in page
    assert 'value="Ada"' in page
    assert client.post(url, typed | {"password": PASSWORD}).status_code == 302
    assert len(links.open_at(cast.branch)) == 1
