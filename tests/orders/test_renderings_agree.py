"""Whatever form a lab reads an order in, it reads the same powers, prisms, axes, distances and outline; and every order that was
frozen in fixtures/orders stays readable.

A few random orders here, as many as asked for by hand:

    DATUMLINE_ORDERS=5000 pytest tests/orders/test_renderings_agree.py
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from orders import document as doc
from orders.renderers.tray_label import tray_label
from tests.orders import cases, readings
from tests.orders.test_pdf import no_overflow

SCHEMAS = {
    p.stem.removeprefix("order-"): Draft202012Validator(
        json.loads(p.read_text(encoding="utf-8")), format_checker=Draft202012Validator.FORMAT_CHECKER
    )
    for p in (Path(doc.__file__).parent / "schema").glob("order-*.json")
}
SUMS = {
    name: digest
    for digest, name in (line.split() for line in (cases.FROZEN / cases.SUMS).read_text(encoding="ascii").splitlines())
}
MANY = int(os.environ.get("DATUMLINE_ORDERS", "12"))
PART = 50  # orders a test
SEED = int(os.environ.get("DATUMLINE_SEED", "20261125"))

IN_RECORDS = {f"{e}.{n}" for e in readings.EYES for n in ("sphere", "cylinder", "axis", "addition", "height")} | {
    f"frame.{n}" for n in ("a", "b", "dbl", "outline", "holes")
}
IN_PDF = {f"{e}.{n}" for e in readings.EYES for n in (*readings.POWERS, *readings.PLACES)} | {
    f"frame.{n}" for n in readings.BOX
}


def same_everywhere(text: str) -> bytes:
    """Every form of one order read back and held against the document; its sheet."""
    document, digest = json.loads(text), doc.digest(text)
    wanted = readings.of_document(document)
    whole = set(wanted)

    def held(name: str, said: readings.Reading, least: set[str]) -> None:
        assert least <= set(said), f"{name} lacks {sorted(least - set(said))}"
        wrong = {k: (v, wanted[k]) for k, v in said.items() if k in wanted and v != wanted[k]}
        assert not wrong, (name, document["order"]["number"], wrong)

    held("json", readings.of_json(document, digest, text), whole)
    # FHIR gives no parameter where nothing is known, and none of a balance lens
    for version in ("4.3", "5.0"):
        held(f"fhir {version}", readings.of_fhir(document, digest, version), whole)
    held("records", readings.of_records(document, digest), IN_RECORDS)
    sheet, data = readings.of_pdf(document, digest)
    held("pdf", sheet, IN_PDF)
    radii = document["frame"]["outline"] and document["frame"]["outline"]["radii"]
    if radii and len(radii) % 4 == 0:  # points on both tangents of the box: its middle is that of the drawn outline
        assert sheet["drawn.outline"] == pytest.approx([r / 100 for r in radii], abs=0.03)
    holes = sorted((float(x), float(y)) for x, y in wanted["frame.holes"])
    if radii:
        for found, point in zip(sorted(sheet["drawn.holes"]), holes, strict=True):
            assert found == pytest.approx(point, abs=0.03)
    return data


@pytest.mark.parametrize("start", range(0, MANY, PART))
def test_every_form_of_any_order_says_the_same(start):
    for document in cases.any_documents(min(PART, MANY - start), SEED + start):
        text = doc.canonical(document)
        assert list(SCHEMAS[doc.SCHEMA_VERSION].iter_errors(document)) == []
        same_everywhere(text)


def test_the_comparison_would_notice():
    document = cases.document_of(cases.named()["single-vision"][0])
    wanted = readings.of_document(document)
    wanted["frame.outline"] = list(wanted["frame.outline"])
    document["lenses"]["left"]["ordered"]["sphere"] = "-1.25"
    document["frame"]["outline"]["radii"][57] += 100
    text = doc.canonical(document)
    digest = doc.digest(text)
    forms = {
        "json": readings.of_json(document, digest, text),
        "fhir": readings.of_fhir(document, digest, "5.0"),
        "records": readings.of_records(document, digest),
        "pdf": readings.of_pdf(document, digest)[0],
    }
    for name, said in forms.items():
        assert said["left.sphere"] != wanted["left.sphere"], name
        outline = said.get("frame.outline") or said["drawn.outline"]
        before = wanted["frame.outline"] if name != "pdf" else [r / 100 for r in wanted["frame.outline"]]
        assert outline != pytest.approx(before, abs=0.03), name


# --- the frozen ones


def test_the_frozen_set_is_whole_and_nobody_has_touched_it():
    files = {p.name for p in cases.FROZEN.glob("*.json")}
    assert files == set(SUMS)
    assert {f"{name}.json" for name in cases.named()} <= files
    for name, digest in SUMS.items():
        assert hashlib.sha256((cases.FROZEN / name).read_bytes()).hexdigest() == digest, name


@pytest.mark.parametrize("name", sorted(SUMS))
def test_a_frozen_order_is_still_read_in_every_form(name):
    text = (cases.FROZEN / name).read_bytes().decode("utf-8")
    document = json.loads(text)
    assert doc.canonical(document) == text, "canonical, byte for byte"
    major, minor = map(int, document["schema_version"].split("."))
    # by the schema it names, and by every later one of the same major version: those only add
    later = [v for v in SCHEMAS if int(v.split(".")[0]) == major and int(v.split(".")[1]) >= minor]
    assert document["schema_version"] in later
    for version in later:
        assert [f"{e.json_path}: {e.message}" for e in SCHEMAS[version].iter_errors(document)] == [], version
    data = same_everywhere(text)
    no_overflow(data)
    assert tray_label(document).startswith(b"%PDF")
