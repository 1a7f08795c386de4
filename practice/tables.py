"""Tables that go out to spreadsheets: UTF-8 with the mark by which they know it, no cell of which is taken for a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator

from django.http import HttpResponse

_MARK = "\ufeff"
_LIKE_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_SHIELDED = re.compile(r"'+[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d{1,3})?", re.ASCII)


def csv_lines(rows: Iterable[Iterable[object]]) -> Iterator[str]:
    """The rows as CSV, a line at a time. Words of people in them have been made `harmless`."""
    yield _MARK
    for row in rows:
        out = io.StringIO()
        csv.writer(out, lineterminator="\r\n").writerow(row)
        yield out.getvalue()


def csv_answer(rows: Iterable[Iterable[object]], name: str) -> HttpResponse:
    """A short table to be saved as `name`."""
    answer = HttpResponse("".join(csv_lines(rows)), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def harmless(text: str) -> str:
    """Text as it is written to a table: what a spreadsheet would take for a formula gets an apostrophe; `as_meant` takes it off."""
    return f"'{text}" if is_like_formula(text) else text


def as_meant(text: str) -> str:
    return text[1:] if is_shielded(text) else text


def is_like_formula(text: str) -> bool:
    return bool(_LIKE_FORMULA.match(text)) and not _NUMBER.fullmatch(text)


def is_shielded(text: str) -> bool:
    return bool(_SHIELDED.match(text))
