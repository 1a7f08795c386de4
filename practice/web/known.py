"""The browsers in which somebody has signed in before: a signed cookie, so that guessing elsewhere does not keep them out."""

from __future__ import annotations

import hashlib
import secrets
from typing import TypedDict

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse

from practice.addresses import counted_as

COOKIE, SALT = "known", "practice.known"
KEPT_FOR = 120 * 24 * 3600  # seconds
PEOPLE = 12  # a shared tablet knows so many; then the oldest is forgotten


def _read(request: HttpRequest) -> dict[str, str]:
    try:
        kept = signing.loads(request.COOKIES.get(COOKIE, ""), salt=SALT, max_age=KEPT_FOR)
    except signing.BadSignature:
        return {}
    return kept if isinstance(kept, dict) else {}


def _short(name: str) -> str:
    return hashlib.sha256(name.strip().casefold().encode()).hexdigest()[:16]


def mark_of(request: HttpRequest | None, name: str) -> str:
    """By what this browser is known for a name; empty when nobody has signed in here under it."""
    return str(_read(request).get(_short(name), "")) if request is not None else ""


class Tried(TypedDict):
    """Under what a wrong try is counted: the arguments of `sign_in.seconds_to_wait` and `sign_in.failed`."""

    name: str
    address: str
    known: str


def tried(request: HttpRequest, name: str, counted: str = "") -> Tried:
    """`counted`: another name to count under, where it is not the password that was tried."""
    return {"name": counted or name, "address": counted_as(request), "known": mark_of(request, name)}


def remember(request: HttpRequest, answer: HttpResponse, name: str) -> None:
    kept = {k: v for k, v in _read(request).items() if k != _short(name)}
    kept[_short(name)] = secrets.token_hex(8)
    answer.set_cookie(
        COOKIE,
        signing.dumps(dict(list(kept.items())[-PEOPLE:]), salt=SALT),
        max_age=KEPT_FOR,
        httponly=True,
        samesite="Lax",
        secure=settings.SESSION_COOKIE_SECURE,
    )
