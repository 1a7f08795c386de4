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


def _said(at: str, reason: str) -> str:
    stamp = f"to_char({at} AT TIME ZONE 'UTC', '{_STAMP}')"
    return f"""CASE WHEN {at} IS NULL THEN 'null' ELSE concat('{{"at": "', {stamp}, '", "reason": ', to_json({reason}), '}}') END"""


_STAMP = 'YYYY-MM-DD"T"HH24:MI:SS"Z"'
# the same line put together by PostgreSQL, in bytes that go out as they come: a hundred rows taken apart into Python values and
# written out again cost more than finding them. The document is put in as it was stored here too.
LINE_SQL = f"""concat('{{"number": "', number, '", "state": "', state, '", "waiting": ',
 CASE WHEN waiting THEN 'true' ELSE 'false' END, ', "feed_position": ', feed_position, ', "version": ', version,
 ', "issued_at": "', to_char(issued_at AT TIME ZONE 'UTC', '{_STAMP}'), '", "promised_on": ',
 CASE WHEN promised_on IS NULL THEN 'null' ELSE concat('"', to_char(promised_on, 'YYYY-MM-DD'), '"') END,
 ', "cancelled": ', {_said("cancelled_at", "cancel_reason")}, ', "rejected": ', {_said("rejected_at", "reject_reason")},
 ', "sha256": "', document_sha256, '", "schema": "{SCHEMA_PATH}", "document": ', document, '}}')"""


def _moment(value: datetime | str | None) -> str | None:
    """A moment that is text already is in this form already."""
    return (
        value if value is None or isinstance(value, str) else value.astimezone(UTC).isoformat(timespec="seconds")[:19] + "Z"
    )


def _day(value: date | None) -> str | None:
    return None if value is None else value.isoformat()
