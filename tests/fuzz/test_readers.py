"""Whatever arrives in a file or a field is read or refused in words: no other exception, no hang, bounded memory.

A few examples each by default; DATUMLINE_FUZZ sets how many. FHIR, shapes and the Case have their own in tests/dispensing.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import time
import tracemalloc
import zipfile
from functools import cache

import pytest
from django.http import QueryDict
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from dispensing import forms
from dispensing.case_json import CaseError, case_from_text
from dispensing.fhir import FhirProblem, read_vision_prescription
from dispensing.imports.files import Unreadable, lines_of
from dispensing.imports.kinds import KINDS
from dispensing.imports.lines import _read
from dispensing.optics.trace_files import TraceError, read_trace

EXAMPLES = int(os.environ.get("DATUMLINE_FUZZ", "25"))
LONGEST_S = 10.0
quick = settings(max_examples=EXAMPLES, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
odd = st.sampled_from(
    [
        "",
        "\x00",
        "\ud800",
        "1e999",
        "-0",
        "NaN",
        "9" * 5000,
        "٣",
        "=1+1",
        "1,5",
        "−2.00",
        "2 in",
        "+" * 400,
        '"',
        "e" * 70_000,
    ]
)
typed = odd | st.text(max_size=40) | st.from_regex(r"[+\-−]?[0-9]{1,4}([.,][0-9]{0,3})?( ?[a-zΔ]{0,4})", fullmatch=True)


@cache
def workbook() -> bytes:
    book = Workbook()
    for row in (["code", "maker", "a"], ["F-1", "Alder", 52], ["F-2", "=1+1", 1e300]):
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def read_all(data: bytes) -> None:
    began = time.process_time()
    try:
        lines = list(lines_of(io.BytesIO(data)))
    except Unreadable:
        lines = []
    for kind in KINDS.values():
        mapping = [c.name for c in kind.columns][:8]
        for number, cells in lines[:20]:
            plain = [c if isinstance(c, str) else {"formula": c.cell, "error": c.error} for c in cells]
            _read(kind, mapping, next(iter(kind.keys)), number, plain)
    assert time.process_time() - began < LONGEST_S


@quick
@given(
    st.binary(max_size=600)
    | st.lists(st.lists(odd, max_size=6), max_size=4).map(
        lambda rows: "\n".join(";".join(r) for r in rows).encode("utf-8", "surrogatepass")
    )
)
def test_any_bytes_as_a_list(data):
    read_all(data)


@quick
@given(st.integers(0, 10_000), st.binary(min_size=1, max_size=12))
def test_a_damaged_workbook(at, junk):
    whole = workbook()
    at %= len(whole)
    read_all(whole[:at] + junk + whole[at + len(junk) :])


@quick
@given(
    st.sampled_from(["xl/worksheets/sheet1.xml", "xl/workbook.xml", "xl/styles.xml"]),
    st.integers(0, 5000),
    st.binary(max_size=12),
)
def test_a_workbook_whose_parts_are_damaged_inside(name, at, junk):
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook())) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.namelist():
            text = old.read(part)
            if part == name:
                cut = at % len(text)
                text = text[:cut] + junk + text[cut + len(junk) :]
            new.writestr(part, text)
    read_all(out.getvalue())


@quick
@given(st.sampled_from(sorted(KINDS)), st.data())
def test_any_cell_of_any_column_is_a_value_or_a_sentence(name, data):
    for column in KINDS[name].columns:
        with contextlib.suppress(ValueError):
            column.reader(data.draw(typed).strip())


@quick
@given(st.data())
def test_whatever_is_typed_is_read_or_refused_beside_its_field(data):
    for part in forms.PART_NAMES:
        sent = QueryDict(mutable=True)
        for path in forms.specs(part):
            sent.setlist(path, [data.draw(typed)])
        began = time.process_time()
        parsed = forms.parse(part, sent)
        assert time.process_time() - began < LONGEST_S
        assert set(parsed.entries) == set(forms.specs(part))


DEEP = [
    b"[" * 200_000,
    b'{"a":' * 100_000,
    b'{"today":' + b"9" * 200_000 + b"}",
    b'{"resourceType":"VisionPrescription","x":"\\ud800"}',
    b'{"a":"\x00"}',
    json.dumps({"resourceType": "VisionPrescription", "lensSpecification": [{"sphere": 1}] * 5000}).encode(),
    b"a" * 250_000,
    b"TRCFMT=1;4000;E;R;F\r\n" + b"R=" + b"9;" * 100_000,
]


@pytest.mark.parametrize("data", DEEP, ids=range(len(DEEP)))
def test_deep_huge_and_long_texts_are_refused_at_once(data):
    for reader, problem in ((read_vision_prescription, FhirProblem), (case_from_text, CaseError), (read_trace, TraceError)):
        began = time.process_time()
        with pytest.raises(problem):
            reader(data)
        assert time.process_time() - began < LONGEST_S, reader


def test_memory_of_the_largest_is_bounded():
    line = b";".join([b"x" * 400] * 100) + b"\n"
    file = io.BytesIO(line * 400)  # 16 MB
    tracemalloc.start()
    try:
        assert sum(1 for _ in lines_of(file)) == 400
        assert tracemalloc.get_traced_memory()[1] < 4_000_000
    finally:
        tracemalloc.stop()
