"""The audit trail: who did what to what, when, with what was there before and after.

Every use case calls `record` inside its own transaction, so that a change and its row stand or fall together. The rows of a
group form a chain: each digest covers the row and the digest before it, the head is locked while a row is added, and the
database refuses to change or delete a row (`audit_guard`). What a determined database owner does behind that is found by
`verify`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

import rfc8785
from django.db import models, transaction
from django.utils import timezone

from practice.models import AuditEvent, AuditHead, Branch, Client, Group, Staff

START = "0" * 64


def plain(value: Any) -> Any:
    """A value as canonical JSON can hold it: exact numbers as text, moments in ISO 8601, rows by their key."""
    if value is None or isinstance(value, bool | float | str):
        return value
    if isinstance(value, int):
        return value if abs(value) < 2**53 else str(value)  # what RFC 8785 can hold exactly
    if isinstance(value, Decimal | UUID):
        return str(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, models.Model):
        return value.pk
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, Iterable):
        return [plain(v) for v in value]
    return str(value)


def snapshot(instance: models.Model, fields: Iterable[str]) -> dict[str, Any]:
    """The named fields of a row as they are now."""
    return {name: plain(getattr(instance, name)) for name in fields}


def changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Only what differs, of both."""
    names = [n for n in {**before, **after} if before.get(n) != after.get(n)]
    return {n: before.get(n) for n in names}, {n: after.get(n) for n in names}


def token(shown: Mapping[str, Any]) -> str:
    """What a page showed, in short: a form carries it, so that nothing is overwritten unseen."""
    return hashlib.sha256(rfc8785.dumps(plain(shown))).hexdigest()[:24]


def record(
    *,
    actor: Staff | None,
    action: str,
    subject: str,
    group: Group,
    branch: Branch | None = None,
    client: Client | None = None,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
    actor_name: str = "",
) -> AuditEvent:
    """Add one row to the chain of `group`. `actor_name` names a lab or the system where no member of staff acted.

    Raises RuntimeError outside a transaction: a row that can outlive the change it tells of is worth nothing.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("audit.record belongs inside the transaction of the change it records")
    AuditHead.objects.get_or_create(group=group)
    head = AuditHead.objects.select_for_update().get(group=group)
    event = AuditEvent(
        group=group,
        branch=branch,
        client=client,
        at=timezone.now(),
        actor=actor,
        actor_name=(actor_name or (actor.display_name if actor else "system"))[:160],
        action=action,
        subject=subject[:80],
        before=plain(before or {}),
        after=plain(after or {}),
        sequence=head.sequence + 1,
        previous_digest=head.digest,
    )
    event.digest = digest_of(event)
    event.save(force_insert=True)
    head.sequence, head.digest = event.sequence, event.digest
    head.save(update_fields=["sequence", "digest"])
    return event


def digest_of(event: AuditEvent) -> str:
    """SHA-256 over the canonical JSON (RFC 8785) of everything in a row but its own digest."""
    content = {
        "group": event.group_id,
        "branch": event.branch_id,
        "client": event.client_id,
        "at": event.at.astimezone(UTC).isoformat(timespec="microseconds"),
        "actor": event.actor_id,
        "actor_name": event.actor_name,
        "action": event.action,
        "subject": event.subject,
        "before": event.before,
        "after": event.after,
        "sequence": event.sequence,
        "previous": event.previous_digest,
    }
    return hashlib.sha256(rfc8785.dumps(content)).hexdigest()


@dataclass(frozen=True)
class Break:
    """The first link of a group's chain that does not hold."""

    group: Group
    sequence: int
    what: str


def verify(group: Group) -> Break | None:
    """Walk a group's chain from the start; None when it is whole."""
    expected, previous = 1, START
    for event in AuditEvent.objects.filter(group=group).order_by("sequence", "pk").iterator(chunk_size=1000):
        if event.sequence != expected:
            return Break(group, expected, f"row {expected} is missing (next found: {event.sequence})")
        if event.previous_digest != previous:
            return Break(group, expected, f"row {expected} does not follow the row before it")
        if event.digest != digest_of(event):
            return Break(group, expected, f"row {expected} ({event.action} of {event.subject}) is not what was written")
        expected, previous = expected + 1, event.digest
    head = AuditHead.objects.filter(group=group).first()
    if head is None:
        return None if expected == 1 else Break(group, expected - 1, "the head of the chain is missing")
    if head.sequence != expected - 1 or head.digest != previous:
        return Break(group, expected, f"rows after {expected - 1} are missing: the chain ended at {head.sequence}")
    return None
