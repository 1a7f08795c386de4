"""Slowing down those who guess passwords. Counted in the database, so that every server process sees the same.

After FREE_TRIES failures under one name the next try has to wait, twice as long after each further failure; an address from
which many names are tried waits likewise. A wait refuses the right password too, and the page says how long it is.
"""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from practice import audit
from practice.models import SignInTry, Staff

FREE_TRIES = {"name": 5, "address": 40}
FIRST_WAIT = timedelta(seconds=15)
LONGEST_WAIT = timedelta(minutes=15)
FORGET_AFTER = timedelta(hours=24)


def _keys(name: str, address: str) -> dict[str, str]:
    return {
        kind: hashlib.sha256(f"{kind}:{text}".encode()).hexdigest()
        for kind, text in (("name", name.strip().casefold()), ("address", address))
    }


def wait_for(failures: int, free: int) -> timedelta:
    """How long the next try has to wait after so many failures."""
    if failures < free:
        return timedelta(0)
    return min(FIRST_WAIT * 2 ** min(failures - free, 10), LONGEST_WAIT)


def seconds_to_wait(*, name: str, address: str, now: datetime | None = None) -> int:
    """0 when a try is allowed now."""
    now = now or timezone.now()
    until = (
        SignInTry.objects.filter(key__in=_keys(name, address).values(), wait_until__gt=now).order_by("-wait_until").first()
    )
    return 0 if until is None or until.wait_until is None else max(1, round((until.wait_until - now).total_seconds()))


@transaction.atomic
def failed(*, name: str, address: str, now: datetime | None = None) -> None:
    """Count a failure; told to the audit trail when the name belongs to somebody."""
    now = now or timezone.now()
    for kind, key in _keys(name, address).items():
        SignInTry.objects.get_or_create(key=key, defaults={"last_at": now})
        row = SignInTry.objects.select_for_update().get(key=key)
        row.failures = row.failures + 1 if now - row.last_at < FORGET_AFTER else 1
        wait = wait_for(row.failures, FREE_TRIES[kind])
        row.last_at, row.wait_until = now, now + wait if wait else None
        row.save()
    person = Staff.objects.filter(username=name, group__isnull=False).select_related("group").first()
    if person is not None and person.group is not None:
        audit.record(
            actor=None,
            actor_name="somebody not signed in",
            action="staff.sign_in_refused",
            subject=f"staff {person.username}",
            group=person.group,
        )


@transaction.atomic
def succeeded(*, person: Staff) -> None:
    """Forget the failures under this name."""
    SignInTry.objects.filter(key=_keys(person.username, "")["name"]).delete()
    note(person=person, action="staff.signed_in")


@transaction.atomic
def note(*, person: Staff, action: str) -> None:
    """A sign-in, sign-out or change of password in the audit trail."""
    if person.group is not None:
        audit.record(actor=person, action=action, subject=f"staff {person.username}", group=person.group)
