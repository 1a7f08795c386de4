"""Triggers that make the database itself refuse to change or delete an audit row.

Put in place after every `migrate` (post_migrate) rather than by one migration: SQLite rebuilds a table when a field is
altered, and its triggers go with the old one.
"""

from __future__ import annotations

from typing import Any

from django.db import connections

WORDS = "audit rows are never changed or deleted"

_SQLITE = [
    "CREATE TRIGGER IF NOT EXISTS audit_no_update BEFORE UPDATE ON practice_auditevent "
    f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END",
    "CREATE TRIGGER IF NOT EXISTS audit_no_delete BEFORE DELETE ON practice_auditevent "
    f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END",
]
_POSTGRESQL = [
    f"CREATE OR REPLACE FUNCTION audit_refuse() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION '{WORDS}' "
    "USING ERRCODE = 'integrity_constraint_violation'; END $$ LANGUAGE plpgsql",
    "CREATE OR REPLACE TRIGGER audit_no_change BEFORE UPDATE OR DELETE ON practice_auditevent "
    "FOR EACH ROW EXECUTE FUNCTION audit_refuse()",
    "CREATE OR REPLACE TRIGGER audit_no_truncate BEFORE TRUNCATE ON practice_auditevent "
    "FOR EACH STATEMENT EXECUTE FUNCTION audit_refuse()",
]
_REMOVE = {
    "sqlite": ["DROP TRIGGER IF EXISTS audit_no_update", "DROP TRIGGER IF EXISTS audit_no_delete"],
    "postgresql": [
        "DROP TRIGGER IF EXISTS audit_no_change ON practice_auditevent",
        "DROP TRIGGER IF EXISTS audit_no_truncate ON practice_auditevent",
    ],
}


def _run(using: str, statements: list[str]) -> None:
    with connections[using].cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def install(sender: Any = None, using: str = "default", **_: Any) -> None:
    """Put the triggers in place; harmless when they are there. Also the post_migrate receiver."""
    if "practice_auditevent" not in connections[using].introspection.table_names():
        return
    _run(using, {"sqlite": _SQLITE, "postgresql": _POSTGRESQL}[connections[using].vendor])


def remove(using: str = "default") -> None:
    """For tests that empty or falsify tables. The product never calls it."""
    _run(using, _REMOVE[connections[using].vendor])
