"""FHIR VisionPrescription: HL7's own examples, what must be refused, and whatever a fuzzer thinks of."""

from __future__ import annotations

import hashlib
import json
import socket
import time
from contextlib import suppress
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispensing import fhir
from dispensing.case import PrescribedLens, Prescription
from dispensing.fhir import FhirProblem, ImportedLens, read_vision_prescription, write_vision_prescription

DATA = Path(__file__).parent / "data"
SPECTACLES = (DATA / "visionprescription-example.json").read_text()  # HL7 example 33123
CONTACTS = (DATA / "visionprescription-example-1.json").read_text()  # HL7 example 33124


def changed(change, text=SPECTACLES):
    data = json.loads(text)
    change(data)
    return json.dumps(data)


def lens(i, **values):
    return lambda data: data["lensSpecification"][i].update(values)


def read(change):
    return read_vision_prescription(changed(change))


def refused(change):
    with pytest.raises(FhirProblem) as caught:
        read_vision_prescription(change if isinstance(change, (str, bytes)) else changed(change))
    return caught.value


# --- HL7's examples ---------------------------------------------------------------------------------------------------


def test_hl7_example_33123_imports_exactly():
    # hl7.org/fhir/R4/visionprescription-example.json; values as in its own narrative
    got = read_vision_prescription(SPECTACLES)
    assert got.right == ImportedLens(sphere=Decimal("-2.00"), add=Decimal("2.00"), prism_v=Decimal("0.50"), base_v="down")
    assert got.left == ImportedLens(
        sphere=Decimal("-1.00"),
        cylinder=Decimal("-0.50"),
        axis=Decimal("180"),
        add=Decimal("2.00"),
        prism_v=Decimal("0.50"),
        base_v="up",
    )
    assert str(got.right.sphere) == "-2.00"
    assert got.written_on == date(2014, 6, 15)
    assert (got.prescriber, got.patient, got.source_id) == ("Practitioner/example", "Patient/example", "15013")
    assert got.sha256 == hashlib.sha256(SPECTACLES.encode()).hexdigest()
    assert got.document == SPECTACLES
    assert got.questions == got.adjusted == ()


def test_hl7_example_33123_as_the_value_the_checks_work_on():
    value = read_vision_prescription(SPECTACLES.encode()).prescription
    assert value.left == PrescribedLens(sphere=-1.0, cylinder=-0.5, axis=180.0, add=2.0, prism_v=0.5, base_v="up")
    assert value.right.prism_up == -0.5
    assert value.source == "imported"


def test_hl7_example_33124_contact_lenses_is_refused_with_a_reason():
    problem = refused(CONTACTS)
    assert problem.element == "lensSpecification[0].product"
    assert "contact lenses" in str(problem)


@pytest.mark.parametrize("name", ["power", "backCurve", "diameter"])
def test_a_contact_lens_element_under_a_spectacle_product_is_refused(name):
    assert refused(lens(1, **{name: 8.6})).element == f"lensSpecification[1].{name}"


# --- what fhir.resources lets through (tried with 8.3.0) ----------------------------------------------------------------

