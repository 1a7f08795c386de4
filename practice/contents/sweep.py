"""Loose objects deleted: what rows let go of at once, what no row ever took after an hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Q
from django.utils import timezone

from practice.contents import LOOSE_FOR, holders, store
from practice.models_contents import LooseContent

LOT = 500


@dataclass(slots=True)
class Swept:
    deleted: int = 0
    held: int = 0  # noted as loose, and yet a row holds it: kept
    left: int = 0


def sweep(*, keys: Sequence[str] | None = None, limit: int = 10_000) -> Swept:
    """Delete what is due, or those of `keys`. Raises store.Away when the store is; what was done by then is done, the rest waits."""
    done = Swept()
    if not LooseContent.objects.exists():  # most often, and always with contents in the database
        return done
    due = LooseContent.objects.filter(Q(dropped=True) | Q(since__lt=timezone.now() - LOOSE_FOR))
    if keys is not None:
        due = due.filter(key__in=list(keys))
    rows = list(due.order_by("since", "pk")[:limit])
    for start in range(0, len(rows), LOT):
        lot = rows[start : start + LOT]
        taken = _held([row.key for row in lot])
        for row in lot:
            if row.key in taken:
                done.held += 1
            else:
                store.current().delete(row.key)
                done.deleted += 1
            row.delete()
    done.left = LooseContent.objects.count()
    return done


def _held(keys: list[str]) -> set[str]:
    found: set[str] = set()
    for holder in holders():
        found |= set(holder.in_store().filter(**{f"{holder.key}__in": keys}).values_list(holder.key, flat=True))
    return found
