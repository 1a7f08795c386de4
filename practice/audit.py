"""The audit trail: who did what to what, when, with what was there before and after.

Every use case calls `record` inside its own transaction, so that a change and its row stand or fall together. The rows of a
group form a chain: each digest covers the row and the digest before it, the head is locked while a row is added, and the
database refuses to change or delete a row (`audit_guard`). What a determined database owner does behind that is found by
`verify`.

Personal data and an append-only chain: a client may have to be forgotten one day, a row must never be. So whatever a row about
a client tells of them is kept beside the chain (`AuditDetail`), and the row itself holds a digest of it, salted with 256 random
bits: while the detail is there it is verified like everything else, and once it is erased with its salt the digest says nothing
(NIST SP 800-88 calls the same idea with keys cryptographic erase; a commitment needs no key to be kept safe). Only the names in
`OPEN`, which say nothing about a person, stay in the row. Everything else goes beside it, whatever it is: a new value is safe
before anybody has thought of it. Reading is the same for both (`event.before`, `event.after`). Subjects are references, never
names; people who work here are named in the row for good. Rows written before this way existed keep what they hold.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

import rfc8785
from django.db import models, transaction
from django.utils import timezone

from practice.models import AuditDetail, AuditEvent, AuditHead, Branch, Client, Group, Staff

START = "0" * 64
OPEN = frozenset(
    {
        "bears",
        "blind",
        "branch",
        "by",
        "check",
        "covering_for",
        "decision",
        "dispense",
        "dispenser",
        "judged_by",
        "lab",
        "numbers",
        "orders",
        "outcome",
        "removed",
        "seen_sha256",
        "sha256",
        "standard",
        "state",
        "version",
        "visit",
        "was",
    }
)  # what may stay in the chain for good although a row is about a client: states, references, digests


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
    head = AuditHead.objects.select_for_update().filter(group=group).first()
    if head is None:  # the group's first row
        AuditHead.objects.get_or_create(group=group)
        head = AuditHead.objects.select_for_update().get(group=group)
    told = plain(before or {}), plain(after or {})
    detail, salt = _beside(*told) if client is not None else (None, "")
    event = AuditEvent(
        group=group,
        branch=branch,
        client=client,
        at=timezone.now(),
        actor=actor,
        actor_name=(actor_name or (actor.display_name if actor else "system"))[:160],
        action=action,
        subject=subject[:80],
        before=told[0] if detail is None else {k: v for k, v in told[0].items() if k in OPEN},
        after=told[1] if detail is None else {k: v for k, v in told[1].items() if k in OPEN},
        sequence=head.sequence + 1,
        previous_digest=head.digest,
    )
    if detail is not None:
        event.detail_digest = detail_digest(salt, *detail)
    event.digest = digest_of(event)
    event.save(force_insert=True)
    if detail is not None:
        AuditDetail(event=event, salt=salt, before=detail[0], after=detail[1]).save(force_insert=True)
    head.sequence, head.digest = event.sequence, event.digest
    head.save(update_fields=["sequence", "digest"])
    return event


def _beside(before: dict[str, Any], after: dict[str, Any]) -> tuple[tuple[dict[str, Any], dict[str, Any]] | None, str]:
    """What is kept beside the chain, and a new salt; (None, "") when there is nothing to keep there."""
    parts = ({k: v for k, v in before.items() if k not in OPEN}, {k: v for k, v in after.items() if k not in OPEN})
    return (parts, secrets.token_hex(32)) if any(parts) else (None, "")


def detail_digest(salt: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    """SHA-256 over salt and canonical JSON (RFC 8785) of what is kept beside the chain."""
    return hashlib.sha256(rfc8785.dumps({"salt": salt, "before": dict(before), "after": dict(after)})).hexdigest()


def digest_of(event: AuditEvent) -> str:
    """SHA-256 over the canonical JSON (RFC 8785) of everything in a row but its own digest."""
    content: dict[str, Any] = {
        "group": event.group_id,
        "branch": event.branch_id,
        "client": event.client_id,
        "at": event.at.astimezone(UTC).isoformat(timespec="microseconds"),
        "actor": event.actor_id,
        "actor_name": event.actor_name,
        "action": event.action,
        "subject": event.subject,
        "before": event.__dict__["before"],  # as the chain holds it, without what is beside it
        "after": event.__dict__["after"],
        "sequence": event.sequence,
        "previous": event.previous_digest,
    }
    if event.detail_digest:
        content["detail"] = event.detail_digest
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
    rows = AuditEvent.objects.filter(group=group).select_related("detail", "client").order_by("sequence", "pk")
    for event in rows.iterator(chunk_size=1000):
        if event.sequence != expected:
            return Break(group, expected, f"row {expected} is missing (next found: {event.sequence})")
        if event.previous_digest != previous:
            return Break(group, expected, f"row {expected} does not follow the row before it")
        if event.digest != digest_of(event):
            return Break(group, expected, f"row {expected} ({event.action} of {event.subject}) is not what was written")
        if wrong := _wrong_beside(event):
            return Break(group, expected, f"row {expected} ({event.action} of {event.subject}): {wrong}")
        expected, previous = expected + 1, event.digest
    head = AuditHead.objects.filter(group=group).first()
    if head is None:
        return None if expected == 1 else Break(group, expected - 1, "the head of the chain is missing")
    if head.sequence != expected - 1 or head.digest != previous:
        return Break(group, expected, f"rows after {expected - 1} are missing: the chain ended at {head.sequence}")
    return None


def _wrong_beside(event: AuditEvent) -> str:
    detail = event.kept_beside()
    if detail is None:
        erased = event.client is not None and event.client.erased_at is not None
        return "what was kept beside it is missing" if event.detail_digest and not erased else ""
    if detail_digest(detail.salt, detail.before, detail.after) != event.detail_digest:
        return "what is kept beside it is not what was written"
    return ""
