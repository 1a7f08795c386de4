"""Pages of a long list, without counting it: a count reads everything there is, and nobody asks for page 6,000."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.db.models import QuerySet

from practice.words import number_in

FARTHEST = 200  # pages; who has to go farther asks for less


class Stretch:
    """One page of an ordered queryset; `number` from 1. `asked` is what stood in the address: whatever makes no sense is page 1."""

    def __init__(self, rows: QuerySet[Any], size: int, asked: str | None) -> None:
        self.number = min(max(number_in(asked or "") or 1, 1), FARTHEST)
        found = list(rows[(self.number - 1) * size : self.number * size + 1])
        if not found and self.number > 1:
            self.number, found = 1, list(rows[: size + 1])
        self.rows, self._more = found[:size], len(found) > size

    def __iter__(self) -> Iterator[Any]:
        return iter(self.rows)

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def has_previous(self) -> bool:
        return self.number > 1

    @property
    def has_next(self) -> bool:
        return self._more and self.number < FARTHEST

    @property
    def has_other_pages(self) -> bool:
        return self.has_previous or self.has_next

    @property
    def previous_page_number(self) -> int:
        return self.number - 1

    @property
    def next_page_number(self) -> int:
        return self.number + 1
