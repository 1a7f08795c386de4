"""On PostgreSQL: names and telephone numbers are found by any part of them through trigram indexes (pg_trgm, which comes with it).

Built without blocking writes. Where the extension may not be made (no right, or not installed) finding works the same, slower in
a large group; deploy/GROWTH.md says how to add it later. SQLite reads the table, which is quick at the sizes it is used for.
"""

from __future__ import annotations

from typing import Any

from django.db import DatabaseError, migrations

INDEXES = {
    "client_in_name": ("practice_client", "search_name"),
    "client_in_phone": ("practice_client", "phone_digits"),
    "word_in_names": ("practice_nameword", "word"),
}


def build(apps: Any, schema_editor: Any) -> None:
    connection = schema_editor.connection
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        try:
            cursor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
        except DatabaseError:
            return
        for name, (table, column) in INDEXES.items():
            cursor.execute(
                f"CREATE INDEX CONCURRENTLY IF NOT EXISTS {name} ON {table} USING gin ({column} gin_trgm_ops) "
                "WITH (fastupdate = off)"
            )


def drop(apps: Any, schema_editor: Any) -> None:
    if schema_editor.connection.vendor == "postgresql":
        with schema_editor.connection.cursor() as cursor:
            for name in INDEXES:
                cursor.execute(f"DROP INDEX CONCURRENTLY IF EXISTS {name}")


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("practice", "0006_name_words")]

    operations = [migrations.RunPython(build, drop)]
