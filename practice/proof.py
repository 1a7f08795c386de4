"""Proving once more who one is: by the password or a code from the authenticator. A PIN proves nothing here."""

from __future__ import annotations

from practice import factors, sign_in
from practice.errors import Invalid, NotAllowed
from practice.models import Staff

FIELD = "password"


def prove(*, actor: Staff, secret: str, address: str = "", known: str = "", why: str = "to go on") -> str:
    """ "password" or "code", whichever it was. Raises Invalid (field "password") and counts a wrong one.

    Call it outside the transaction of what it opens, so that a wrong try is counted although nothing else is saved.
    """
    wait = sign_in.seconds_to_wait(name=actor.username, address=address, known=known)
    if wait:
        raise Invalid({FIELD: sign_in.wait_words(wait)})
    if not secret:
        raise Invalid({FIELD: f"Type your password {why}."})
    how = ""
    if actor.check_password(secret):
        how = "password"
    elif factors.looks_like_code(secret) and factors.code_right(actor, secret):
        how = "code"
    if not how:
        sign_in.failed(name=actor.username, address=address, known=known)
        raise Invalid({FIELD: "That is not your password."})
    if not actor.is_active:
        raise NotAllowed("This account is closed.")
    return how
