"""Every record of one database brought into another, empty one: SQLite to PostgreSQL, back, or to another server.

In one transaction: all or nothing. Keys stay what they are, also the next ones to be given. Rows go in as they are, past the
fields that fill themselves in; constraints are checked table by table. The triggers that guard audit rows and documents are in
place from the beginning: they mind changes, not rows that are added.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.db import DatabaseError, models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Value

from orders.keeping import census, contents, elsewhere
from orders.keeping.elsewhere import OtherDatabase

SOURCE, TARGET = "move_from", "move_to"
Said = Callable[[str], None]


@dataclass(slots=True)
class Moved:
    rows: int = 0
    tables: int = 0
    left_out: list[str] = field(default_factory=list)  # tables of the source that no model of this release stands for
    wrong: list[str] = field(default_factory=list)
    in_store: int = 0  # pictures and documents that stay where they are, in the store


def move(*, source: str, target: str, said: Said = lambda _: None) -> Moved:
    """Move between two addresses and look whether all has arrived. Raises OtherDatabase before anything is written."""
    one, two = elsewhere.opened(SOURCE, source), elsewhere.opened(TARGET, target)
    try:
        _fit(one, two)
        result, found = Moved(), {}
        known = {m._meta.db_table for m in elsewhere.all_models()} | {"django_migrations"}
        with transaction.atomic(using=SOURCE):
            if one.vendor == "postgresql":  # the source as it is at one moment, whoever goes on working in it
                with one.cursor() as cursor:
                    cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            result.left_out = [t for t in elsewhere.with_records(one) if t not in known]
            before = census.take(SOURCE)
            with transaction.atomic(using=TARGET):
                _empty_what_migrating_filled(two)
                for model in models_of(two):
                    found[model] = _copy(model, two)
                    result.rows += found[model][0]
                    result.tables += 1
                    said(f"{model._meta.db_table}: {found[model][0]} rows")
                _next_keys(one, two)
                _check_at_the_end(two)
        said("Looking whether all has arrived")
        after = census.take(TARGET)
        for each in (before, after):
            for name in ("django_migrations", *result.left_out):
                each["tables"].pop(name, None)
            each["tables"] = {t: n for t, n in each["tables"].items() if n or t in known}
            each.pop("migrations")
        result.wrong = census.differences(before, after)
        result.wrong += [
            f"{m._meta.db_table}: its rows are not what was sent"
            for m, c in found.items()
            if census.content(m, TARGET) != c
        ]
        result.wrong += census.faults(TARGET)
        result.in_store, lost = contents.missing(TARGET)
        result.wrong += lost
        return result
    finally:
        one.close()
        two.close()


def _fit(one: BaseDatabaseWrapper, two: BaseDatabaseWrapper) -> None:
    """Raise OtherDatabase unless the source is of this release and the target is empty; the target has its tables afterwards."""
    if all(one.settings_dict[n] == two.settings_dict[n] for n in ("ENGINE", "NAME", "HOST", "PORT")):
        raise OtherDatabase("Both addresses are the same: this moves nothing onto itself.")
    if one.vendor == "sqlite" and not _is_file(one):
        raise OtherDatabase(f"There is no database at {one.settings_dict['NAME']}.")
    if "practice_group" not in elsewhere.tables(one):
        raise OtherDatabase("The database to move from holds no records of this kind.")
    missing = elsewhere.behind(one)
    if missing:
        raise OtherDatabase(f"The database to move from is of another release; migrate it first: {', '.join(missing[:5])}.")
    filled = elsewhere.with_records(two)
    if filled:
        raise OtherDatabase(f"The database to move to is not empty: there are records in {', '.join(filled[:5])}.")
    call_command("migrate", database=TARGET, verbosity=0, interactive=False)


def _is_file(connection: BaseDatabaseWrapper) -> bool:
    return Path(connection.settings_dict["NAME"]).is_file()


def models_of(connection: BaseDatabaseWrapper) -> list[type[models.Model]]:
    """Its models such that what a row points to is there before it; where they point in a ring, constraints wait for the end."""
    there = set(elsewhere.tables(connection))
    all_of_them = [m for m in elsewhere.all_models() if m._meta.db_table in there]
    graph = {m: {r for r in _points_to(m) if r is not m and r in all_of_them} for m in all_of_them}
    try:
        return list(TopologicalSorter(graph).static_order())
    except CycleError:
        return all_of_them


def _points_to(model: type[models.Model]) -> set[Any]:
    return {f.remote_field.model for f in model._meta.local_concrete_fields if f.remote_field is not None}


def _empty_what_migrating_filled(two: BaseDatabaseWrapper) -> None:
    for model in reversed(models_of(two)):
        if elsewhere.count(two, model._meta.db_table):
            rows = model._base_manager.using(TARGET).all()
            rows._raw_delete(TARGET)


def _copy(model: type[models.Model], two: BaseDatabaseWrapper) -> tuple[int, str]:
    fields = model._meta.local_concrete_fields
    nulls = [f for f in fields if isinstance(f, models.JSONField) and not f.null]
    found = census.Content(model)
    for lot in census.rows(model, SOURCE):
        for row in lot:
            found.add(row)
            for each in nulls:
                if getattr(row, each.attname) is None:  # JSON's null, not the absence of a value
                    setattr(row, each.attname, Value(None, each))
        size = max(1, two.ops.bulk_batch_size(fields, lot))
        for start in range(0, len(lot), size):
            part = lot[start : start + size]
            try:
                rows: Any = model._base_manager.using(TARGET)
                rows._insert(
                    part, fields=fields, using=TARGET, raw=True
                )  # what bulk_create uses; raw: no field fills itself in
            except (DatabaseError, ValueError) as error:
                raise OtherDatabase(
                    f"Nothing was moved. {model._meta.db_table}, rows with keys {part[0].pk} to {part[-1].pk}: {error}"
                ) from error
    _check_constraints(two, model)
    return found.said


def _check_constraints(two: BaseDatabaseWrapper, model: type[models.Model]) -> None:
    """Now, so that the server need not remember every row until the end."""
    if two.vendor == "postgresql":
        try:
            with two.cursor() as cursor:
                cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
                cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        except DatabaseError as error:
            raise OtherDatabase(f"Nothing was moved. {model._meta.db_table}: {error}") from error


def _check_at_the_end(two: BaseDatabaseWrapper) -> None:
    if two.vendor == "sqlite":  # it looks only when all is done, and does not say where
        try:
            two.check_constraints()
        except DatabaseError as error:
            raise OtherDatabase(f"Nothing was moved. {error}") from error


def _next_keys(one: BaseDatabaseWrapper, two: BaseDatabaseWrapper) -> None:
    """A key that was given once is not given again, even if its row is gone."""
    for model in models_of(two):
        key = model._meta.auto_field
        if key is None:
            continue
        table, column = model._meta.db_table, str(key.column)
        last = max(_last_key(one, table, column), _greatest(two, table, column))
        if not last:
            continue
        with two.cursor() as cursor:
            if two.vendor == "postgresql":
                cursor.execute("SELECT setval(pg_get_serial_sequence(%s, %s), %s)", [f'"{table}"', column, last])
            else:
                cursor.execute("UPDATE sqlite_sequence SET seq = %s WHERE name = %s", [last, table])
                if cursor.rowcount == 0:
                    cursor.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (%s, %s)", [table, last])


def _last_key(connection: BaseDatabaseWrapper, table: str, column: str) -> int:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT pg_sequence_last_value(pg_get_serial_sequence(%s, %s)::regclass)", [f'"{table}"', column]
            )
        else:
            cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
        row = cursor.fetchone()
    return int(row[0] or 0) if row else 0


def _greatest(connection: BaseDatabaseWrapper, table: str, column: str) -> int:
    quoted = connection.ops.quote_name
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT max({quoted(column)}) FROM {quoted(table)}")  # noqa: S608
        return int(cursor.fetchone()[0] or 0)
