"""Shared devices: enrolled by a supervisor or manager, on them people change places by PIN.

A PIN is never weaker than the group's rule. It counts only on an enrolled device, only for `pin_hours` after its owner's own
whole sign-in there (with a second factor where their role demands one), and not at all where the group has forbidden it. The
session it opens ends when those hours are over. Six digits are few: wrong ones wait, and then lock the PIN.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction
from django.utils import timezone

from practice import access, audit, factors
from practice.errors import Invalid, Refused
from practice.models import Branch, Device, DeviceUser, Pin, Staff

COOKIE = "device"
FREE_FAILURES, LOCKED_AT = 2, 6
FIRST_WAIT = timedelta(seconds=5)
DIGITS = 6


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


# --- the device -------------------------------------------------------------------------------------------------------


def device_of(token: str) -> Device | None:
    """The enrolled device whose browser holds this token."""
    if not token or len(token) > 200:
        return None
    return Device.objects.filter(token_sha256=_digest(token), revoked_at=None).select_related("group", "branch").first()


def enrol(*, actor: Staff, branch: Branch, name: str, words: str = "") -> tuple[Device, str]:
    """Make the browser that gets the returned token a shared device of the branch."""
    name = " ".join(name.split())
    if not name:
        raise Invalid({"name": "Give it a name, such as front desk tablet."})
    if len(name) > 60 or "\x00" in name:
        raise Invalid({"name": "At most 60 characters."})
    token = secrets.token_urlsafe(32)
    with transaction.atomic():
        access.require(actor, "device.change", branch=branch)
        if Device.objects.filter(branch=branch, name__iexact=name, revoked_at=None).exists():
            raise Invalid({"name": "Another device of this branch has that name."})
        row = Device.objects.create(
            group=branch.group,
            branch=branch,
            name=name,
            words=words[:80],
            token_sha256=_digest(token),
            enrolled_by=actor,
            enrolled_at=timezone.now(),
        )
        _told(actor, row, "device.enrolled", after={"name": name})
    return row, token


def revoke(*, actor: Staff, device: Device) -> None:
    """The device is shared no more: nobody changes places on it. Sessions opened there by PIN end within a minute of use (`still`);
    those of a whole sign-in go on until they end, and are ended by whose they are, or by the manager."""
    with transaction.atomic():
        access.require(actor, "device.change", branch=device.branch)
        row = Device.objects.select_for_update(of=("self",)).select_related("group", "branch").get(pk=device.pk)
        if row.revoked_at is not None:
            raise Refused("That device was revoked already.")
        row.revoked_at, row.revoked_by = timezone.now(), actor
        row.save(update_fields=["revoked_at", "revoked_by"])
        row.users.all().delete()
        _told(actor, row, "device.revoked", before={"name": row.name})


def still(pk: int) -> bool:
    """Whether a device is still shared."""
    return Device.objects.filter(pk=pk, revoked_at=None).exists()


def note_full_sign_in(*, device: Device, person: Staff, with_factor: bool, now: datetime | None = None) -> None:
    """Somebody has signed in wholly on the device; from now their hours count."""
    if person.group_id == device.group_id:
        DeviceUser.objects.update_or_create(
            device=device,
            staff=person,
            defaults={"signed_in_at": now or timezone.now(), "with_factor": with_factor},
        )


def forget_person(person: Staff) -> None:
    """Their PIN opens nothing until they have signed in wholly again (new password, account closed)."""
    DeviceUser.objects.filter(staff=person).delete()


# --- changing places --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Place:
    """Somebody who may change to their own place on a device, until when, and why not now."""

    person: Staff
    until: datetime
    why_not: str


def places(device: Device, now: datetime | None = None) -> list[Place]:
    """Who may change places on the device, by name. Nobody where the group has forbidden it."""
    now = now or timezone.now()
    hours = device.group.pin_hours
    if not hours:
        return []
    rows = (
        device.users.filter(
            signed_in_at__gt=now - timedelta(hours=hours), staff__is_active=True, staff__group=device.group_id
        )
        .select_related("staff__group", "staff__pin")
        .order_by("staff__last_name", "staff__first_name", "pk")
    )
    return [Place(r.staff, r.signed_in_at + timedelta(hours=hours), _why_not(r)) for r in rows]


def _why_not(row: DeviceUser) -> str:
    pin = getattr(row.staff, "pin", None)
    if pin is None:
        return "has no PIN"
    if pin.locked_at is not None:
        return "PIN locked: sign in with the password and set a new one"
    if factors.demanded(row.staff) and not row.with_factor:
        return "has to sign in with a second factor"
    return ""


def change_place(*, device: Device, person_pk: int, pin: str, now: datetime | None = None) -> Place:
    """Whose place it is now. Raises Invalid (field "pin") for a wrong PIN, Refused where no PIN counts.

    A wrong one is counted before it is refused, whatever becomes of the caller's transaction: call it outside of one.
    """
    now = now or timezone.now()
    place = next((p for p in places(device, now) if p.person.pk == person_pk), None)
    if place is None:
        raise Refused("Sign in with your password: your PIN counts here for some hours after that.")
    if place.why_not:
        raise Refused(f"{place.person.display_name} {place.why_not}.")
    problem = ""
    with transaction.atomic():
        row = Pin.objects.select_for_update().get(pk=place.person.pk)
        if row.locked_at is not None:
            problem = "This PIN is locked. Sign in with your password."
        elif row.wait_until is not None and row.wait_until > now:
            seconds = max(1, round((row.wait_until - now).total_seconds()))
            problem = f"Too many wrong PINs. Wait {seconds} second{'s' * (seconds != 1)}, or sign in with your password."
        elif not check_password(pin, row.encoded):
            problem = _wrong(row, place.person, device, now)
        else:
            row.failures, row.wait_until = 0, None
            row.save(update_fields=["failures", "wait_until"])
            _told(place.person, device, "staff.changed_place", after={"device": device.name}, subject=place.person)
    if problem:
        raise Invalid({"pin": problem})
    return place


def _wrong(row: Pin, person: Staff, device: Device, now: datetime) -> str:
    row.failures += 1
    problem = "That is not the PIN."
    if row.failures >= LOCKED_AT:
        row.locked_at = now
        problem = "That is not the PIN, and it is locked now. Sign in with your password, then set a new PIN."
    elif row.failures > FREE_FAILURES:
        wait = FIRST_WAIT * 2 ** (row.failures - FREE_FAILURES - 1)
        row.wait_until = now + wait
        problem = f"That is not the PIN. Wait {round(wait.total_seconds())} seconds before the next try."
    row.save(update_fields=["failures", "wait_until", "locked_at"])
    action = "staff.pin_locked" if row.locked_at else "staff.pin_refused"
    _told(None, device, action, after={"device": device.name, "failures": row.failures}, subject=person)
    return problem


# --- the PIN ----------------------------------------------------------------------------------------------------------


def pin_problem(pin: str) -> str:
    """What is wrong with a new PIN; empty when nothing is."""
    if not re.fullmatch(r"[0-9]{6}", pin):
        return f"{DIGITS} digits."
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)}
    if steps in ({0}, {1}, {9}) or pin[:3] == pin[3:] or pin[:2] * 3 == pin:
        return "That one is guessed first: no rows such as 123456, no repeats such as 121212."
    return ""


def set_pin(*, actor: Staff, pin: str, again: str) -> None:
    """A new PIN of one's own; it is not locked. The caller has asked for the password (`proof.prove`)."""
    problem = pin_problem(pin)
    if problem:
        raise Invalid({"pin": problem})
    if pin != again:
        raise Invalid({"again": "The two are not the same."})
    with transaction.atomic():
        Pin.objects.update_or_create(
            staff=actor,
            defaults={
                "encoded": make_password(pin),
                "set_at": timezone.now(),
                "failures": 0,
                "wait_until": None,
                "locked_at": None,
            },
        )
        _pin_told(actor, "staff.pin_set")


def remove_pin(*, actor: Staff) -> None:
    with transaction.atomic():
        if Pin.objects.filter(staff=actor).delete()[0]:
            _pin_told(actor, "staff.pin_removed")


def _pin_told(actor: Staff, action: str) -> None:
    if actor.group is not None:
        audit.record(actor=actor, action=action, subject=f"staff {actor.username}", group=actor.group)


def _told(
    actor: Staff | None,
    device: Device,
    action: str,
    *,
    before: dict[str, object] | None = None,
    after: dict[str, object] | None = None,
    subject: Staff | None = None,
) -> None:
    audit.record(
        actor=actor,
        actor_name="" if actor else "somebody at a shared device",
        action=action,
        subject=f"staff {subject.username}" if subject else f"device {device.pk}",
        group=device.group,
        branch=device.branch,
        before=before,
        after=after,
    )
