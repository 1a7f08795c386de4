"""Whether every stored order is still what was issued: its text under its digest, and that digest where else it was written.

The digest is also in the "issued" row of the order's trace and in the audit chain (`order.issued`), so that a text changed
together with its digest is found too. Of an order whose client was erased the document has lost its words; what is left has to
give the digest that was written into the chain then (`client.erased`). `practice.audit.verify` looks after the chain itself.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from orders.document import digest
from orders.models import Order, OrderEvent
from practice.models import AuditEvent

CHUNK = 500


@dataclass(frozen=True, slots=True)
class Difference:
    number: str
    group: str
    what: str


def differences() -> Iterator[tuple[int, Difference | None]]:
    """For each order in the order they were issued: how many have been looked at, and what is wrong with it (None: nothing)."""
    seen, last = 0, 0
    while True:
        rows = list(Order.objects.filter(pk__gt=last).select_related("group", "dispense__client").order_by("pk")[:CHUNK])
        if not rows:
            return
        traced, audited = _written_elsewhere(rows)
        left = _left_of(rows)
        for row in rows:
            seen += 1
            what = _wrong(row, traced.get(row.pk, ""), audited.get((row.group_id, row.number), ""), left.get(row.pk))
            yield seen, Difference(row.number, str(row.group), what) if what else None
        last = rows[-1].pk


def _written_elsewhere(rows: list[Order]) -> tuple[dict[int, str], dict[tuple[int, str], str]]:
    events = OrderEvent.objects.filter(order__in=[r.pk for r in rows], kind="issued").values_list("order_id", "data")
    traced = {pk: _sha(data) for pk, data in events}
    told = AuditEvent.objects.filter(action="order.issued", subject__in=[f"order {r.number}" for r in rows])
    audited = {
        (group or 0, subject.removeprefix("order ")): _sha(after)
        for group, subject, after in told.values_list("group_id", "subject", "after")
    }
    return traced, audited


def _left_of(rows: list[Order]) -> dict[int, str]:
    """For orders of erased clients the digest of what has to be left of the document."""
    gone = {r.dispense.client_id: r for r in rows if r.dispense.client.erased_at is not None}
    if not gone:
        return {}
    told = AuditEvent.objects.filter(action="client.erased", client__in=gone).order_by("pk")
    left = {client: after.get("orders", {}) for client, after in told.values_list("client", "after")}
    return {
        r.pk: str(left.get(r.dispense.client_id, {}).get(r.number, ""))
        for r in rows
        if r.dispense.client.erased_at is not None
    }


def _sha(data: Any) -> str:
    return str(data.get("sha256", "")) if isinstance(data, dict) else ""


def _wrong(row: Order, traced: str, audited: str, left: str | None) -> str:
    """`left`: None unless the client was erased."""
    if left is not None and digest(row.document) != left:
        return "its text is not what was left of it when its client was erased"
    if left is None and digest(row.document) != row.document_sha256:
        return "its text does not give the digest stored beside it"
    for name, other in (("trace", traced), ("audit trail", audited)):
        if other and other != row.document_sha256:
            return f"its digest is not the one the {name} tells of"
    try:
        content = json.loads(row.document)
        number, version = content["order"]["number"], content["schema_version"]
    except (ValueError, KeyError, TypeError):
        return "its text is not an order document"
    if number != row.number:
        return f"its text is that of order {number}"
    return "" if version == row.schema_version else f"its text is of schema version {version}, not {row.schema_version}"
