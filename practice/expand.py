"""Operations for migrations that run while the site is in use."""

from __future__ import annotations

from typing import Any

from django.db.migrations.operations import AddIndex, AlterField, RemoveIndex


class AddIndexInUse(AddIndex):
    """An index on a table that people are writing to: CONCURRENTLY on PostgreSQL. The migration needs `atomic = False`.

    If it is broken off, PostgreSQL leaves an index marked invalid; drop it and run the migration again.
    """

    atomic = False

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        model = to_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            schema_editor.add_index(model, self.index, **_quietly(schema_editor))

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        model = from_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            schema_editor.remove_index(model, self.index, **_quietly(schema_editor))


class RemoveIndexInUse(RemoveIndex):
    """The same for an index that is no longer wanted."""

    atomic = False

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        model = from_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            index = from_state.models[app_label, self.model_name_lower].get_index_by_name(self.name)
            schema_editor.remove_index(model, index, **_quietly(schema_editor))


class DropForeignKeyIndexInUse(AlterField):
    """The index that Django gives a foreign key, when the field says `db_index=False` now: dropped CONCURRENTLY on PostgreSQL.

    For a key that nobody looks up by itself, or that another index begins with: every new version of a row writes all indexes of its
    table. The migration needs `atomic = False`; its way back makes the index again, while the table is in use.
    """

    atomic = False

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        model = to_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            for name in self._names(model, schema_editor):
                concurrently = "CONCURRENTLY " if _quietly(schema_editor) else ""
                schema_editor.execute(f"DROP INDEX {concurrently}{schema_editor.quote_name(name)}")

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        model = to_state.apps.get_model(app_label, self.model_name)  # on the way back this is what was before
        if self.allow_migrate_model(schema_editor.connection.alias, model) and not self._names(model, schema_editor):
            field = model._meta.get_field(self.name)
            schema_editor.execute(
                schema_editor._create_index_sql(model, fields=[field], **_quietly(schema_editor)), params=None
            )

    def _names(self, model: Any, schema_editor: Any) -> list[str]:
        """Plain indexes over this column alone that the model itself does not name."""
        column = model._meta.get_field(self.name).column
        kept = {index.name for index in model._meta.indexes} | {c.name for c in model._meta.constraints}
        with schema_editor.connection.cursor() as cursor:
            found = schema_editor.connection.introspection.get_constraints(cursor, model._meta.db_table)
        return sorted(
            name
            for name, about in found.items()
            if about["index"] and not about["unique"] and about["columns"] == [column] and name not in kept
        )


def _quietly(schema_editor: Any) -> dict[str, bool]:
    return {"concurrently": True} if schema_editor.connection.vendor == "postgresql" else {}
