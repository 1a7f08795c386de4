"""What a database holds, in figures that can be compared: rows of every table, a digest over all order documents, ends of the audit chains.

The digest covers the documents' own texts, not the digests stored beside them. A census is taken inside one transaction, so that
it tells of one moment; `content` goes further and digests every value of every row.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from django.db import connections, models

from orders import verify as orders_verify
from orders.keeping import elsewhere
from orders.models import Order
from practice import audit
from practice.models import AuditHead, Group

CHUNK = 1000
CHUNK_OF_BYTES = 20  # rows that carry a picture


def take(using: str) -> dict[str, Any]:
    """{"tables": {name: rows}, "orders": {"count", "sha256"}, "audit": {group: {"rows", "ends"}}, "migrations": [...]}"""
    connection = connections[using]
    roll, n = hashlib.sha256(), 0
    rows = Order.objects.using(using).order_by("group_id", "number").values_list("group_id", "number", "document")
    for group, number, document in rows.iterator(chunk_size=CHUNK):
        roll.update(f"{group} {number} {hashlib.sha256(document.encode()).hexdigest()}\n".encode())
        n += 1
    with connection.cursor() as cursor:
        cursor.execute("SELECT app, name FROM django_migrations ORDER BY app, name")
        applied = [f"{app}.{name}" for app, name in cursor.fetchall()]
    return {
        "tables": {t: elsewhere.count(connection, t) for t in elsewhere.tables(connection)},
        "orders": {"count": n, "sha256": roll.hexdigest()},
        "audit": {
            str(head.group_id): {"rows": head.sequence, "ends": head.digest}
            for head in AuditHead.objects.using(using).order_by("group_id")
        },
        "migrations": applied,
    }


def differences(was: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """What is not the same, in sentences; empty when all is."""
    said = []
    for name in sorted({*was["tables"], *now["tables"]}):
        before, after = was["tables"].get(name), now["tables"].get(name)
        if before != after:
            said.append(f"{name}: {_rows(before)}, now {_rows(after)}")
    if was["orders"] != now["orders"]:
        a, b = was["orders"], now["orders"]
        said.append(f"orders: {a['count']} with digest {a['sha256'][:16]}, now {b['count']} with {b['sha256'][:16]}")
    for group in sorted({*was["audit"], *now["audit"]}):
        if was["audit"].get(group) != now["audit"].get(group):
            said.append(f"audit trail of group {group}: its end is not the same")
    if was.get("migrations") != now.get("migrations"):
        said.append("the migrations that were applied are not the same")
    return said


def _rows(n: int | None) -> str:
    return "no such table" if n is None else f"{n} rows"


def faults(using: str) -> list[str]:
    """What verify_orders and verify_audit find in that database."""
    said = []
    with elsewhere.everything_on(using):
        for _, found in orders_verify.differences():
            if found is not None:
                said.append(f"order {found.number}: {found.what}")
        for group in Group.objects.order_by("pk"):
            broken = audit.verify(group)
            if broken is not None:
                said.append(f"audit trail of {group}, row {broken.sequence}: {broken.what}")
    return said


# --- every value of every row ---------------------------------------------------------------------------------------------


class Row:
    """The columns of one row as they are stored. Not an instance of its model: those may show more than their row holds."""

    pk: Any


def rows(model: type[models.Model], using: str) -> Iterator[list[Row]]:
    """All rows in the order of their keys, in lots that fit into memory."""
    fields = model._meta.local_concrete_fields
    binary = any(isinstance(f, models.BinaryField) for f in fields)
    size, lot = CHUNK_OF_BYTES if binary else CHUNK, list[Row]()
    names, key = [f.attname for f in fields], str(model._meta.pk.attname)
    for values in model._base_manager.using(using).order_by("pk").values_list(*names).iterator(chunk_size=size):
        row = Row()
        row.__dict__.update(zip(names, values, strict=True))
        row.__dict__["pk"] = row.__dict__[key]
        lot.append(row)
        if len(lot) == size:
            yield lot
            lot = []
    if lot:
        yield lot


class Content:
    """One digest over the rows of one model that were added, whichever database they came from."""

    def __init__(self, model: type[models.Model]) -> None:
        self.fields = model._meta.local_concrete_fields
        self.roll, self.rows = hashlib.sha256(), 0

    def add(self, row: Row) -> None:
        self.roll.update(json.dumps([_plain(f, getattr(row, f.attname)) for f in self.fields], sort_keys=True).encode())
        self.roll.update(b"\n")
        self.rows += 1

    @property
    def said(self) -> tuple[int, str]:
        return self.rows, self.roll.hexdigest()


def content(model: type[models.Model], using: str) -> tuple[int, str]:
    found = Content(model)
    for lot in rows(model, using):
        for row in lot:
            found.add(row)
    return found.said


def _plain(field: models.Field[Any, Any], value: Any) -> Any:
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, Decimal):
        places = getattr(field, "decimal_places", None)
        return str(value if places is None else value.quantize(Decimal(1).scaleb(-places)))
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, bytes | bytearray | memoryview):
        return hashlib.sha256(bytes(value)).hexdigest()
    if isinstance(value, float | dict | list):
        return value
    return str(value)
