"""The stored text in its envelope. The document is put in as it was stored, byte for byte, never read and written again."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

from orders.document import SCHEMA_PATH

# columns of an order that an envelope is made of, in the order in which `line` takes them
COLUMNS = (
    "number",
    "state",
    "waiting",
    "feed_position",
    "version",
    "issued_at",
    "promised_on",
    "cancelled_at",
    "cancel_reason",
    "rejected_at",
    "reject_reason",
    "document_sha256",
    "document",
)


def line(
    number: str,
    state: str,
    waiting: bool,
    feed_position: int,
    version: int,
    issued_at: datetime | str,
    promised_on: date | None,
    cancelled_at: datetime | str | None,
    cancel_reason: str,
    rejected_at: datetime | str | None,
    reject_reason: str,
    sha256: str,
    document: str,
) -> str:
    """What the lab needs to know about an order besides its document: what became of it since.

    Written out rather than serialised: a page of a hundred is the busiest answer there is. Numbers, states and digests hold
    nothing that JSON would have to escape; a reason may, and is.
    """
    promised = f'"{promised_on.isoformat()}"' if promised_on else "null"
    cancelled = rejected = "null"
    if cancelled_at:
        reason = json.dumps(cancel_reason, ensure_ascii=False)
        cancelled = f'{{"at": "{_moment(cancelled_at)}", "reason": {reason}}}'
    if rejected_at:
        reason = json.dumps(reject_reason, ensure_ascii=False)
        rejected = f'{{"at": "{_moment(rejected_at)}", "reason": {reason}}}'
    return (
        f'{{"number": "{number}", "state": "{state}", "waiting": {"true" if waiting else "false"}, '
        f'"feed_position": {feed_position}, "version": {version}, "issued_at": "{_moment(issued_at)}", '
        f'"promised_on": {promised}, "cancelled": {cancelled}, "rejected": {rejected}, "sha256": "{sha256}", "schema": "{SCHEMA_PATH}", '
        f'"document": {document}}}'
    )


def _moment(value: datetime | str | None) -> str | None:
    """A moment that is text already is in this form already."""
    return (
        value if value is None or isinstance(value, str) else value.astimezone(UTC).isoformat(timespec="seconds")[:19] + "Z"
    )


def _day(value: date | None) -> str | None:
    return None if value is None else value.isoformat()
