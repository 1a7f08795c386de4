"""Changing the key of the site: what was signed or encrypted under the old one goes on while it is listed, and under no other."""

from __future__ import annotations

import time

import pytest
from allauth.mfa.adapter import get_adapter
from allauth.mfa.models import Authenticator
from cryptography.fernet import InvalidToken
from django.contrib.auth import get_user as user_of
from django.contrib.sessions.models import Session
from django.core import signing
from django.core.management import CommandError, call_command

from practice import factors, links, sessions
from practice.models import SignedIn
from practice.web import known
from tests.practice.test_sign_in_factors import SECRET, code_at, inside, next_code, post

OLD = "the key this site had before, of more than fifty characters: 0123456789"
NEW = "the key this site has from now on, of more than fifty characters: 9876"


@pytest.fixture
def old_key(settings):
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = OLD, []
    return settings


def change(settings, *, listed: bool) -> None:
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = NEW, [OLD] if listed else []


def test_a_session_under_the_old_key_goes_on_and_is_then_under_the_new_one(cast, client, old_key):
    post(client, cast.trainee)
    assert inside(client)
    before = client.session.session_key
    change(old_key, listed=True)
    assert client.get("/clients/").status_code == 200
    after = client.session.session_key
    assert after != before
    assert not Session.objects.filter(session_key=before).exists()
    # it is still the session its owner sees and a manager can end
    assert [r.session_key for r in sessions.open_of(cast.trainee)] == [after]
    change(old_key, listed=False)
    assert client.get("/clients/").status_code == 200
    sessions.end_all(person=cast.trainee)
    assert client.get("/clients/").status_code == 302
    assert SignedIn.objects.get(session_key=after).ended_at


def test_a_session_under_an_unknown_key_is_over(cast, client, old_key):
    post(client, cast.trainee)
    change(old_key, listed=False)
    assert client.get("/clients/").status_code == 302
    assert not user_of(type("Request", (), {"session": client.session})()).is_authenticated


def test_what_was_signed_and_what_was_handed_out(cast, client, old_key):
    """The cookie that knows a browser is signed; links rest on their own digests, and on no key."""
    signed = signing.dumps({"a": 1}, salt=known.SALT)
    _, token = links.way_to_password(actor=cast.manager, person=cast.trainee, branch=cast.branch)
    change(old_key, listed=True)
    assert signing.loads(signed, salt=known.SALT) == {"a": 1}
    change(old_key, listed=False)
    with pytest.raises(signing.BadSignature):
        signing.loads(signed, salt=known.SALT)
    assert links.find(token) is not None


def test_second_factors_are_opened_by_the_old_key_and_renewed_under_the_new_one(cast, old_key, capsys):
    codes = factors.add_totp(actor=cast.trainee, secret=SECRET, code=code_at(time.time() - 30))
    change(old_key, listed=False)
    with pytest.raises(InvalidToken):
        get_adapter().decrypt(Authenticator.objects.get(type="totp").data["secret"])
    with pytest.raises(CommandError, match=rf"2 cannot be opened by any key .*{cast.trainee.pk}"):
        call_command("renew_secrets")
    change(old_key, listed=True)
    assert factors.code_right(cast.trainee, next_code())
    call_command("renew_secrets")
    call_command("renew_secrets")
    assert "2 second factors and sets of recovery codes" in capsys.readouterr().out
    change(old_key, listed=False)
    assert factors.codes_left(cast.trainee) == len(codes)
    assert factors.recovery_code_right(cast.trainee, codes[0])
    row = Authenticator.objects.get(type="totp")
    assert row.data["last_step"] >= int(time.time()) // 30 - 1  # what was used stays used
    assert factors.code_fits(get_adapter().decrypt(row.data["secret"]), next_code()) is not None
