"""Carrying out: rows written by the hundred, each held against what the check saw of it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from dispensing.imports.kinds import KINDS, Kind
from dispensing.imports.lines import plain
from dispensing.models import ImportChunk, ImportJob, ImportLine
from dispensing.signals import catalogue_changed
from practice.errors import Invalid
from practice.models import Staff

BATCH = 250
State = ImportLine.State


class Differs(Exception):
    """The catalogue is no longer what the check saw; the message names the line."""


def put_chunk(job: ImportJob, chunk: ImportChunk, *, leave_out: bool) -> int:
    """Write the lines of a chunk, inside the caller's transaction. Returns how many.

    A row that has changed since the check stops everything (`Differs`), or with `leave_out` its line becomes a fault.
    """
    kind = KINDS[job.kind]
    lines = list(chunk.lines.filter(state__in=(State.NEW, State.CHANGED)).order_by("number"))
    rows = kind.by_code(job.group, {line.code for line in lines}, lock=True)
    known = kind.known(job.group, [_named(kind, line.code) for line in lines if line.state == State.NEW])
    new: list[Any] = []
    changed: list[tuple[ImportLine, Any]] = []
    written: list[ImportLine] = []
    for line in lines:
        row = rows.get(line.code)
        try:
            if line.state == State.NEW:
                if row is not None:
                    raise Differs(f"{line.code} was added by somebody else since the check.")
                row = give(kind.blank(known, line.code), line.after)
                new.append(row)
            else:
                if row is None:
                    raise Differs(f"{line.code} is no longer there.")
                _as_checked(row, line)
                changed.append((line, row))
        except (Differs, Invalid) as problem:
            words = (
                f"{problem} Check the file again." if isinstance(problem, Differs) else " ".join(problem.errors.values())
            )
            if not leave_out:
                raise Differs(f"Line {line.number}: {words} Nothing was changed.") from problem
            ImportLine.objects.filter(pk=line.pk).update(state=State.FAULT, faults=[["", words]], before={}, after={})
            continue
        written.append(line)
    model = type(new[0]) if new else None
    if model is not None:
        model._default_manager.bulk_create(new, batch_size=BATCH)
    write_changed(kind, job.done_by, [(row, line.after) for line, row in changed], tell=_used(kind, job, changed))
    ImportLine.objects.filter(pk__in=[line.pk for line in written]).update(put=True)
    return len(written)


def _used(kind: Kind, job: ImportJob, changed: list[tuple[ImportLine, Any]]) -> set[str]:
    return set(kind.used(job.group, [line.code for line, _ in changed])) if changed else set()


def _named(kind: Kind, code: str) -> dict[str, Any]:
    if kind.name != "options":
        return {}
    lens, _, material = code.partition("/")
    return {"lens": lens, "material": material}


def _as_checked(row: Any, line: ImportLine) -> None:
    if any(plain(getattr(row, name)) != value for name, value in line.before.items()):
        raise Differs(f"{line.code} was changed by somebody else since the check.")


def give(row: Any, values: dict[str, Any]) -> Any:
    """Plain values put back into a row as its fields hold them."""
    for name, value in values.items():
        setattr(row, name, row._meta.get_field(name).to_python(value))
    return row


def write_changed(
    kind: Kind, actor: Staff | None, changed: Iterable[tuple[Any, dict[str, Any]]], *, tell: set[str]
) -> None:
    """Give rows new plain values and write them together; say upwards what became of those that are in use (`tell`: codes)."""
    rows, told, names = [], [], set()
    for row, values in changed:
        code = kind.code(row)
        if code in tell:
            told.append((row, kind.before_signal(row)))
        give(row, values)
        names |= set(values)
        rows.append(row)
    if not rows:
        return
    model = type(rows[0])
    keys = {row: row.pk for row in rows}
    copies = []
    for row in keys:
        # an upsert by the natural key: one statement for hundreds of rows, where a bulk update is a case for each value
        copy = model(**{f.attname: getattr(row, f.attname) for f in model._meta.concrete_fields if not f.primary_key})
        copies.append(copy)
    model._default_manager.bulk_create(
        copies, update_conflicts=True, unique_fields=list(kind.unique), update_fields=sorted(names), batch_size=BATCH
    )
    for row, before in told:
        after = kind.before_signal(row)
        was = {n: before[n] for n in after if before.get(n) != after[n]}
        if was:
            catalogue_changed.send(model, item=row, actor=actor, before=was, after={n: after[n] for n in was})
