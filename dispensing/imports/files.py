"""A CSV file or a workbook as lines of cells. Bounded in bytes, lines, columns and cell length; memory does not grow with the file.

A workbook is a zip file written by somebody else: before anything of it is unpacked, its table of contents is looked at (number of
parts, size unpacked, how far each is packed), and its parts may hold no document type, which is where entities are declared. Macros are
refused. A cell that holds a formula is not computed and not believed: it is passed on as one, and named.
"""

from __future__ import annotations

import codecs
import csv
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import chain
from typing import Any, BinaryIO

from openpyxl import load_workbook
from openpyxl.utils import get_column_letter

MOST_BYTES = 100_000_000
MOST_LINES = 100_000
MOST_COLUMNS = 120
LONGEST_CELL = 16_000  # an outline of 1,600 radii
LONGEST_LINE = 64_000
BLOCK = 65_536
MOST_PARTS = 300
MOST_UNPACKED = 400_000_000
MOST_UNPACKED_PART = 30_000_000  # of what openpyxl holds in memory as a whole: all but the sheets
MOST_STRINGS = 60_000_000
MOST_RATIO = 120  # tables of figures pack 10 to 40 times
RATIO_FROM = 1_000_000
MOST_EMPTY = 5_000  # lines in one run; beyond it somebody has formatted the whole sheet


class Unreadable(Exception):
    """The file as a whole cannot be used; the message says why, in one sentence."""


@dataclass(frozen=True, slots=True)
class Formula:
    """A cell that holds a formula or an error instead of a value."""

    cell: str  # as the spreadsheet names it: B7
    error: bool = False


@dataclass(frozen=True, slots=True)
class Dated:
    """A cell that holds a date: a day in a column of days, and what a spreadsheet has made of a name (MAR-12) in any other."""

    cell: str
    day: str  # ISO 8601

    def __str__(self) -> str:
        return self.day


Cell = str | Formula | Dated
Line = tuple[int, list[Cell]]


def lines_of(file: BinaryIO) -> Iterator[Line]:
    """Lines that hold anything, with their numbers as a spreadsheet counts. Which kind of file it is, its first bytes say."""
    file.seek(0)
    first = file.read(8)
    file.seek(0)
    if first[:4] == b"PK\x03\x04":
        rows = _workbook(file)
    elif first[:4] == b"\xd0\xcf\x11\xe0":
        raise Unreadable("This is a workbook of the old binary kind (.xls). Save it as .xlsx or CSV.")
    elif first[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise Unreadable("The file is UTF-16. Save it as “CSV UTF-8”.")
    else:
        rows = _table(file)
    count = 0
    for number, cells in rows:
        if not any(not isinstance(c, str) or c.strip() for c in cells):
            continue
        count += 1
        if count > MOST_LINES + 1:
            raise Unreadable(f"More than {MOST_LINES:,} lines: send it in parts.")
        if len(cells) > MOST_COLUMNS:
            raise Unreadable(f"Line {number} has more than {MOST_COLUMNS} columns.")
        if any(len(c) > LONGEST_CELL for c in cells if isinstance(c, str)):
            raise Unreadable(f"Line {number} has a cell of more than {LONGEST_CELL:,} characters.")
        yield number, cells


# --- CSV --------------------------------------------------------------------------------------------------------------


def _text_lines(file: BinaryIO) -> Iterator[str]:
    """Physical lines with their ends, none longer than LONGEST_LINE, however long the file's lines are."""
    decoder = codecs.getincrementaldecoder("utf-8-sig")()
    rest, read = "", 0
    while True:
        block = file.read(BLOCK)
        read += len(block)
        if read > MOST_BYTES:
            raise Unreadable(f"The file is larger than {MOST_BYTES // 1_000_000} MB.")
        try:
            rest += decoder.decode(block, final=not block)
        except UnicodeDecodeError as wrong:
            raise Unreadable(
                f"The file is not UTF-8 (near byte {max(read - len(block), 0) + wrong.start}). Save it as “CSV UTF-8”."
            ) from None
        if "\x00" in rest:
            raise Unreadable("The file is not a table of text.")
        pieces = _whole(rest)
        rest = pieces.pop()
        if not block and rest:
            pieces.append(rest)
        for piece in pieces:
            if len(piece) > LONGEST_LINE:
                raise Unreadable(f"A line is longer than {LONGEST_LINE:,} characters.")
            yield piece
        if len(rest) > LONGEST_LINE:
            raise Unreadable(f"A line is longer than {LONGEST_LINE:,} characters.")
        if not block:
            return


def _whole(text: str) -> list[str]:
    """Lines ended by a line feed, and last what is not ended yet (maybe empty)."""
    pieces = text.split("\n")
    return [*(p + "\n" for p in pieces[:-1]), pieces[-1]]


def _table(file: BinaryIO) -> Iterator[tuple[int, list[Cell]]]:
    lines = _text_lines(file)
    heading = next(lines, "")
    mark = max(",;\t", key=heading.count)

    size = 0  # of the line that is being read, over all the lines of the file that a quote holds together

    def again() -> Iterator[str]:
        nonlocal size
        for piece in chain([heading] if heading else [], lines):
            size += len(piece)
            if size > LONGEST_LINE:
                raise Unreadable(f"A line is longer than {LONGEST_LINE:,} characters.")
            yield piece

    reader = csv.reader(again(), delimiter=mark, strict=True)
    while True:
        number, size = reader.line_num + 1, 0
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as problem:
            raise Unreadable(f"Line {number}: {problem}.") from None
        yield number, list(cells)


# --- workbooks --------------------------------------------------------------------------------------------------------


def _workbook(file: BinaryIO) -> Iterator[tuple[int, list[Cell]]]:
    _look_inside(file)
    try:
        book = load_workbook(file, read_only=True, data_only=False, keep_links=False)
    except Exception as problem:  # openpyxl raises whatever its parts raise
        raise Unreadable("The workbook is damaged and cannot be read.") from problem
    try:
        if not book.worksheets:
            raise Unreadable("The workbook has no sheet.")
        sheet = book.worksheets[0]
        sheet.reset_dimensions()
        yield from _sheet(sheet)
    finally:
        book.close()


def _sheet(sheet: Any) -> Iterator[tuple[int, list[Cell]]]:
    number = empty = 0
    rows = sheet.iter_rows(max_col=MOST_COLUMNS + 1)
    while True:
        try:
            row = next(rows)
        except StopIteration:
            return
        except Exception as problem:
            raise Unreadable("The workbook is damaged and cannot be read.") from problem
        number += 1
        cells = [_cell(c, number, place) for place, c in enumerate(row, start=1)]
        while cells and cells[-1] == "":
            cells.pop()
        empty = 0 if cells else empty + 1
        if empty > MOST_EMPTY:
            raise Unreadable(f"More than {MOST_EMPTY:,} empty lines in a row: delete the empty lines of the sheet.")
        if cells:
            yield number, cells


def _cell(cell: Any, row: int, column: int) -> Cell:
    value, kind = cell.value, getattr(cell, "data_type", "n")
    if value is None:
        return ""
    if kind in ("f", "e"):
        return Formula(f"{get_column_letter(column)}{row}", error=kind == "e")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return Dated(f"{get_column_letter(column)}{row}", value.isoformat()[:10])
    if isinstance(value, int | float):
        number = Decimal(repr(value))
        return f"{number.normalize():f}" if number.is_finite() and abs(number.adjusted()) < 30 else repr(value)
    return str(value)


# What zipfile says of a file that is cut, spoiled, packed in a way it does not know (NotImplementedError) or locked (RuntimeError).
DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, NotImplementedError, RuntimeError)


