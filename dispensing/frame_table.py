"""Frames as a table: written as CSV, read back from it, looked at before anything is changed.

A file is read into a plan that says of each line what would happen: new, changed, the same, or what is wrong with it. Carrying the
plan out is one transaction for the whole file, or nothing. The key is the code; an empty cell leaves a value empty, a column that is
not there leaves it as it was. Outlines are radii in mm, equal steps from nasal through up, separated by spaces (a plain table of
numbers, no maker's format).
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction

from dispensing import catalogue
from dispensing.models import CatalogueFrame
from dispensing.optics.boxing import box
from dispensing.optics.errors import OpticsError
from dispensing.optics.notation import parse_mm
from practice import audit
from practice.errors import Conflict, Invalid
from practice.models import Group, Staff
from practice.words import line

MOST_BYTES = 5_000_000
MOST_LINES = 2_000
LONGEST_CELL = 8_000  # an outline of 800 radii
COLUMNS = ("code", *catalogue.FRAME_TEXTS, *catalogue.FRAME_FIGURES, "mount", "child", "outline")
NEEDED = ("code", "maker", "model", "a", "b", "dbl")
OUTLINE_OFF_MM = Decimal("0.5")  # ISO 12870 allows this much on a boxed size (from memory)
_FORMULA = ("=", "+", "@", "-", "\t")
_YES, _NO = {"1", "yes", "true", "child", "y"}, {"", "0", "no", "false", "adult", "n"}


@dataclass(frozen=True, slots=True)
class Fault:
    line: int  # as a spreadsheet counts: the heading is line 1
    column: str
    message: str


@dataclass(frozen=True, slots=True)
class Line:
    number: int
    code: str
    cells: Mapping[str, str]
    values: Mapping[str, Any]
    outline: tuple[float, ...] | None


@dataclass(frozen=True, slots=True)
class Plan:
    """What a file would do. `digest` covers the file and the catalogue it was compared with."""

    new: tuple[Line, ...]
    changed: tuple[tuple[Line, Mapping[str, tuple[Any, Any]]], ...]
    same: tuple[Line, ...]
    faults: tuple[Fault, ...]
    unused: tuple[str, ...]  # columns that mean nothing here
    digest: str

    @property
    def lines(self) -> int:
        return len(self.new) + len(self.changed) + len(self.same) + len({f.line for f in self.faults})


class Unreadable(Exception):
    """The file as a whole cannot be used; the message says why."""


# --- writing ----------------------------------------------------------------------------------------------------------


def write_table(frames: Iterable[CatalogueFrame]) -> Iterator[str]:
    """The lines of a CSV file (UTF-8, comma), heading first. A text a spreadsheet would take for a formula gets an apostrophe."""
    yield _csv_line(COLUMNS)
    for frame in frames:
        yield _csv_line(cells_of(frame).values())


def cells_of(frame: CatalogueFrame) -> dict[str, str]:
    cells = {"code": frame.code}
    cells |= {name: _safe(getattr(frame, name)) for name in catalogue.FRAME_TEXTS}
    cells |= {name: _figure_text(getattr(frame, name)) for name in catalogue.FRAME_FIGURES}
    cells |= {"mount": frame.mount, "child": "yes" if frame.child else "no"}
    return cells | {"outline": " ".join(f"{r:g}" for r in frame.outline)}


def write_faults(text: str, plan: Plan) -> Iterator[str]:
    """The lines with faults as they were, and what is wrong with each: to be mended and sent again."""
    rows = _rows(text)
    heading = next(rows)
    yield _csv_line([*heading[1], "what is wrong"])
    said: dict[int, list[str]] = {}
    for fault in plan.faults:
        said.setdefault(fault.line, []).append(f"{fault.column}: {fault.message}" if fault.column else fault.message)
    for number, cells in rows:
        if number in said:
            yield _csv_line([*(_safe(c) for c in cells), " ".join(said[number])])


def _csv_line(cells: Iterable[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue()


def _safe(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) and not _is_number(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _figure_text(value: Decimal | None) -> str:
    return "" if value is None else f"{value.normalize():f}"


# --- reading ----------------------------------------------------------------------------------------------------------


def text_of(data: bytes) -> str:
    """The text of an uploaded file. Raises Unreadable for one that is too large, not UTF-8 or not a table of text."""
    if len(data) > MOST_BYTES:
        raise Unreadable(f"The file is larger than {MOST_BYTES // 1_000_000} MB.")
    if data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise Unreadable("This is a spreadsheet file. Save it as CSV (UTF-8) and choose that.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise Unreadable(f"The file is not UTF-8 (byte {wrong.start}). Save it as “CSV UTF-8”.") from None
    if "\x00" in text:
        raise Unreadable("The file is not a table of text.")
    return text


def plan_import(*, text: str, group: Group) -> Plan:
    """What reading this table into the catalogue of `group` would do. Changes nothing. Raises Unreadable."""
    rows = _rows(text)
    try:
        _, heading = next(rows)
    except StopIteration:
        raise Unreadable("The file is empty.") from None
    names = [h.strip().lower().removeprefix("'") for h in heading]
    missing = [n for n in NEEDED if n not in names]
    if missing:
        raise Unreadable(f"The first line has to name the columns. Not found: {', '.join(missing)}.")
    doubled = sorted({n for n in names if n in COLUMNS and names.count(n) > 1})
    if doubled:
        raise Unreadable(f"A column is there twice: {', '.join(doubled)}.")
    there = {f.code: f for f in CatalogueFrame.objects.filter(group=group)}
    faults: list[Fault] = []
    seen: dict[str, int] = {}
    lines = []
    for number, cells in rows:
        found, wrong = _read_line(number, names, cells, group)
        if found is not None and found.code in seen:
            wrong.append(Fault(number, "code", f"The same code is in line {seen[found.code]}."))
        if found is not None:
            seen.setdefault(found.code, number)
        faults += wrong
        if found is not None and not wrong:
            lines.append(found)
    new, changed, same = [], [], []
    for each in lines:
        try:
            differences = _applied(each, there.get(each.code) or CatalogueFrame(group=group, code=each.code))
        except Invalid as problem:
            faults += [Fault(each.number, name, message) for name, message in problem.errors.items()]
            continue
        if each.code not in there:
            new.append(each)
        elif differences:
            changed.append((each, differences))
        else:
            same.append(each)
    digest = hashlib.sha256(text.encode())
    for line_, differences in changed:
        digest.update(repr((line_.code, sorted(differences.items()))).encode())
    digest.update(repr([each.code for each in new]).encode())
    return Plan(
        tuple(new),
        tuple(changed),
        tuple(same),
        tuple(sorted(faults, key=lambda f: f.line)),
        tuple(n for n in names if n and n not in COLUMNS),
        digest.hexdigest(),
    )


def import_frames(*, actor: Staff, group: Group, text: str, digest: str) -> Plan:
    """Carry out what was previewed, all of it or nothing. Raises NotAllowed, Unreadable, Invalid (a line is faulty) or Conflict."""
    catalogue.require_manager(actor, group)
    with transaction.atomic():
        list(CatalogueFrame.objects.select_for_update().filter(group=group).values_list("pk"))
        plan = plan_import(text=text, group=group)
        if plan.faults:
            raise Invalid({"file": f"{len(plan.faults)} faults are left in the file; nothing was changed."})
        if plan.digest != digest:
            raise Conflict(
                "The catalogue was changed since this was shown. Look at the preview again; nothing was changed."
            )
        there = {f.code: f for f in CatalogueFrame.objects.filter(group=group)}
        rows = [CatalogueFrame(group=group, code=each.code) for each in plan.new]
        for row, each in zip(rows, plan.new, strict=True):
            _applied(each, row)
        CatalogueFrame.objects.bulk_create(rows, batch_size=200)
        for each, _ in plan.changed:
            row = there[each.code]
            before = catalogue.judged_by(row)
            _applied(each, row)
            row.save()
            catalogue.tell_changed(actor, row, before)
        if plan.new or plan.changed:
            audit.record(
                actor=actor,
                action="catalogue.frames_imported",
                subject=f"{len(plan.new)} new, {len(plan.changed)} changed frames",
                group=group,
                before={each.code: {n: old for n, (old, _) in d.items()} for each, d in plan.changed},
                after={
                    "file_sha256": hashlib.sha256(text.encode()).hexdigest(),
                    "new": [each.code for each in plan.new],
                    "changed": {each.code: {n: new for n, (_, new) in d.items()} for each, d in plan.changed},
                },
            )
        return plan


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Lines that hold anything, with their numbers. Comma, semicolon or tab: whichever the heading has most of."""
    first = text[: text.find("\n")] if "\n" in text else text
    mark = max(",;\t", key=first.count)
    longest = max((len(piece) for piece in text.split("\n")), default=0)
    if longest > LONGEST_CELL * 2:
        raise Unreadable(f"A line is longer than {LONGEST_CELL * 2} characters.")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    try:
        count = 0
        while True:
            number = reader.line_num + 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            if not any(c.strip() for c in cells):
                continue
            count += 1
            if count > MOST_LINES + 1:
                raise Unreadable(f"More than {MOST_LINES} lines: send it in parts.")
            yield number, cells
    except csv.Error as problem:
        raise Unreadable(f"Line {reader.line_num}: {problem}.") from None