LET_THROUGH = {
    "eye OD": (lens(0, eye="OD"), "lensSpecification[0].eye"),
    "eye both": (lens(1, eye="both"), "lensSpecification[1].eye"),
    "axis 500": (lens(1, axis=500), "lensSpecification[1].axis"),
    "axis -181": (lens(1, axis=-181), "lensSpecification[1].axis"),
    "cylinder without axis": (lambda d: d["lensSpecification"][1].pop("axis"), "lensSpecification[1].axis"),
    "axis without cylinder": (lambda d: d["lensSpecification"][1].pop("cylinder"), "lensSpecification[1].axis"),
    "two right lenses": (lens(1, eye="right"), "lensSpecification[1].eye"),
    "no lenses": (lambda d: d.update(lensSpecification=[]), "lensSpecification"),
    "float noise": (lens(0, sphere=0.1 + 0.2), "lensSpecification[0].sphere"),
    "number as text": (lens(0, sphere="-2.00"), "lensSpecification[0].sphere"),
    "axis as text": (lens(1, axis="90"), "lensSpecification[1].axis"),
    "axis true": (lens(1, axis=True), "lensSpecification[1].axis"),
    "prism amount -1": (lens(0, prism=[{"amount": -1, "base": "in"}]), "lensSpecification[0].prism[0].amount"),
    "base nasal": (lens(0, prism=[{"amount": 1, "base": "nasal"}]), "lensSpecification[0].prism[0].base"),
    "base 270": (lens(0, prism=[{"amount": 1, "base": "270"}]), "lensSpecification[0].prism[0].base"),
    "base in and out": (
        lens(0, prism=[{"amount": 1, "base": "in"}, {"amount": 1, "base": "out"}]),
        "lensSpecification[0].prism",
    ),
    "add below zero": (lens(0, add=-2), "lensSpecification[0].add"),
    "sphere beyond any lens": (lens(0, sphere=250), "lensSpecification[0].sphere"),
    "status completed": (lambda d: d.update(status="completed"), "status"),
    "status draft": (lambda d: d.update(status="draft"), "status"),
    "status entered in error": (lambda d: d.update(status="entered-in-error"), "status"),
    "prescriber is an organisation": (
        lambda d: d.update(prescriber={"reference": "Organization/1"}),
        "prescriber.reference",
    ),
    "patient is a practitioner": (
        lambda d: d.update(patient={"reference": "https://example.org/fhir/Practitioner/7"}),
        "patient.reference",
    ),
    "contained prescriber is not there": (lambda d: d.update(prescriber={"reference": "#p9"}), "prescriber.reference"),
    "status only said to be absent": (
        lambda d: (
            d.pop("status"),
            d.update(
                _status={
                    "extension": [
                        {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
                    ]
                }
            ),
        ),
        "status",
    ),
    "an extension that changes the meaning": (
        lens(0, modifierExtension=[{"url": "https://example.org/not", "valueBoolean": True}]),
        "lensSpecification[0].modifierExtension",
    ),
}


@pytest.mark.parametrize("name", LET_THROUGH)
def test_what_the_library_lets_through_is_refused_naming_the_element(name):
    change, element = LET_THROUGH[name]
    assert refused(change).element == element


@pytest.mark.parametrize(
    ("change", "element"),
    [
        (lambda d: d.update(intent="order"), "intent"),  # R6 draft; in HL7's newest example
        (lambda d: d.pop("status"), "status"),
        (lambda d: d.pop("patient"), "patient"),
        (lambda d: d.pop("prescriber"), "prescriber"),
        (lambda d: d.pop("dateWritten"), "dateWritten"),
        (lambda d: d["lensSpecification"][0].pop("eye"), "lensSpecification[0].eye"),
        (lambda d: d["lensSpecification"][0].pop("product"), "lensSpecification[0].product"),
        (lens(0, pd=64), "lensSpecification[0].pd"),
        (lens(0, prism=[{"amount": 1}]), "lensSpecification[0].prism[0].base"),
        (lens(1, axis=90.5), "lensSpecification[1].axis"),
        (lens(0, sphere="plano"), "lensSpecification[0].sphere"),
        (lambda d: d.update(dateWritten="2014-06-15T10:00:00"), "dateWritten"),  # a time without its offset
        (lambda d: d.update(resourceType="Patient"), "resourceType"),
        (lambda d: d.update(resourceType="Bundle"), "resourceType"),
        (lambda d: d.update(implicitRules="https://example.org/rules"), "implicitRules"),
        # releases before R4: `dispense` (DSTU1, DSTU2, STU3), prism as a bare number with its base beside it
        (lambda d: d.update(dispense=d.pop("lensSpecification")), "dispense"),
        (lens(0, prism=0.5, base="down"), "lensSpecification[0].prism"),
    ],
)
def test_what_is_not_fhir_r4_to_r5_is_refused_naming_the_element(change, element):
    assert refused(change).element == element


def test_all_that_is_wrong_is_said_at_once():
    def change(data):
        data["lensSpecification"][0].update(sphere=0.1 + 0.2)
        data["lensSpecification"][1].update(axis=500)

    assert [p.element for p in refused(change).problems] == ["lensSpecification[0].sphere", "lensSpecification[1].axis"]


# --- how it is mapped -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("given", "kept"), [(0, 180), (-10, 170), (-180, 180), (-90, 90), (180, 180), (1, 1), (90, 90)])
def test_an_axis_becomes_1_to_180(given, kept):
    # FHIR allows -180..180; ISO 8429 writes the same directions 1..180
    got = read(lens(1, axis=given))
    assert got.left.axis == kept
    assert bool(got.adjusted) == (given != kept)


def test_a_zero_cylinder_has_no_axis():
    got = read(lens(1, cylinder=0, axis=0))
    assert (got.left.cylinder, got.left.axis) == (Decimal("0.00"), None)
    assert got.adjusted


def test_prisms_the_same_way_are_summed_and_two_directions_kept():
    got = read(lens(0, prism=[{"amount": 1.5, "base": "in"}, {"amount": 0.25, "base": "in"}, {"amount": 1, "base": "up"}]))
    assert (got.right.prism_h, got.right.base_h) == (Decimal("1.75"), "in")
    assert (got.right.prism_v, got.right.base_v) == (Decimal("1.00"), "up")
    assert got.adjusted[0].element == "lensSpecification[0].prism"


def test_an_absent_sphere_is_asked_for_and_never_taken_as_plano():
    got = read(lambda d: d["lensSpecification"][0].pop("sphere"))
    assert got.right.sphere is None
    assert [q.path for q in got.questions] == ["prescription.right.sphere"]


def test_an_absent_eye_is_asked_for():
    got = read(lambda d: d["lensSpecification"].pop(1))
    assert got.left == ImportedLens()
    assert [q.path for q in got.questions] == ["prescription.left"]


def test_an_absent_addition_stays_unknown():
    assert read(lambda d: d["lensSpecification"][0].pop("add")).right.add is None


@pytest.mark.parametrize(("given", "kept"), [("0.125", "0.12"), ("-2.375", "-2.37"), ("-0.00", "0.00"), ("1.500", "1.50")])
def test_powers_keep_the_two_decimals_the_trade_writes(given, kept):
    got = read_vision_prescription(SPECTACLES.replace('"sphere": -2.00', f'"sphere": {given}'))
    assert str(got.right.sphere) == kept


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("2026-03-04", date(2026, 3, 4)),
        ("2026-03-04T23:30:00+05:00", date(2026, 3, 4)),  # never moved to another day
        ("2026-03-04T00:10:00Z", date(2026, 3, 4)),
    ],
)
def test_the_day_is_the_prescribers_day(given, kept):
    assert read(lambda d: d.update(dateWritten=given)).written_on == kept


