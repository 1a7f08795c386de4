"""What is kept as bytes (photographs, documents received): in the database or in an S3-compatible store, by setting.

Each row says itself where its bytes are: in its own column, or under a key in the store. So both can be in use at once while they are
moved, and what is read does not depend on the setting; only what is new goes where the setting says.

    keep(bytes)  before the transaction: notes the key as loose, then writes the object
    hold(kept)   inside the transaction: the key is held by a row now, no longer loose
    drop(keys)   inside the transaction: loose again, and deleted from the store after it has committed

A loose key that nobody holds after `LOOSE_FOR` is swept by a job (`manage.py sweep_contents`): what a transaction that failed, a process
that died or a store that was away left behind. Keys are chance alone and used once: they tell nothing of anybody, and an object
never changes. The SHA-256 is kept in the row and held against the bytes at every reading.
"""

from __future__ import annotations

import codecs
import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from django.conf import settings
from django.db import models, transaction
from django.utils import timezone

from practice.contents import store
from practice.contents.store import Away, Missing, Place
from practice.models_contents import LooseContent

__all__ = ["Away", "Damaged", "Holder", "Kept", "Missing", "Place", "drop", "hold", "holders", "holds", "keep", "read"]

AT_ONCE = 50  # objects that somebody waits for while they are deleted; more are left to the job
LOOSE_FOR = timedelta(hours=1)  # longer than any request or command between writing an object and committing its row


class Damaged(Exception):
    """What the store gave is not what was put in. It is shown to nobody."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Where new bytes are: `data` for the row's own column, or `key` in the store; never both."""

    data: bytes | None
    key: str


@dataclass(frozen=True, slots=True)
class Holder:
    """One table with bytes. `data`, `key`, `sha256`: names of its columns. `text`: the column holds text (UTF-8), empty for none."""

    model: type[models.Model]
    data: str
    key: str
    sha256: str
    text: bool = False

    @property
    def none(self) -> str | None:
        """What the column holds while there are no bytes in it."""
        return "" if self.text else None

    def column(self, data: bytes | None) -> str | bytes | None:
        return self.none if data is None else data.decode() if self.text else data

    def here(self, row: models.Model) -> bytes | None:
        """The bytes in the row's own column."""
        found = getattr(row, self.data)
        if found is None or found == "":
            return None
        return found.encode() if isinstance(found, str) else bytes(found)

    def same(self, data: bytes, sha256: str) -> bool:
        """Whether these are the bytes of that digest. A text is kept without the mark some programs put before it (BOM)."""
        return sha256 == hashlib.sha256(data).hexdigest() or (
            self.text and sha256 == hashlib.sha256(codecs.BOM_UTF8 + data).hexdigest()
        )

    def in_database(self, using: str = "default") -> models.QuerySet[models.Model]:
        none = {self.data: ""} if self.text else {f"{self.data}__isnull": True}
        return self.model._base_manager.using(using).exclude(**none)

    def in_store(self, using: str = "default") -> models.QuerySet[models.Model]:
        return self.model._base_manager.using(using).exclude(**{self.key: ""})


_HOLDERS: list[Holder] = []


def holds(holder: Holder) -> Holder:
    """Called by each app for each of its tables with bytes, when it starts."""
    if holder not in _HOLDERS:
        _HOLDERS.append(holder)
    return holder


def holders() -> tuple[Holder, ...]:
    return tuple(_HOLDERS)


def to_the_store() -> bool:
    """Whether what is new goes to the store."""
    place: Place | None = settings.CONTENTS
    return place is not None and place.for_new


def keep(data: bytes, media_type: str = "application/octet-stream") -> Kept:
    """Put new bytes where the setting says, before the transaction that will hold them. Raises Away; nothing is kept then."""
    return in_the_store(data, media_type) if to_the_store() else Kept(data, "")


def in_the_store(data: bytes, media_type: str = "application/octet-stream") -> Kept:
    key = new_key()
    LooseContent.objects.create(key=key, since=timezone.now())  # first: whatever happens next, the object is known of
    store.current().put(key, data, media_type)
    return Kept(None, key)


def new_key() -> str:
    """128 bits by chance, in 256 folders."""
    name = secrets.token_hex(16)
    return f"{name[:2]}/{name[2:]}"


def hold(kept: Kept) -> None:
    """Inside the transaction that writes the row."""
    if kept.key:
        LooseContent.objects.filter(key=kept.key).delete()


def read(holder: Holder, row: models.Model) -> bytes | None:
    """The bytes of a row wherever they are; None when it has none. Raises Away, Missing, Damaged."""
    key = str(getattr(row, holder.key))
    if not key:
        return holder.here(row)
    data = store.current().get(key)
    if not holder.same(data, getattr(row, holder.sha256)):
        raise Damaged(f"{holder.model._meta.db_table} {row.pk}: what is in the store is not what was put in.")
    return data


def drop(keys: Iterable[str]) -> None:
    """Inside the transaction that takes the bytes out of their rows: gone from the store once it has committed."""
    gone = [key for key in keys if key]
    if not gone:
        return
    now = timezone.now()
    LooseContent.objects.bulk_create(
        [LooseContent(key=key, since=now, dropped=True) for key in gone], ignore_conflicts=True
    )
    transaction.on_commit(
        lambda: _at_once(gone[:AT_ONCE]), robust=True
    )  # it is committed: no trouble of the store undoes that


def _at_once(keys: list[str]) -> None:
    """What cannot be deleted now is deleted by the job; nobody has to wait for that, nor be told."""
    from practice.contents.sweep import sweep

    try:
        sweep(keys=keys)
    except Away:
        store.log.warning("The store was away: %s objects are deleted later.", len(keys))