def _look_inside(file: BinaryIO) -> None:
    """Refuse what would unpack to too much, carries macros, or declares entities. Unpacks the first bytes of each part only."""
    try:
        with zipfile.ZipFile(file) as packed:
            parts = packed.infolist()
            if len(parts) > MOST_PARTS:
                raise Unreadable(f"The workbook has more than {MOST_PARTS} parts.")
            if sum(p.file_size for p in parts) > MOST_UNPACKED:
                raise Unreadable(f"The workbook would unpack to more than {MOST_UNPACKED // 1_000_000} MB.")
            for part in parts:
                _look_at(packed, part)
            names = {p.filename for p in parts}
            if "[Content_Types].xml" not in names or not any(n.startswith("xl/workbook") for n in names):
                raise Unreadable("This is a zip file, but not a workbook.")
    except DAMAGE as problem:
        raise Unreadable("The workbook is damaged and cannot be read.") from problem
    file.seek(0)


def _look_at(packed: zipfile.ZipFile, part: zipfile.ZipInfo) -> None:
    name = part.filename.lower()
    if part.flag_bits & 1:
        raise Unreadable("The workbook is locked with a password.")
    if "vbaproject" in name or name.endswith((".bin", ".exe", ".dll")):
        raise Unreadable("The workbook carries macros or other programs. Save it as .xlsx without them.")
    if part.file_size > RATIO_FROM and part.file_size > MOST_RATIO * max(part.compress_size, 1):
        raise Unreadable("A part of the workbook is packed more tightly than any table: it is not opened.")
    if not name.startswith("xl/worksheets/"):
        most = MOST_STRINGS if name.endswith("sharedstrings.xml") else MOST_UNPACKED_PART
        if part.file_size > most:
            raise Unreadable(f"A part of the workbook would unpack to more than {most // 1_000_000} MB.")
    if name.endswith((".xml", ".rels")):
        with packed.open(part) as opened:
            start = opened.read(BLOCK)
        if b"<!DOCTYPE" in start or b"<!ENTITY" in start or b"\x00" in start:
            raise Unreadable("A part of the workbook declares a document type: it is not opened.")
        if name == "[content_types].xml" and b"macroEnabled" in start:
            raise Unreadable("The workbook carries macros or other programs. Save it as .xlsx without them.")
