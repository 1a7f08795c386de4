"""The catalogues as tables, written line by line with the columns that an import reads, and the faulty lines of a file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from typing import Any, BinaryIO

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell

from dispensing.imports.jobs import WRONG
from dispensing.imports.kinds import Kind
from dispensing.models import ImportJob, ImportLine
from practice.tables import csv_lines as csv_lines
from practice.tables import harmless


def rows_of(kind: Kind, items: Iterable[Any]) -> Iterator[list[str]]:
    """The heading, then the cells of each item, as text that is harmless in a spreadsheet."""
    names = [c.name for c in kind.columns]
    yield names
    for item in items:
        yield [harmless(kind.cell(item, name)) for name in names]


def workbook(rows: Iterable[list[str]]) -> BinaryIO:
    """A workbook on disk, open at its start; every cell is text, so that codes keep their noughts. The caller closes it."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet("catalogue")
    for row in rows:
        out = []
        for text in row:
            cell = WriteOnlyCell(sheet, value=text)
            cell.data_type = "s"  # never a formula, whatever it begins with
            out.append(cell)
        sheet.append(out)
    file = tempfile.TemporaryFile()  # noqa: SIM115
    book.save(file)
    file.seek(0)
    return file


def lines_to_mend(job: ImportJob, *, every: bool = False) -> Iterator[list[str]]:
    """The faulty lines as they were, or every line, with what is wrong in a last column: to be mended and sent again."""
    yield [*map(harmless, job.heading), WRONG]
    labels = {}
    for place, name in enumerate(job.mapping):
        if name:
            labels[name] = job.heading[place]
    for chunk in job.chunks.order_by("place").iterator(chunk_size=1):
        said = {
            number: " ".join(f"{labels.get(c, c)}: {m}" if c else m for c, m in faults)
            for number, faults in ImportLine.objects.filter(chunk=chunk, state=ImportLine.State.FAULT).values_list(
                "number", "faults"
            )
        }
        for number, cells in chunk.rows:
            if every or number in said:
                texts = [_again(c) for c in cells]
                wrong = harmless(said.get(number, ""))
                yield [*[*texts, *[""] * len(job.heading)][: max(len(job.heading), len(texts))], wrong]


def _again(cell: Any) -> str:
    """A cell as it was; of a formula nothing."""
    if isinstance(cell, dict):
        return str(cell.get("date", ""))
    return str(cell) if cell.startswith("'") else harmless(cell)
