"""The field that asks once more who somebody is, on forms that open a door; not asked shortly after a whole sign-in."""

from __future__ import annotations

import time

from django.http import HttpRequest

from practice import factors, proof, sessions
from practice.addresses import counted_as
from practice.errors import Invalid
from practice.models import Staff
from practice.web import known
from practice.web.fields import Field

FRESH_FOR = 15 * 60  # seconds


def needed(request: HttpRequest) -> bool:
    """Whether the password is asked for again: the session is by PIN, or its whole sign-in is a while ago."""
    at = request.session.get(sessions.FULL)
    return at is None or time.time() - at > FRESH_FOR


def field(request: HttpRequest, error: str = "", name: str = proof.FIELD) -> Field | None:
    """`name`: another one, where the form has a password of somebody else's in it."""
    if not needed(request):
        return None
    return Field(
        name=name,
        label="Your password, to go on",
        kind="password",
        autocomplete="current-password",
        error=error,
        help="Or the code your app shows now.",
    )


def ask(request: HttpRequest, name: str = proof.FIELD) -> None:
    """Take the proof from the form. Raises Invalid (field `name`). After it, nothing is asked for a while."""
    if not needed(request):
        return
    try:
        prove(request, name=name)
    except Invalid as problem:
        raise Invalid({name: problem.errors[proof.FIELD]}) from problem
    if request.session.get(sessions.FULL) is not None:
        request.session[sessions.FULL] = int(time.time())


def prove(request: HttpRequest, why: str = "to go on", name: str = proof.FIELD) -> str:
    person: Staff = request.user  # type: ignore[assignment]
    return proof.prove(
        actor=person,
        secret=request.POST.get(name, "")[:200],
        address=counted_as(request),
        known=known.mark_of(request, person.username),
        why=why,
    )


def label(person: Staff) -> str:
    """What to type to sign something: a code only where there is an app."""
    apps = any(f.type == factors.Type.TOTP for f in factors.factors_of(person))
    return "Your password, or the code your app shows" if apps else "Your password"
