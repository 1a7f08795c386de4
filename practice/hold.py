"""A row held until the end of the transaction, and read as it is once it is held.

On PostgreSQL a statement that locks a row and joins others looks at the others as they were before it waited: where whoever was waited
for has put another person or prescription there, an inner join finds no row at all, and an outer join brings the row with nobody in
that place. So the row is locked by itself first and read, with what belongs to it, afterwards. On SQLite the transaction holds the
whole file from its beginning.
"""

from __future__ import annotations

from typing import Any, TypeVar

from django.db import connections, models
from django.db.models import QuerySet

Row = TypeVar("Row", bound=models.Model)


def hold(rows: QuerySet[Row], **key: Any) -> Row:
    """The one of `rows` with this key, with whatever they bring along (`select_related`). Inside a transaction; DoesNotExist."""
    if connections[rows.db].features.has_select_for_update:
        plain = rows.model._base_manager.using(rows.db)
        plain.select_for_update().order_by().values_list("pk").get(**key)
    return rows.get(**key)
