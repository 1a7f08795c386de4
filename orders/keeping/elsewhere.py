"""Another database than the site's own, for the length of a command."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from django.apps import apps
from django.db import DEFAULT_DB_ALIAS, connections, models, router
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor

from practice import database

# filled by migrating, not by people
OF_DJANGO = ("django_migrations", "django_content_type", "auth_permission")


class OtherDatabase(Exception):
    """It cannot be used for this; the sentence says why."""


def opened(alias: str, url: str) -> BaseDatabaseWrapper:
    """A connection of that name, with no limit on how long a statement may take. An SQLite file has to be there."""
    try:
        settings = database.from_url(url, database.FOR_EVER)
    except ValueError as error:
        raise OtherDatabase(f"{error}.") from error
    complete: dict[str, Any] = connections.configure_settings({DEFAULT_DB_ALIAS: {}, alias: settings})[alias]
    connections.settings[alias] = complete
    with suppress(AttributeError):  # none of that name yet
        del connections[alias]
    return connections[alias]


class _To:
    def __init__(self, alias: str) -> None:
        self.alias = alias

    def db_for_read(self, model: type[models.Model], **hints: Any) -> str:
        return self.alias

    db_for_write = db_for_read

    def allow_relation(self, one: models.Model, two: models.Model, **hints: Any) -> bool:
        return True


@contextmanager
def everything_on(alias: str) -> Iterator[None]:
    """Every query of this process goes to that database: for the checks that know of one database only."""
    before = router.routers
    router.routers = [_To(alias)]
    try:
        yield
    finally:
        router.routers = before


def all_models() -> list[type[models.Model]]:
    """Every model with a table of its own, also those that only join two others."""
    return [
        m
        for m in apps.get_models(include_auto_created=True)
        if m._meta.managed and not m._meta.proxy and not m._meta.swapped
    ]


def tables(connection: BaseDatabaseWrapper) -> list[str]:
    return sorted(connection.introspection.table_names())


def count(connection: BaseDatabaseWrapper, table: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {connection.ops.quote_name(table)}")  # noqa: S608
        return int(cursor.fetchone()[0])


def with_records(connection: BaseDatabaseWrapper) -> list[str]:
    """Tables in which somebody's records are."""
    return [t for t in tables(connection) if t not in OF_DJANGO and count(connection, t)]


def behind(connection: BaseDatabaseWrapper) -> list[str]:
    """Migrations this release has and that database has not; those it has and this release does not know begin with "+"."""
    executor = MigrationExecutor(connection)
    known, applied = executor.loader.disk_migrations or {}, executor.loader.applied_migrations
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes())
    ours = {app for app, _ in known}
    return [f"{m.app_label}.{m.name}" for m, _ in plan] + [
        f"+{app}.{name}"
        for app, name in applied
        if app in ours and (app, name) not in known and (app, name) not in executor.loader.replacements
    ]
