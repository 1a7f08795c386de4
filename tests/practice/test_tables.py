"""Tables that go out: a spreadsheet knows their letters, and takes no words of theirs for a formula."""

from __future__ import annotations

import csv
import io

import pytest

from practice.tables import as_meant, csv_answer, harmless


@pytest.mark.parametrize(
    "text", ["=1+1", "+44 1632 960 147", "-9 and less", "@SUM(A1)", "\t=1", "'=1", "''@x", "−2.25", "-2.25", "plain", ""]
)
def test_words_are_no_formula_and_come_back_as_they_were(text):
    written = harmless(text)
    assert as_meant(written) == text
    assert not written.startswith(("=", "+", "@", "\t"))
    assert written == "-2.25" or not written.startswith("-")


def test_an_answer_says_that_it_is_utf_8_and_keeps_cells_apart():
    answer = csv_answer([["lab", "pairs"], ['Föhren, "Glas"', 3]], "labs.csv")
    assert answer.content.startswith(b"\xef\xbb\xbf")  # by it a spreadsheet knows the encoding
    assert list(csv.reader(io.StringIO(answer.content.decode("utf-8-sig")))) == [["lab", "pairs"], ['Föhren, "Glas"', "3"]]
    assert answer["Content-Disposition"] == 'attachment; filename="labs.csv"'