def _read_line(number: int, names: list[str], cells: list[str], group: Group) -> tuple[Line | None, list[Fault]]:
    faults: list[Fault] = []
    if len(cells) > len(names):
        return None, [Fault(number, "", f"There are {len(cells)} cells, but {len(names)} columns.")]
    given = {n: c.strip() for n, c in zip(names, cells, strict=False) if n in COLUMNS}
    values: dict[str, Any] = {}
    outline: tuple[float, ...] | None = None
    for name, cell in given.items():
        try:
            value = _READERS[name](cell)
        except ValueError as problem:
            faults.append(Fault(number, name, str(problem)))
            continue
        if name == "outline":
            outline = value
        elif name != "code":
            values[name] = value
    code = given.get("code", "")
    try:
        catalogue.check_code(code)
    except Invalid as problem:
        faults.append(Fault(number, "code", problem.errors["code"]))
    return Line(number, code, given, values, outline), faults


def _text(name: str) -> Callable[[str], str]:
    def reader(cell: str) -> str:
        if cell.startswith("'") and cell[1:].startswith(_FORMULA):
            cell = cell[1:]
        elif cell.startswith(_FORMULA) and not _is_number(cell):
            raise ValueError("A formula is not a value.")
        return line(cell, longest=catalogue.FRAME_TEXTS[name])

    return reader


