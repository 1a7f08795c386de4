"""Triggers that make the database itself refuse to change or delete an audit row, and what is kept beside it.

The detail of a row may be deleted, and only deleted, once its client is marked as erased (`practice.privacy.erase`).

Put in place after every `migrate` (post_migrate) rather than by one migration: SQLite rebuilds a table when a field is
altered, and its triggers go with the old one.
"""

from __future__ import annotations

from typing import Any

from django.db import connections

WORDS = "audit rows are never changed or deleted"
DETAIL_WORDS = "what is kept beside an audit row goes only when the client is erased"
_ERASED = (
    "EXISTS (SELECT 1 FROM practice_auditevent e JOIN practice_client c ON c.id = e.client_id "
    "WHERE e.id = OLD.event_id AND c.erased_at IS NOT NULL)"
)

_SQLITE = [
    "CREATE TRIGGER IF NOT EXISTS audit_no_update BEFORE UPDATE ON practice_auditevent "
    f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END",
    "CREATE TRIGGER IF NOT EXISTS audit_no_delete BEFORE DELETE ON practice_auditevent "
    f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END",
    "CREATE TRIGGER IF NOT EXISTS audit_detail_no_update BEFORE UPDATE ON practice_auditdetail "
    f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END",
    "CREATE TRIGGER IF NOT EXISTS audit_detail_no_delete BEFORE DELETE ON practice_auditdetail "
    f"WHEN NOT {_ERASED} BEGIN SELECT RAISE(ABORT, '{DETAIL_WORDS}'); END",
]
_POSTGRESQL = [
    f"CREATE OR REPLACE FUNCTION audit_refuse() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION '{WORDS}' "
    "USING ERRCODE = 'integrity_constraint_violation'; END $$ LANGUAGE plpgsql",
    "CREATE OR REPLACE TRIGGER audit_no_change BEFORE UPDATE OR DELETE ON practice_auditevent "
    "FOR EACH ROW EXECUTE FUNCTION audit_refuse()",
    "CREATE OR REPLACE TRIGGER audit_no_truncate BEFORE TRUNCATE ON practice_auditevent "
    "FOR EACH STATEMENT EXECUTE FUNCTION audit_refuse()",
    f"CREATE OR REPLACE FUNCTION audit_detail_refuse() RETURNS trigger AS $$ BEGIN IF {_ERASED} THEN RETURN OLD; END IF; "
    f"RAISE EXCEPTION '{DETAIL_WORDS}' USING ERRCODE = 'integrity_constraint_violation'; END $$ LANGUAGE plpgsql",
    "CREATE OR REPLACE TRIGGER audit_detail_no_update BEFORE UPDATE ON practice_auditdetail "
    "FOR EACH ROW EXECUTE FUNCTION audit_refuse()",
    "CREATE OR REPLACE TRIGGER audit_detail_no_delete BEFORE DELETE ON practice_auditdetail "
    "FOR EACH ROW EXECUTE FUNCTION audit_detail_refuse()",
    "CREATE OR REPLACE TRIGGER audit_detail_no_truncate BEFORE TRUNCATE ON practice_auditdetail "
    "FOR EACH STATEMENT EXECUTE FUNCTION audit_refuse()",
]
_REMOVE = {
    "sqlite": [
        f"DROP TRIGGER IF EXISTS {name}"
        for name in ("audit_no_update", "audit_no_delete", "audit_detail_no_update", "audit_detail_no_delete")
    ],
    "postgresql": [
        "DROP TRIGGER IF EXISTS audit_no_change ON practice_auditevent",
        "DROP TRIGGER IF EXISTS audit_no_truncate ON practice_auditevent",
        "DROP TRIGGER IF EXISTS audit_detail_no_update ON practice_auditdetail",
        "DROP TRIGGER IF EXISTS audit_detail_no_delete ON practice_auditdetail",
        "DROP TRIGGER IF EXISTS audit_detail_no_truncate ON practice_auditdetail",
    ],
}


def _run(using: str, statements: list[str]) -> None:
    with connections[using].cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def install(sender: Any = None, using: str = "default", **_: Any) -> None:
    """Put the triggers in place; harmless when they are there. Also the post_migrate receiver."""
    if not {"practice_auditevent", "practice_auditdetail"} <= set(connections[using].introspection.table_names()):
        return
    _run(using, {"sqlite": _SQLITE, "postgresql": _POSTGRESQL}[connections[using].vendor])


def remove(using: str = "default") -> None:
    """For tests that empty or falsify tables. The product never calls it."""
    _run(using, _REMOVE[connections[using].vendor])
