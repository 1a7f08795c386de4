"""Triggers that make the database itself refuse to change an issued document or what is written in an order's trace.

Of an order its document, digest, number and schema version never change, and an order is never deleted: its state may move on.
A row of the trace (OrderEvent) is never changed or deleted at all. One exception, for both: once the client is marked as erased
(`practice.privacy.erase`), the document may lose its words while number, digest and schema version stay, and a row of the trace
its note and data while everything else stays; `verify` knows what has to be left. Put in place after every `migrate` (post_migrate) rather
than by one migration: SQLite rebuilds a table when a field is altered, and its triggers go with the old one. What a determined
database owner does behind that is found by `manage.py verify_orders`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.db import connections, transaction

DOCUMENT_WORDS = "an issued order document is never changed or deleted"
TRACE_WORDS = "the trace of an order is never changed or deleted"
FROZEN = ("document", "document_sha256", "number", "schema_version")

TRACE = ("id", "order_id", "at", "kind", "by_lab_id", "by_staff_id")  # of a row of the trace, also after an erasure

_COLUMNS = ", ".join(FROZEN)


def _erased(dispense: str) -> str:
    """`dispense`: a column of the row under the trigger."""
    asked = "EXISTS (SELECT 1 FROM dispensing_dispense d JOIN practice_client c ON c.id = d.client_id WHERE d.id = {} "
    return asked.format(dispense) + "AND c.erased_at IS NOT NULL)"


_ORDER_OF_CLIENT_GONE = _erased("OLD.dispense_id")
_TRACE_OF_CLIENT_GONE = _erased("(SELECT o.dispense_id FROM orders_order o WHERE o.id = OLD.order_id)")


def _same(columns: tuple[str, ...], same: str) -> str:
    return " AND ".join(f"OLD.{c} {same} NEW.{c}" for c in columns)


def _sqlite() -> list[str]:
    differs = " OR ".join(f"OLD.{c} IS NOT NEW.{c}" for c in FROZEN)  # a whole row saved again unchanged is no change
    no_order = f"({differs}) AND NOT ({_same(FROZEN[1:], 'IS')} AND {_ORDER_OF_CLIENT_GONE})"
    no_trace = f"NOT ({_same(TRACE, 'IS')} AND {_TRACE_OF_CLIENT_GONE})"
    made = [
        ("order_document_no_update", f"UPDATE OF {_COLUMNS} ON orders_order WHEN {no_order}", DOCUMENT_WORDS),
        ("order_document_no_delete", "DELETE ON orders_order", DOCUMENT_WORDS),
        ("order_trace_no_update", f"UPDATE ON orders_orderevent WHEN {no_trace}", TRACE_WORDS),
        ("order_trace_no_delete", "DELETE ON orders_orderevent", TRACE_WORDS),
    ]
    return [
        f"CREATE TRIGGER IF NOT EXISTS {name} BEFORE {what} BEGIN SELECT RAISE(ABORT, '{words}'); END"
        for name, what, words in made
    ]


def _postgresql() -> list[str]:
    differs = " OR ".join(f"OLD.{c} IS DISTINCT FROM NEW.{c}" for c in FROZEN)
    said = "CREATE OR REPLACE TRIGGER"
    return [
        "CREATE OR REPLACE FUNCTION order_refuse() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION '%', TG_ARGV[0] "
        "USING ERRCODE = 'integrity_constraint_violation'; END $$ LANGUAGE plpgsql",
        "CREATE OR REPLACE FUNCTION order_refuse_unless_erased() RETURNS trigger AS $$ BEGIN "
        f"IF {_same(FROZEN[1:], 'IS NOT DISTINCT FROM')} AND {_ORDER_OF_CLIENT_GONE} THEN RETURN NEW; END IF; "
        "RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'integrity_constraint_violation'; END $$ LANGUAGE plpgsql",
        "CREATE OR REPLACE FUNCTION order_trace_refuse() RETURNS trigger AS $$ BEGIN "
        f"IF TG_OP = 'UPDATE' AND {_same(TRACE, 'IS NOT DISTINCT FROM')} AND {_TRACE_OF_CLIENT_GONE} THEN RETURN NEW; END IF; "
        "RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'integrity_constraint_violation'; END $$ LANGUAGE plpgsql",
        f"{said} order_document_no_update BEFORE UPDATE OF {_COLUMNS} ON orders_order FOR EACH ROW WHEN ({differs}) "
        f"EXECUTE FUNCTION order_refuse_unless_erased('{DOCUMENT_WORDS}')",
        f"{said} order_document_no_delete BEFORE DELETE ON orders_order FOR EACH ROW "
        f"EXECUTE FUNCTION order_refuse('{DOCUMENT_WORDS}')",
        f"{said} order_document_no_truncate BEFORE TRUNCATE ON orders_order FOR EACH STATEMENT "
        f"EXECUTE FUNCTION order_refuse('{DOCUMENT_WORDS}')",
        f"{said} order_trace_no_change BEFORE UPDATE OR DELETE ON orders_orderevent FOR EACH ROW "
        f"EXECUTE FUNCTION order_trace_refuse('{TRACE_WORDS}')",
        f"{said} order_trace_no_truncate BEFORE TRUNCATE ON orders_orderevent FOR EACH STATEMENT "
        f"EXECUTE FUNCTION order_refuse('{TRACE_WORDS}')",
    ]


_REMOVE = {
    "sqlite": [
        f"DROP TRIGGER IF EXISTS {name}"
        for name in (
            "order_document_no_update",
            "order_document_no_delete",
            "order_trace_no_update",
            "order_trace_no_delete",
        )
    ],
    "postgresql": [
        f"DROP TRIGGER IF EXISTS {name} ON {table}"
        for table, names in {
            "orders_order": ("order_document_no_update", "order_document_no_delete", "order_document_no_truncate"),
            "orders_orderevent": ("order_trace_no_change", "order_trace_no_truncate"),
        }.items()
        for name in names
    ],
}


def _run(using: str, statements: list[str]) -> None:
    with connections[using].cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def install(sender: Any = None, using: str = "default", **_: Any) -> None:
    """Put the triggers in place; harmless when they are there. Also the post_migrate receiver."""
    if not {"orders_order", "orders_orderevent"} <= set(connections[using].introspection.table_names()):
        return
    if connections[using].vendor == "sqlite":
        # SQLite replaces no trigger: those of an earlier version go first
        with transaction.atomic(using=using):
            _run(using, [*_REMOVE["sqlite"], *_sqlite()])
        return
    _run(using, _postgresql())


def remove(using: str = "default") -> None:
    """For a demo database that is emptied, and for tests that falsify tables. The product never calls it on real records."""
    connection = connections[using]
    if connection.vendor == "postgresql" and connection.in_atomic_block:
        # a trigger cannot be dropped while deferred foreign keys of the same transaction wait to be checked
        _run(using, ["SET CONSTRAINTS ALL IMMEDIATE", "SET CONSTRAINTS ALL DEFERRED"])
    _run(using, _REMOVE[connection.vendor])


@contextmanager
def set_aside(using: str = "default") -> Iterator[None]:
    """Without the triggers for a while; see `remove`."""
    remove(using)
    try:
        yield
    finally:
        connection = connections[using]
        if connection.vendor == "postgresql" and connection.in_atomic_block and not connection.needs_rollback:
            _run(using, ["SET CONSTRAINTS ALL IMMEDIATE", "SET CONSTRAINTS ALL DEFERRED"])
        install(using=using)
