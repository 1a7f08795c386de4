"""What a migration may do while the code of the release before still runs: expand now, contract in a later release.

`problems(migrations, released)` looks at every migration after those of `released` (app: name of its last migration that a released
version holds) and yields (migration, what, why). Tables that the same release makes are free: nobody uses them yet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from django.db.migrations import Migration
from django.db.migrations.operations import (
    AddConstraint,
    AddField,
    AddIndex,
    AlterField,
    CreateModel,
    DeleteModel,
    RemoveField,
    RenameField,
    RenameModel,
    RunPython,
    RunSQL,
)
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState
from django.db.models import NOT_PROVIDED, ManyToManyField

GONE = "the code of the release before still asks for it: stop using it in one release, remove it in the next"
Problem = tuple[str, str, str]


def problems(migrations: Iterable[Migration], released: Mapping[str, str]) -> Iterator[Problem]:
    state, fresh = ProjectState(), set[tuple[str, str]]()
    for migration in migrations:
        new = migration.app_label in released and migration.name > released[migration.app_label]
        if new:
            yield from _mixed(migration)
        for operation in migration.operations:
            if new:
                if isinstance(operation, CreateModel):
                    fresh.add((migration.app_label, operation.name_lower))
                for what, why in _wrong(operation, migration.app_label, state, fresh):
                    yield f"{migration.app_label}.{migration.name}", what, why
            operation.state_forwards(migration.app_label, state)


def _mixed(migration: Migration) -> Iterator[Problem]:
    moves = [o for o in migration.operations if isinstance(o, RunPython)]
    schema = [o for o in migration.operations if not isinstance(o, RunPython | RunSQL)]
    if moves and schema:
        name = f"{migration.app_label}.{migration.name}"
        yield (
            name,
            "RunPython",
            "data and tables in one transaction lock the tables until the data has moved: two migrations",
        )


def _wrong(operation: Operation, app: str, state: ProjectState, fresh: set[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    kind = type(operation).__name__
    if isinstance(operation, RunPython) and operation.reverse_code is None:
        yield kind, "no way back: give reverse_code (RunPython.noop when there is nothing to undo)"
    if isinstance(operation, RunSQL) and operation.reverse_sql is None:
        yield kind, "no way back: give reverse_sql"
    if isinstance(operation, RenameModel):
        yield f"{kind} {operation.old_name}", GONE
    if isinstance(operation, DeleteModel):
        yield f"{kind} {operation.name}", GONE
    model = getattr(operation, "model_name_lower", "")
    if not model or (app, model) in fresh:
        return
    named = getattr(operation, "index", None) or getattr(operation, "constraint", None) or operation
    what = f"{kind} {model}.{getattr(named, 'name', '') or getattr(operation, 'old_name', '')}"
    if isinstance(operation, RemoveField | RenameField):
        yield what, GONE
    elif isinstance(operation, AddField):
        field = operation.field
        if not isinstance(field, ManyToManyField) and not field.null and field.db_default is NOT_PROVIDED:
            yield what, "the code of the release before inserts rows without it: null=True or db_default"
        if field.unique:
            yield what, "a unique column on a table in use: add it, fill it, make it unique in a later release"
    elif isinstance(operation, AlterField):
        old, new = state.models[app, model].fields[operation.name], operation.field
        if old.null and not new.null:
            yield (
                what,
                "NULL becomes forbidden: the code of the release before may still write it, and the whole table is read",
            )
        if type(old) is not type(new) and old.get_internal_type() != new.get_internal_type():
            yield what, "another type: the whole table is written anew, under lock"
        if new.unique and not old.unique:
            yield what, "a unique index made under lock"
        if (new.max_length or 0) < (old.max_length or 0):
            yield what, "shorter: the code of the release before may still write the longer"
    elif isinstance(operation, AddIndex) and kind != "AddIndexInUse":
        yield (
            what or kind,
            "nobody can write while it is made: practice.expand.AddIndexInUse, in a migration with atomic = False",
        )
    elif isinstance(operation, AddConstraint):
        yield what, "the whole table is read under lock, and the code of the release before may break it"
