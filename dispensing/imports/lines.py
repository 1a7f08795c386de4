"""What a line would do: its cells read, its row found, the two held against each other. Changes nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from dispensing.imports.cells import day
from dispensing.imports.kinds import KINDS, Kind, Known
from dispensing.models import ImportJob, ImportLine
from practice import audit
from practice.errors import Invalid

State = ImportLine.State


@dataclass(slots=True)
class Judged:
    number: int
    state: str = State.SAME
    key: str = ""
    code: str = ""
    faults: list[list[str]] = field(default_factory=list)
    before: dict[str, Any] = field(default_factory=dict)
    after: dict[str, Any] = field(default_factory=dict)
    values: dict[str, Any] = field(default_factory=dict)

    def wrong(self, column: str, message: str) -> None:
        self.faults.append([column, message])


def judge(job: ImportJob, rows: list[Any]) -> list[Judged]:
    """What each of these lines would do to the catalogue as it is now."""
    kind = KINDS[job.kind]
    out = [_read(kind, job.mapping, job.key_by, number, cells) for number, cells in rows]
    found = kind.found(job.group, {each.key for each in out if each.key}, job.key_by)
    known = kind.known(job.group, [each.values for each in out])
    for each in out:
        if not each.faults:
            _hold(kind, known, each, found.get(each.key, []), job.key_by)
    taken = [each for each in out if not each.faults and each.state == State.NEW and each.key != each.code]
    there = kind.by_code(job.group, {each.code for each in taken}) if taken else {}
    for each in taken:
        if each.code in there:
            each.wrong("code", f"Another {kind.item} has the code {each.code}.")
    for each in out:
        if each.faults:
            each.state, each.before, each.after = State.FAULT, {}, {}
    return out


def _read(kind: Kind, mapping: list[str], key_by: str, number: int, cells: list[Any]) -> Judged:
    each = Judged(number)
    extra = [c for c in cells[len(mapping) :] if c]
    if extra:
        each.wrong("", f"There are {len(cells)} cells, but {len(mapping)} columns.")
        return each
    columns = kind.by_name
    for name, cell in zip(mapping, [*cells, *[""] * len(mapping)], strict=False):
        if not name:
            continue
        if isinstance(cell, dict) and "date" in cell and columns[name].reader is day:
            cell = cell["date"]
        if isinstance(cell, dict):
            each.wrong(name, _not_a_value(cell))
            continue
        if columns[name].left_when_empty and not cell.strip():
            continue
        try:
            each.values[name] = columns[name].reader(cell.strip())
        except ValueError as problem:
            said = cell.strip()
            each.wrong(name, f"{problem} It says “{said[:20]}”." if said else str(problem))
    if (
        each.faults
    ):  # what is missing is only found when the rest is put into a row: say it now, or it comes up in the next round
        for name in mapping:
            if name and name != "code" and columns[name].needed and each.values.get(name, "-") in ("", None):
                each.wrong(name, "Needed.")
    each.key = kind.key(each.values, key_by)
    if not each.key and not each.faults:
        each.wrong("", f"The line does not say {kind.keys[key_by]}.")
    return each


def _not_a_value(cell: dict[str, Any]) -> str:
    if "date" in cell:
        return f"Cell {cell['formula']} holds a date; make it text there."
    return f"Cell {cell['formula']} {'holds an error' if cell.get('error') else 'holds a formula; put its value there'}."


def _hold(kind: Kind, known: Known, each: Judged, rows: list[Any], key_by: str) -> None:
    if len(rows) > 1:
        each.wrong("", f"{len(rows)} of the catalogue are meant by this: {', '.join(kind.code(r) for r in rows[:4])}.")
        return
    row = rows[0] if rows else None
    values = each.values
    try:
        if row is None:
            each.state, each.code = State.NEW, kind.new_code(values, key_by)
            row = kind.blank(known, each.code)
            kind.apply(row, values, known)
            each.after = snapshot(kind, row)
            return
        each.code = kind.code(row)
        if key_by != "code" and values.get("code") not in (None, "", each.code):
            each.wrong("code", f"It has the code {each.code} in the catalogue; codes are not changed.")
            return
        before = snapshot(kind, row)
        kind.apply(row, values, known)
        each.before, each.after = differing(before, snapshot(kind, row))
        each.state = State.CHANGED if each.after else State.SAME
    except Invalid as problem:
        for name, message in problem.errors.items():
            each.wrong(name, message)


def snapshot(kind: Kind, row: Any) -> dict[str, Any]:
    """The fields of a row as plain values, figures written one way."""
    return {name: plain(getattr(row, name)) for name in kind.fields}


def plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool | list):
        return value  # lists of a row are what JSON holds
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    return audit.plain(value)


def differing(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    names = [n for n in after if before.get(n) != after[n]]
    return {n: before.get(n) for n in names}, {n: after[n] for n in names}