def _figure(low: int, high: int) -> Callable[[str], Decimal | None]:
    return lambda cell: parse_mm(cell, low=low, high=high)


def _child(cell: str) -> bool:
    if cell.lower() not in _YES | _NO:
        raise ValueError("Yes or no.")
    return cell.lower() in _YES


def _mount(cell: str) -> str:
    words = cell.lower().replace(" ", "_").replace("-", "_") or CatalogueFrame.Mount.FULL
    if words not in CatalogueFrame.Mount.values:
        raise ValueError("Full rim, grooved or drilled.")
    return words


def _outline(cell: str) -> tuple[float, ...]:
    if not cell:
        return ()
    try:
        radii = tuple(float(part) for part in cell.split())
        box(radii)
    except OpticsError as problem:
        raise ValueError(f"The outline {problem.message}") from None
    except ValueError:
        raise ValueError("Radii in mm, separated by spaces.") from None
    if len(radii) > 800:
        raise ValueError("At most 800 radii.")
    return radii


_READERS: dict[str, Callable[[str], Any]] = {
    "code": str,
    **{name: _text(name) for name in catalogue.FRAME_TEXTS},
    **{name: _figure(*catalogue.FRAME_LIMITS[name]) for name in catalogue.FRAME_FIGURES},
    "mount": _mount,
    "child": _child,
    "outline": _outline,
}


def _applied(each: Line, row: CatalogueFrame) -> dict[str, tuple[Any, Any]]:
    """The line put into the row (not saved): what differs, old and new. Raises Invalid by column."""
    fields = (*catalogue.FRAME_FIELDS, "outline")
    before = audit.snapshot(row, fields)
    had_outline = list(row.outline)
    catalogue.put_values(row, each.values)
    if each.outline:
        shape = box(each.outline)
        for name, value in (("a", shape.a), ("b", shape.b)):
            stated = getattr(row, name)
            if abs(Decimal(str(value)) - stated) > OUTLINE_OFF_MM:
                raise Invalid(
                    {"outline": f"The outline is {value:.1f} mm in {name}, stated are {stated.normalize():f} mm."}
                )
        if list(each.outline) != had_outline:
            row.outline = list(each.outline)
        elif row.outline != had_outline:
            row.outline = had_outline
    after = audit.snapshot(row, fields)
    return {n: (_short(before[n]), _short(after[n])) for n in fields if not _equal(before[n], after[n])}


def _equal(a: Any, b: Any) -> bool:
    """Figures by value: 52 and 52.00 are the same size."""
    if isinstance(a, str) and isinstance(b, str) and a != b and _is_number(a) and _is_number(b):
        return Decimal(a) == Decimal(b)
    return bool(a == b)


def _short(value: Any) -> Any:
    return f"{len(value)} radii" if isinstance(value, list) and len(value) > 8 else value
