"""A prescription written as a VisionPrescription: the same text is valid R4, R4B and R5."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal

import orjson

from dispensing.case import PrescribedLens, Prescription
from dispensing.fhir import received
from dispensing.fhir.values import PRODUCT_SYSTEM, FhirProblem, Problem


def write_vision_prescription(
    *,
    prescription: Prescription,
    identifier: str,
    identifier_system: str,
    patient: str,
    prescriber: str = "",
    created: date | datetime,
    status: Literal["active", "cancelled", "draft", "entered-in-error"] = "active",
) -> str:
    """The prescription as FHIR JSON (the same text is valid R4, R4B and R5), powers with their two decimals.

    `patient` is a reference of ours, never a name: the document may travel. What the resource has no element for (vertex
    distance, intermediate addition, near prism, a near row, a balance lens) is written as a note for people to read.
    Raises FhirProblem when the prescription lacks what FHIR requires or holds what it cannot carry (half degrees).
    """
    if prescription.written_on is None:
        raise FhirProblem(Problem("dateWritten", "The day the prescription was written is needed."))
    if isinstance(created, datetime) and created.tzinfo is None:
        raise FhirProblem(Problem("created", "A time needs its offset from UTC."))
    lenses: list[dict[str, Any]] = []
    for eye, lens in (("right", prescription.right), ("left", prescription.left)):
        if lens != PrescribedLens():
            lenses.append(_write_lens(eye, lens, prescription.vertex_mm, f"lensSpecification[{len(lenses)}]"))
    document = {
        "resourceType": "VisionPrescription",
        "identifier": [{"system": identifier_system, "value": identifier}],
        "status": status,
        "created": created.isoformat(),
        "patient": {"reference": f"Patient/{patient}"},
        "dateWritten": prescription.written_on.isoformat(),
        "prescriber": {"type": "Practitioner", "display": prescription.prescriber or prescriber or "not stated"},
        "lensSpecification": lenses,
    }
    text = orjson.dumps(document, option=orjson.OPT_INDENT_2).decode()
    data = received.parse(text)
    received.refuse_other_shapes(data)
    received.validate_shape(data)
    return text


def _write_lens(eye: str, lens: PrescribedLens, vertex_mm: float | None, at: str) -> dict[str, Any]:
    out: dict[str, Any] = {"product": {"coding": [{"system": PRODUCT_SYSTEM, "code": "lens"}]}, "eye": eye}
    if lens.sphere is not None:
        out["sphere"] = _written(lens.sphere)
    if lens.cylinder:
        if lens.axis is None:
            raise FhirProblem(Problem(f"{at}.axis", "There is a cylinder, but no axis."))
        if lens.axis % 1:
            raise FhirProblem(Problem(f"{at}.axis", "FHIR carries whole degrees only."))
        out["cylinder"], out["axis"] = _written(lens.cylinder), int(lens.axis)
    prisms = ((lens.prism_h, lens.base_h), (lens.prism_v, lens.base_v))
    for amount, base in prisms:
        if amount:
            if base is None:
                raise FhirProblem(Problem(f"{at}.prism", "There is a prism, but no base."))
            out.setdefault("prism", []).append({"amount": _written(amount), "base": base})
    if lens.add:
        out["add"] = _written(lens.add)
    if notes := _notes(lens, vertex_mm):
        out["note"] = [{"text": n} for n in notes]
    return out


def _notes(lens: PrescribedLens, vertex_mm: float | None) -> list[str]:
    notes = [
        ("Vertex distance {:g} mm", vertex_mm),
        ("Intermediate addition {:+.2f}", lens.intermediate_add),
        ("Near sphere {:+.2f}", lens.near_sphere),
        ("Near prism {:.2f} base " + (lens.near_base_h or "not stated"), lens.near_prism_h or None),
        ("Near prism {:.2f} base " + (lens.near_base_v or "not stated"), lens.near_prism_v or None),
    ]
    out = [form.format(value) for form, value in notes if value is not None]
    return [*out, "Balance lens"] if lens.balance else out


def _written(value: float) -> orjson.Fragment:
    """Two decimals, always, and no negative zero; a plain float would be written as -2.0."""
    return orjson.Fragment(f"{round(value, 2) + 0.0:.2f}")
