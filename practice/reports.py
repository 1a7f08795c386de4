"""Pages that read much and change nothing may ask a copy of the database: DATUMLINE_REPORTS_DATABASE_URL, a replica of PostgreSQL.

    @reads_reports
    def learning_page(request): ...

Inside, whatever is read comes from the copy and whatever is written goes to the database itself. Without a copy, or while it cannot be
reached, the database itself answers: a report is late or slow, never missing. A copy runs a little behind; the pages that use it look back
over weeks.
"""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, TypeVar, cast

from django.db import DEFAULT_DB_ALIAS, Error, connections
from django.db.models import Model
from django.http import HttpRequest, HttpResponseBase

ALIAS = "reports"
log = logging.getLogger(__name__)
_reading: ContextVar[bool] = ContextVar("reading_reports", default=False)


@contextmanager
def reading() -> Iterator[bool]:
    """Within, reads go to the copy, if there is one that answers; whether they do."""
    there = ALIAS in connections.settings and _answers()
    mark = _reading.set(there)
    try:
        yield there
    finally:
        _reading.reset(mark)


def _answers() -> bool:
    try:
        connections[ALIAS].ensure_connection()
    except Error as problem:
        log.warning("the reports' database does not answer (%s); the first one is asked", type(problem).__name__)
        return False
    return True


View = TypeVar("View", bound=Callable[..., HttpResponseBase])


def reads_reports(view: View) -> View:
    """A view whose GET and HEAD read from the copy. Who asks was found out before, in the database itself."""

    @functools.wraps(view)
    def inner(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if request.method not in ("GET", "HEAD"):
            return view(request, *args, **kwargs)
        with reading():
            return view(request, *args, **kwargs)

    return cast("View", inner)


class Router:
    """Django's way to be told which database a query is for."""

    def db_for_read(self, model: type[Model], **hints: Any) -> str:
        return ALIAS if _reading.get() else DEFAULT_DB_ALIAS

    def db_for_write(self, model: type[Model], **hints: Any) -> str:
        return DEFAULT_DB_ALIAS

    def allow_relation(self, one: Model, other: Model, **hints: Any) -> bool:
        return True  # the same records

    def allow_migrate(self, db: str, app_label: str, **hints: Any) -> bool | None:
        return False if db == ALIAS else None  # a replica follows by itself
