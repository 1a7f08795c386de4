"""Photographs and documents that are in the store (`practice.contents`), in backups: packed, brought back, looked for.

Those in the database are in its dump anyway. Each is held against the digest of its row, of the database that was backed up or restored.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from django.conf import settings

from practice import contents
from practice.contents import Away, Holder, Missing, store
from practice.models import LooseContent

FOLDER = "contents"
Wanted = list[tuple[Holder, str, str]]  # holder, key, digest


def wanted(using: str) -> Wanted:
    """Every content of that database that is in the store, at this moment."""
    return [
        (holder, key, digest)
        for holder in contents.holders()
        for key, digest in holder.in_store(using).order_by("pk").values_list(holder.key, holder.sha256)
    ]


@dataclass(slots=True)
class Packed:
    """For the manifest. `left_out`: why they are not in the backup. `wrong`: what should have been there and was not."""

    count: int = 0
    left_out: str = ""
    gone: list[str] = field(default_factory=list)  # taken out by somebody while the backup was made
    wrong: list[str] = field(default_factory=list)

    def said(self) -> dict[str, Any]:
        place = settings.CONTENTS
        return {
            "count": self.count,
            "bucket": place.bucket if place else "",
            "left_out": self.left_out,
            "gone": self.gone,
            "wrong": self.wrong,
        }


def pack(work: Path, found: Wanted, *, include: bool) -> Packed:
    """Copies of all into `work`. A store that is away costs the pictures of this backup, not the records."""
    packed = Packed(count=len(found))
    if found and not include:
        packed.left_out = "as was asked"
    if not found or not include:
        return packed
    try:
        for holder, key, digest in found:
            try:
                data = store.current().get(key)
            except Missing:
                still = holder.in_store().filter(**{holder.key: key}).exists()
                (packed.wrong if still else packed.gone).append(key)
                continue
            if not holder.same(data, digest):
                packed.wrong.append(key)
            path = work / FOLDER / key
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    except Away as away:
        shutil.rmtree(work / FOLDER, ignore_errors=True)
        packed.left_out = away.why
    return packed


def unpack(work: Path, manifest: dict[str, Any], using: str, *, put: bool) -> Iterator[str]:
    """Look through the contents of a restored database; what is wrong, in sentences. With `put` they go where this site keeps such:
    into its store, or, if it has none, into the restored database itself."""
    told = manifest.get(FOLDER, {"left_out": "", "gone": []})
    try:
        for holder in contents.holders():
            for row in holder.in_store(using).order_by("pk").iterator(chunk_size=20):
                yield from _one(work, told, holder, row, using, put=put)
        if put and settings.CONTENTS is None:
            LooseContent.objects.using(using).all().delete()
    except Away as away:
        yield f"pictures and documents: {away.why}"


def _one(work: Path, told: dict[str, Any], holder: Holder, row: Any, using: str, *, put: bool) -> Iterator[str]:
    key, digest = str(getattr(row, holder.key)), getattr(row, holder.sha256)
    name = f"{holder.model._meta.db_table} {row.pk}"
    path = work / FOLDER / key
    if told["left_out"]:
        if settings.CONTENTS is None:
            yield f"{name}: it is in bucket {told['bucket']}, and no store is set here (DATUMLINE_S3_BUCKET)"
            return
        try:
            contents.read(holder, row)
        except Missing:
            yield f"{name}: it was left out of the backup, and is not in the store"
        except contents.Damaged as fault:
            yield str(fault)
        return
    if not path.is_file():
        if key not in told["gone"]:
            yield f"{name}: it was not in the store when the backup was made"
        return
    data = path.read_bytes()
    if not holder.same(data, digest):
        yield f"{name}: it was not what its digest says when the backup was made"
        return
    if put and settings.CONTENTS is not None:
        _into_the_store(key, data)
    elif put:
        changed = {holder.data: holder.column(data), holder.key: ""}
        holder.model._base_manager.using(using).filter(pk=row.pk).update(**changed)


def _into_the_store(key: str, data: bytes) -> None:
    try:
        if store.current().get(key) == data:
            return
    except Missing:
        pass
    store.current().put(key, data, "application/octet-stream")


def missing(using: str) -> tuple[int, list[str]]:
    """How many contents of that database are in the store, and which of them are not there."""
    found = wanted(using)
    if not found or settings.CONTENTS is None:
        return len(found), []
    try:
        return len(found), [
            f"{holder.model._meta.db_table}: an object is not in the store ({key})"
            for holder, key, _ in found
            if store.current().size(key) is None
        ]
    except Away as away:
        return len(found), [f"pictures and documents: {away.why}"]
