"""The stored text in its envelope. The document is put in as it was stored, byte for byte, never read and written again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Any

from orders.document import SCHEMA_PATH


def envelope(row: Mapping[str, Any]) -> str:
    """What the lab needs to know about an order besides its document: what became of it since. `row` holds plain values."""
    about = {
        "number": row["number"],
        "state": row["state"],
        "waiting": row["waiting"],
        "feed_position": row["feed_position"],
        "version": row["version"],
        "issued_at": _moment(row["issued_at"]),
        "promised_on": _day(row["promised_on"]),
        "cancelled": {"at": _moment(row["cancelled_at"]), "reason": row["cancel_reason"]} if row["cancelled_at"] else None,
        "sha256": row["document_sha256"],
        "schema": SCHEMA_PATH,
    }
    text: str = row["document"]
    return json.dumps(about, ensure_ascii=False)[:-1] + ', "document": ' + text + "}"


def _moment(value: datetime | None) -> str | None:
    return None if value is None else value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _day(value: date | None) -> str | None:
    return None if value is None else value.isoformat()
