"""An order as FHIR: valid by fhir.resources in both versions, and read back it says what the document says."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from fhir.resources.bundle import Bundle as BundleR5
from fhir.resources.R4B.bundle import Bundle as BundleR4B
from hypothesis import given, settings

from dispensing.fhir import read_vision_prescription
from orders import document as doc
from orders.renderers import fhir
from tests.orders import examples
from tests.orders.test_document import orders

MODELS = {"4.3": BundleR4B, "5.0": BundleR5}


def exact(text: bytes) -> dict:
    return json.loads(text, parse_float=Decimal)


def rendered(document: dict, version: str, **more) -> dict:
    text = fhir.render(document, version=version, digest=doc.digest(doc.canonical(document)), **more)
    MODELS[version].model_validate(exact(text))
    return exact(text)


def part(extensions: list[dict], *names: str) -> list[dict]:
    for name in names[:-1]:
        extensions = next(e for e in extensions if e["url"].endswith(name))["extension"]
    return [e for e in extensions if e["url"] == names[-1] or e["url"].endswith(":" + names[-1])]


@pytest.mark.parametrize("version", ["4.3", "5.0"])
def test_the_example_is_valid_and_in_the_shape_of_its_version(version):
    bundle = rendered(examples.example_document(), version)
    rx, right, left = (e["resource"] for e in bundle["entry"])
    assert [r["resourceType"] for r in (rx, right, left)] == ["VisionPrescription", "DeviceRequest", "DeviceRequest"]
    # the renames from R4B to R5 (interchange.md 1.5)
    new, old = ({"code", "replaces"}, {"codeCodeableConcept", "priorRequest"})
    assert (new if version == "5.0" else old) <= set(right)
    assert not (old if version == "5.0" else new) & set(right)
    assert right["groupIdentifier"] == left["groupIdentifier"]
    assert right["basedOn"][0]["reference"] == bundle["entry"][0]["fullUrl"]
    assert right["status"] == "active"
    assert "modifierExtension" not in json.dumps(bundle, default=str)


def test_written_precision_is_kept():
    text = fhir.render(examples.example_document(), version="5.0", digest="0" * 64)
    assert b'"sphere":-2.25' in text
    assert b'"sphere":-1.50' in text
    assert b'"add":2.00' in text
    assert text == fhir.render(examples.example_document(), version="5.0", digest="0" * 64)


def test_a_cancelled_order_is_revoked():
    bundle = rendered(examples.example_document(), "5.0", cancelled=True)
    assert {e["resource"]["status"] for e in bundle["entry"][1:]} == {"revoked"}


def test_what_is_not_known_is_said_to_be_unknown():
    document = examples.example_document()
    document["prescription"] |= {"written_on": None, "prescriber": ""}
    rx = rendered(document, "4.3")["entry"][0]["resource"]
    assert "dateWritten" not in rx
    assert rx["_dateWritten"]["extension"][0]["valueCode"] == "unknown"


def test_an_axis_between_degrees_stands_exactly_beside_the_whole_one():
    document = examples.example_document()
    document["lenses"]["right"]["prescribed"]["axis"] = "2.5"
    document["lenses"]["left"]["prescribed"]["axis"] = "0.4"
    right, left = rendered(document, "5.0")["entry"][0]["resource"]["lensSpecification"]
    assert (right["axis"], part(right["extension"], "exact-axis")[0]["valueQuantity"]["value"]) == (3, Decimal("2.5"))
    assert (left["axis"], part(left["extension"], "exact-axis")[0]["valueQuantity"]["value"]) == (180, Decimal("0.4"))


@pytest.mark.parametrize("version", ["4.3", "5.0"])
def test_what_was_prescribed_for_near_besides_stands_in_extensions_and_is_said_to_the_lab(version):
    document = examples.example_document()
    written = document["lenses"]["left"]["prescribed"]
    written |= {"near_sphere": "-0.50", "near_prism": doc._prism("left", -1.5, 0.5)}
    rx, _, left = (e["resource"] for e in rendered(document, version)["entry"])
    said = rx["lensSpecification"][1]["extension"]
    assert part(said, "near-sphere")[0]["valueQuantity"]["value"] == Decimal("-0.50")
    (near,) = part(said, "near-prism")
    values = {e["url"]: e["valueQuantity"]["value"] for e in near["extension"]}
    assert values == {"in": Decimal("-1.50"), "up": Decimal("0.50")}
    notes = [n["text"] for n in left["note"]]
    assert "L near sphere written −0.50." in notes
    assert "L near prism prescribed 1.50 out, 0.50 up." in notes


def test_the_design_is_told_whole():
    document = examples.example_document()
    document["lens"]["design"] |= {
        "family": "trifocal", "segment_width": "28.00", "segment_depth": "19.00", "intermediate_depth": "7.00",
        "near_inset": "2.00", "degression": "0.75", "cross_above_prism_point": "4.00",
    }  # fmt: skip
    for entry in rendered(document, "5.0")["entry"][1:]:
        lens = next(e for e in entry["resource"]["extension"] if e["url"].endswith(":lens"))["extension"]
        told = {e["url"]: e.get("valueQuantity", {}).get("value") for e in lens}
        for name in (
            "segment_width",
            "segment_depth",
            "intermediate_depth",
            "near_inset",
            "degression",
            "cross_above_prism_point",
            "corridor",
        ):
            assert told[name.replace("_", "-")] == Decimal(document["lens"]["design"][name])
        assert (told["tint-transmittance-clear"], told["tint-transmittance-dark"]) == (Decimal("88.0"), Decimal("14.0"))
        assert next(e for e in lens if e["url"] == "design-code")["valueString"] == "RIDGE13"


@settings(max_examples=60, deadline=None)
@given(orders())
def test_read_back_it_says_what_the_document_says(made):
    case, figures = made
    document = doc.build(case, figures, (), examples.example_meta())
    for version in ("4.3", "5.0"):
        bundle = rendered(document, version)
        rx = bundle["entry"][0]["resource"]
        # by our own importer, which refuses what fhir.resources lets through
        read = read_vision_prescription(fhir.orjson.dumps(_plain(rx)))
        for eye, entry in zip(("right", "left"), bundle["entry"][1:], strict=True):
            lens, got = document["lenses"][eye], read.of(eye)
            written = lens["prescribed"]
            assert got.sphere == Decimal(written["sphere"])
            assert (got.cylinder or 0) == Decimal(written["cylinder"])
            assert got.axis == (None if written["axis"] is None else Decimal(written["axis"]))
            assert got.add == (None if written["addition"] is None else Decimal(written["addition"]))
            resource = entry["resource"]
            values = {p["code"]["coding"][0]["code"]: p["valueQuantity"]["value"] for p in resource["parameter"]}
            for name, path, _ in fhir.PARAMETERS:
                wanted = lens
                for step in path:
                    wanted = None if wanted is None else wanted[step]
                assert values.get(name) == (None if wanted is None else Decimal(wanted)), name
            frame = document["frame"]
            for name, _ in fhir.FRAME:
                found = part(resource["extension"], "frame", name.replace("_", "-"))
                assert [e["valueQuantity"]["value"] for e in found] == ([Decimal(frame[name])] if frame[name] else [])
            outline = part(resource["extension"], "frame", "outline")
            if frame["outline"]:
                assert [int(r) for r in outline[0]["valueString"].split()] == frame["outline"]["radii"]
            drilled = [e["valueString"].split() for e in part(resource["extension"], "frame", "drill-point")]
            assert drilled == [[p["x"], p["y"], p["diameter"]] for p in frame["drill_points"]]


def _plain(value):
    """Decimals as fragments, so that the importer sees them as they were written."""
    if isinstance(value, Decimal):
        return fhir.orjson.Fragment(str(value).encode())
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return value


def test_the_lab_gets_it_by_accept_and_by_suffix(door, make_order):
    number = make_order().number
    for suffix, accept, version in (
        ("fhir-r4b", "application/fhir+json; fhirVersion=4.3", "4.3"),
        ("fhir-r5", "application/fhir+json; fhirVersion=5.0", "5.0"),
    ):
        by_suffix = door.get(f"orders/{number}.{suffix}")
        by_accept = door.get(f"orders/{number}", headers={"Accept": accept})
        assert by_suffix["Content-Type"] == by_accept["Content-Type"] == fhir.MEDIA_TYPES[version]
        assert by_suffix.content == by_accept.content
        MODELS[version].model_validate(exact(by_suffix.content))
    assert (
        door.get(f"orders/{number}", headers={"Accept": "application/fhir+json"})["Content-Type"] == fhir.MEDIA_TYPES["4.3"]
    )
    assert door.get(f"orders/{number}", headers={"Accept": "application/fhir+json; fhirVersion=3.0"}).status_code == 406
    tags = {door.get(f"orders/{number}.{s}")["ETag"] for s in ("json", "pdf", "fhir-r4b", "fhir-r5")}
    assert len(tags) == 4, "each form has its own tag"
