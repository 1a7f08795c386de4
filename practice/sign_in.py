"""Slowing down those who guess passwords and codes. Counted in the database, so that every server process sees the same.

After FREE_TRIES failures under one name the next try has to wait, twice as long after each further failure; an address from
which many names are tried waits likewise. A wait refuses the right password too, and the page says how long it is.

A browser in which somebody has signed in before (`known`, from a signed cookie) is counted by itself: whoever guesses under a
name or from a branch's one address keeps neither the owner of that name nor the colleagues there from signing in where they
always do. So it is described by the OWASP (Slow Down Online Guessing Attacks with Device Cookies).
"""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from practice import audit
from practice.models import SignInLink, SignInTry, Staff

FREE_TRIES = {"name": 5, "known": 5, "address": 40}
FIRST_WAIT = timedelta(seconds=15)
LONGEST_WAIT = timedelta(minutes=15)
FORGET_AFTER = {"name": timedelta(hours=24), "known": timedelta(hours=24), "address": timedelta(hours=1)}


def _keys(name: str, address: str, known: str = "") -> dict[str, str]:
    name = name.strip().casefold()
    parts = {"known": f"{known}:{name}"} if known else {"name": name, "address": address}
    return {kind: hashlib.sha256(f"{kind}:{text}".encode()).hexdigest() for kind, text in parts.items()}


def wait_for(failures: int, free: int) -> timedelta:
    """How long the next try has to wait after so many failures."""
    if failures < free:
        return timedelta(0)
    return min(FIRST_WAIT * 2 ** min(failures - free, 10), LONGEST_WAIT)


def seconds_to_wait(*, name: str, address: str, known: str = "", now: datetime | None = None) -> int:
    """0 when a try is allowed now."""
    now = now or timezone.now()
    keys = _keys(name, address, known).values()
    until = SignInTry.objects.filter(key__in=keys, wait_until__gt=now).order_by("-wait_until").first()
    return 0 if until is None or until.wait_until is None else max(1, round((until.wait_until - now).total_seconds()))


def wait_words(seconds: int) -> str:
    """What the page says while somebody has to wait."""
    how_long = f"{seconds} second{'s' * (seconds != 1)}" if seconds < 120 else f"{round(seconds / 60)} minutes"
    return f"Too many tries. Wait {how_long}, then try again; a manager can make a link for a new password."


@transaction.atomic
def failed(*, name: str, address: str, known: str = "", now: datetime | None = None) -> None:
    """Count a failure; told to the audit trail when the name belongs to somebody."""
    now = now or timezone.now()
    by_name = 0
    for kind, key in _keys(name, address, known).items():
        if kind == "address" and by_name > FREE_TRIES["name"]:
            continue  # one person who cannot remember does not close the door of a whole branch
        row = _count(key, kind, now)
        by_name = row.failures if kind == "name" else by_name
    person = Staff.objects.filter(username__iexact=name.strip(), group__isnull=False).select_related("group").first()
    if person is not None and person.group is not None:
        audit.record(
            actor=None,
            actor_name="somebody not signed in",
            action="staff.sign_in_refused",
            subject=f"staff {person.username}",
            group=person.group,
        )


def _count(key: str, kind: str, now: datetime) -> SignInTry:
    SignInTry.objects.get_or_create(key=key, defaults={"last_at": now})
    row = SignInTry.objects.select_for_update().get(key=key)
    row.failures = row.failures + 1 if now - row.last_at < FORGET_AFTER[kind] else 1
    wait = wait_for(row.failures, FREE_TRIES[kind])
    row.last_at, row.wait_until = now, now + wait if wait else None
    row.save()
    return row


@transaction.atomic
def succeeded(*, person: Staff, known: str = "", how: str = "") -> None:
    """Forget the failures under this name in this browser. `how`: by what, for the trail."""
    forgive(person=person, known=known)
    note(person=person, action="staff.signed_in", how=how)


def forgive(*, person: Staff, known: str = "") -> None:
    """The failures under this name count no more: everywhere, when whoever knows the password was not known in the browser."""
    keys = _keys(person.username, "", known)
    SignInTry.objects.filter(key=keys.get("known") or keys["name"]).delete()


@transaction.atomic
def note(*, person: Staff, action: str, how: str = "") -> None:
    """A sign-in, sign-out or change of password in the audit trail."""
    if person.group is not None:
        audit.record(
            actor=person,
            action=action,
            subject=f"staff {person.username}",
            group=person.group,
            after={"how": how} if how else None,
        )


def links_end(*, person: Staff) -> None:
    """Links to a new password that were not used count no more: the password is new by another way, or the account is closed."""
    still = SignInLink.objects.filter(kind=SignInLink.Kind.PASSWORD, person=person, used_at=None, revoked_at=None)
    still.update(revoked_at=timezone.now())


def forget_old(before: timedelta = timedelta(days=2)) -> int:
    """Tries that count no more."""
    return SignInTry.objects.filter(last_at__lt=timezone.now() - before).delete()[0]
