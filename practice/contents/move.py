"""Contents moved between database and store, and looked through: each by its digest, one at a time, taken up again where it stopped.

Where a content is stands in its row, so nothing has to be remembered: what is moved is what is not there yet. People go on working
meanwhile. A content is written, read back and held against the row's digest before the row lets go of the old one; a row that changed
in between stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from django.db import models, transaction

from practice import contents
from practice.contents import Away, Holder, Missing, store
from practice.models_contents import LooseContent

LOT = 100  # keys read at once; contents are read one by one
Said = Callable[[str], None]


@dataclass(slots=True)
class Done:
    moved: int = 0
    size: int = 0  # bytes
    wrong: list[str] = field(default_factory=list)  # left where they were


def to_store(said: Said = lambda _: None) -> Done:
    """All that is in the database. Raises Away when the store is: what was moved is moved, the rest is as it was."""
    return _all(lambda holder: holder.in_database, _out, said)


def to_database(said: Said = lambda _: None) -> Done:
    """All that is in the store; as `to_store`."""
    return _all(lambda holder: holder.in_store, _back, said)


def _all(rows_of: Callable[[Holder], Callable[[], models.QuerySet[Any]]], deed: Callable[..., Any], said: Said) -> Done:
    done = Done()
    for holder in contents.holders():
        for pk in _keys_of(holder, rows_of(holder)):
            _one(holder, pk, done, deed)
            if done.moved and done.moved % 1000 == 0:
                said(f"{done.moved} moved")
    return done


def _keys_of(holder: Holder, rows: Callable[[], models.QuerySet[Any]]) -> Iterator[int]:
    last = 0
    while lot := list(rows().filter(pk__gt=last).order_by("pk").values_list("pk", flat=True)[:LOT]):
        yield from lot
        last = lot[-1]


def _one(holder: Holder, pk: int, done: Done, way: Callable[[Holder, Any], int]) -> None:
    row = holder.model._base_manager.filter(pk=pk).first()
    if row is None:
        return
    try:
        size = way(holder, row)
    except (contents.Damaged, Missing) as fault:
        done.wrong.append(_named(holder, row, fault))
        return
    if size:
        done.moved, done.size = done.moved + 1, done.size + size


def _out(holder: Holder, row: Any) -> int:
    data = holder.here(row)
    if data is None or getattr(row, holder.key):
        return 0
    digest = getattr(row, holder.sha256)
    if not holder.same(data, digest):
        raise contents.Damaged(
            f"{holder.model._meta.db_table} {row.pk}: it is not what its digest says; left in the database."
        )
    kept = contents.in_the_store(data)
    if not holder.same(store.current().get(kept.key), digest):
        raise contents.Damaged(
            f"{holder.model._meta.db_table} {row.pk}: the store did not give back what was put in; left here."
        )
    return _put(holder, row, data=None, key=kept.key, size=len(data), after=lambda: contents.hold(kept))


def _back(holder: Holder, row: Any) -> int:
    key = getattr(row, holder.key)
    data = contents.read(holder, row) if key else None
    if data is None:
        return 0
    return _put(holder, row, data=data, key="", size=len(data), after=lambda: contents.drop([key]))


def _put(holder: Holder, row: Any, *, data: bytes | None, key: str, size: int, after: Callable[[], None]) -> int:
    with transaction.atomic():
        now = holder.model._base_manager.select_for_update(of=("self",)).filter(pk=row.pk).first()
        if now is None or any(getattr(now, name) != getattr(row, name) for name in (holder.key, holder.sha256)):
            return 0
        if (holder.here(now) is None) != (holder.here(row) is None):
            return 0  # taken out meanwhile
        changed = {holder.data: holder.column(data), holder.key: key}
        holder.model._base_manager.filter(pk=row.pk).update(**changed)
        after()
    return size


def _named(holder: Holder, row: Any, fault: Exception) -> str:
    return (
        str(fault)
        if isinstance(fault, contents.Damaged)
        else f"{holder.model._meta.db_table} {row.pk}: it is not in the store."
    )


# --- looked through -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Looked:
    here: int = 0
    there: int = 0
    unknown: int = 0  # objects in the store that no row holds and that are not noted as loose
    wrong: list[str] = field(default_factory=list)


def look_through(using: str = "default", *, read: bool = True) -> Looked:
    """Every content against its row's digest; `read` False: only whether it is there. Raises Away."""
    found = Looked()
    for holder in contents.holders():
        for row in holder.in_database(using).order_by("pk").iterator(chunk_size=20):
            found.here += 1
            if not holder.same(holder.here(row) or b"", getattr(row, holder.sha256)):
                found.wrong.append(f"{holder.model._meta.db_table} {row.pk}: it is not what its digest says.")
        for row in holder.in_store(using).order_by("pk").iterator(chunk_size=20):
            found.there += 1
            try:
                if read:
                    contents.read(holder, row)
                elif store.current().size(getattr(row, holder.key)) is None:
                    raise Missing
            except (contents.Damaged, Missing) as fault:
                found.wrong.append(_named(holder, row, fault))
    return found


def unknown() -> Iterator[str]:
    """Keys of objects in the store of which this database knows nothing: of another site in the same folder, or of records that were
    restored from before. Never deleted by the site itself."""
    lot: list[str] = []
    for each in store.current().everything():
        if each.key != store.PROBE:
            lot.append(each.key)
        if len(lot) == LOT:
            yield from _not_known(lot)
            lot = []
    yield from _not_known(lot)


def _not_known(keys: list[str]) -> list[str]:
    known = set(LooseContent.objects.filter(key__in=keys).values_list("key", flat=True))
    for holder in contents.holders():
        known |= set(holder.in_store().filter(**{f"{holder.key}__in": keys}).values_list(holder.key, flat=True))
    return [key for key in keys if key not in known]


__all__ = ["Away", "Done", "Looked", "look_through", "to_database", "to_store", "unknown"]
