"""Two first saves of one thing at once: the database lets one through, and the other is told so beside its field."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import IntegrityError, transaction

from practice.errors import Invalid


@contextmanager
def taken(field: str, words: str) -> Iterator[None]:
    """Save within it. Raises Invalid ({field: words}) where somebody else has saved the same in the meantime.

    A savepoint of its own, so that the transaction around it can go on and write nothing.
    """
    try:
        with transaction.atomic():
            yield
    except IntegrityError:
        raise Invalid({field: words}) from None