@pytest.mark.parametrize("given", ["2026", "2026-03"])
def test_half_a_date_is_asked_for(given):
    got = read(lambda d: d.update(dateWritten=given))
    assert got.written_on is None
    assert [q.path for q in got.questions] == ["prescription.written_on"]


def test_the_prescriber_is_named_from_what_is_there():
    assert read(lambda d: d.update(prescriber={"display": "Dr I. Vane"})).prescriber == "Dr I. Vane"
    inside = {"resourceType": "Practitioner", "id": "p1", "name": [{"family": "Vane", "given": ["Isolde"]}]}
    assert read(lambda d: d.update(contained=[inside], prescriber={"reference": "#p1"})).prescriber == "Isolde Vane"


def test_notes_are_kept_for_people():
    assert "slab" in read(lens(0, note=[{"text": "slab off if needed"}])).remark


# --- hostile input ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "",
        "null",
        "[]",
        "<VisionPrescription/>",
        "{" * 100_000,
        "[" * 100_000,
        '{"a":' * 40 + "1" + "}" * 40,
        b"\xff\xfe\x00",
        "x" * (fhir.MAX_BYTES + 1),
        '{"resourceType": "VisionPrescription", "resourceType": "Patient"}',
        SPECTACLES.replace("-2.00", "NaN"),
        SPECTACLES.replace("-2.00", "1e999999999999"),
        SPECTACLES.replace("-2.00", "9" * 5000),
        SPECTACLES.replace("15013", "\\u0000"),
        SPECTACLES.replace("15013", "\\ud800"),
        "\ud800",
    ],
)
def test_hostile_texts_are_refused(text):
    with pytest.raises(FhirProblem):
        read_vision_prescription(text)


def test_a_text_of_open_quotes_costs_no_more_than_its_length():
    began = time.process_time()
    with pytest.raises(FhirProblem):
        read_vision_prescription('{"a": "' + '\\"' * 60_000)
    assert time.process_time() - began < 10.0  # by the square of its length it was most of a minute


def test_many_prisms_the_same_way_make_no_prism_that_cannot_be():
    part = {"amount": 30.00, "base": "in"}
    assert refused(lens(0, prism=[part, part])).element == "lensSpecification[0].prism"


def test_a_byte_order_mark_is_no_reason_to_refuse():
    assert read_vision_prescription(b"\xef\xbb\xbf" + SPECTACLES.encode()).source_id == "15013"


def test_nothing_is_fetched(monkeypatch):
    def no_network(*args, **kwargs):
        raise AssertionError("a connection was opened")

    monkeypatch.setattr(socket, "create_connection", no_network)
    monkeypatch.setattr(socket.socket, "connect", no_network)
    monkeypatch.setattr(socket, "getaddrinfo", no_network)

    def change(data):
        data["patient"]["reference"] = "https://example.org/fhir/Patient/1"
        data["meta"] = {"profile": ["https://example.org/fhir/StructureDefinition/x"]}
        data["lensSpecification"][0]["extension"] = [{"url": "https://example.org/x", "valueString": "y"}]

    assert read(change).patient == "https://example.org/fhir/Patient/1"


_ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
_KEYS = ["product", "eye", "sphere", "cylinder", "axis", "prism", "add", "note", "color", "power", "_sphere", "extension"]
_TOP = ["status", "created", "patient", "dateWritten", "prescriber", "lensSpecification", "identifier", "contained"]
_TOP += ["text", "meta", "id", "encounter", "_status", "language", "implicitRules", "modifierExtension", "resourceType"]


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(_TOP), _ANY), max_size=2),
    st.lists(st.tuples(st.integers(0, 1), st.sampled_from(_KEYS), _ANY), max_size=3),
)
def test_a_document_changed_anyhow_is_read_or_refused_and_never_crashes(tops, inners):
    data = json.loads(SPECTACLES)
    for i, key, value in inners:
        data["lensSpecification"][i][key] = value
    for key, value in tops:
        data[key] = value
    try:
        got = read_vision_prescription(json.dumps(data))
    except FhirProblem:
        pass
    else:
        for eye in (got.right, got.left):
            assert eye.axis is None or 1 <= eye.axis <= 180
            assert not eye.cylinder or eye.axis is not None
            assert (eye.prism_h is None) == (eye.base_h is None)
            assert eye.prism_v is None or eye.prism_v > 0


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=200) | st.binary(max_size=200))
def test_any_text_at_all_is_refused(text):
    with pytest.raises(FhirProblem):
        read_vision_prescription(text)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(SPECTACLES) - 1), st.characters())
def test_one_damaged_character_is_read_or_refused(at, character):
    with suppress(FhirProblem):
        read_vision_prescription(SPECTACLES[:at] + character + SPECTACLES[at + 1 :])


# --- writing ----------------------------------------------------------------------------------------------------------


def _write(prescription, **kw):
    given = {
        "prescription": prescription,
        "identifier": "P-1",
        "identifier_system": "https://practice.example/prescription",
        "patient": "C-2345678",
        "created": date(2026, 3, 5),
    }
    return write_vision_prescription(**{**given, **kw})


def test_what_is_written_keeps_two_decimals_and_reads_back_the_same():
    value = Prescription(
        right=PrescribedLens(sphere=-2.0, add=2.0, prism_v=0.5, base_v="down"),
        left=PrescribedLens(sphere=0.0, cylinder=-0.5, axis=180.0, add=2.0, prism_h=1.25, base_h="in"),
        vertex_mm=12.0,
        written_on=date(2026, 3, 4),
        prescriber="Dr I. Vane",
    )
    text = _write(value)
    assert '"sphere": -2.00' in text
    got = read_vision_prescription(text)
    assert got.prescription.right == value.right
    assert got.prescription.left == value.left
    assert got.written_on == value.written_on
    assert (got.prescriber, got.source_id, got.patient) == ("Dr I. Vane", "P-1", "Patient/C-2345678")
    assert "Vertex distance 12 mm" in got.remark


def test_what_is_written_is_valid_in_both_releases():
    from fhir.resources.R4B.visionprescription import VisionPrescription as R4B
    from fhir.resources.visionprescription import VisionPrescription as R5

    text = _write(
        Prescription(right=PrescribedLens(sphere=1.0), left=PrescribedLens(sphere=1.5), written_on=date(2026, 1, 2)),
        created=datetime(2026, 1, 2, 10, tzinfo=UTC),
    )
    assert R4B.model_validate_json(text).lensSpecification[1].sphere == Decimal("1.5")
    assert R5.model_validate_json(text).status == "active"


@pytest.mark.parametrize(
    ("right", "element"),
    [
        (PrescribedLens(sphere=1.0, cylinder=-1.0), "lensSpecification[0].axis"),
        (PrescribedLens(sphere=1.0, cylinder=-1.0, axis=22.5), "lensSpecification[0].axis"),
        (PrescribedLens(sphere=1.0, prism_h=1.0), "lensSpecification[0].prism"),
    ],
)
def test_what_fhir_cannot_carry_is_not_written(right, element):
    with pytest.raises(FhirProblem) as caught:
        _write(Prescription(right=right, left=PrescribedLens(sphere=1.0), written_on=date(2026, 1, 2)))
    assert caught.value.element == element


def test_without_a_date_or_a_lens_nothing_is_written():
    with pytest.raises(FhirProblem):
        _write(Prescription(right=PrescribedLens(sphere=1.0)))
    with pytest.raises(FhirProblem):
        _write(Prescription(written_on=date(2026, 1, 2)))


_quarter = st.integers(-80, 80).map(lambda q: q / 4)


@settings(max_examples=100, deadline=None)
@given(_quarter, _quarter, st.integers(1, 180), st.integers(1, 24).map(lambda q: q / 4), st.sampled_from(["in", "out"]))
def test_written_and_read_back_is_the_same_for_any_powers(sphere, cylinder, axis, prism, base):
    cylinder = max(-20.0, min(20.0, cylinder))
    eye = PrescribedLens(
        sphere=sphere,
        cylinder=cylinder or None,
        axis=float(axis) if cylinder else None,
        prism_h=prism,
        base_h=base,
    )
    value = Prescription(right=eye, left=eye, written_on=date(2026, 1, 2))
    got = read_vision_prescription(_write(value)).prescription
    assert (got.right, got.left) == (eye, eye)
