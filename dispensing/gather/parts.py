"""Person, prescription, frame and the branch's rules as plain values, each usable by itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, Literal, cast

from dispensing import case as c
from dispensing.models import Prescription, PrescriptionEye
from practice.models import Branch, Client

EYE_NUMBERS = (
    "sphere",
    "cylinder",
    "axis",
    "add",
    "intermediate_add",
    "near_sphere",
    "prism_h",
    "prism_v",
    "near_prism_h",
    "near_prism_v",
)
EYE_BASES = ("base_h", "base_v", "near_base_h", "near_base_v")
FRAME_NUMBERS = ("a", "b", "dbl", "ed", "side", "front_curve", "face_form_deg", "groove_mm")


def number(value: Any) -> float | None:
    return None if value is None or value == "" else float(value)


def age_in_years(born: date, today: date) -> float:
    """Completed years and the fraction of the running one; a birthday counts from its own day, 29 February on 1 March."""

    def birthday(year: int) -> date:
        try:
            return born.replace(year=year)
        except ValueError:
            return date(year, 3, 1)

    years = today.year - born.year - (today < birthday(today.year))
    last, following = birthday(born.year + years), birthday(born.year + years + 1)
    return years + (today - last).days / (following - last).days


def person_of(client: Client, today: date) -> c.Person:
    return c.Person(
        age_years=age_in_years(client.date_of_birth, today),
        sex=cast("Literal['female', 'male'] | None", client.sex or None),
        sight_impaired=client.sight_impaired,
        useful_eye=cast("c.Eye | None", client.useful_eye or None),
        notes=tuple(line.strip() for line in client.notes.splitlines() if line.strip()),
    )


def prescribed_lens_of(eye: PrescriptionEye | Mapping[str, Any]) -> c.PrescribedLens:
    """One eye from its row, or from a mapping with the same names (values typed but not saved yet)."""

    def get(name: str) -> Any:
        return eye.get(name) if isinstance(eye, Mapping) else getattr(eye, name)

    values: dict[str, Any] = {name: number(get(name)) for name in EYE_NUMBERS}
    values |= {name: get(name) or None for name in EYE_BASES}
    return c.PrescribedLens(
        **values,
        balance=bool(get("balance")),
        acuity=get("acuity") or "",
        near_acuity=get("near_acuity") or "",
    )


def prescription_of(prescription: Prescription, eyes: Iterable[PrescriptionEye]) -> c.Prescription:
    by_eye = {e.eye: prescribed_lens_of(e) for e in eyes}
    return c.Prescription(
        right=by_eye.get("right", c.PrescribedLens()),
        left=by_eye.get("left", c.PrescribedLens()),
        vertex_mm=number(prescription.vertex_mm),
        written_on=prescription.written_on,
        expires_on=prescription.expires_on,
        prescriber=prescription.prescriber,
        source=cast("Literal['typed', 'imported']", prescription.source),
        read_back=cast("Literal['matched', 'differs'] | None", prescription.read_back or None),
        remark=prescription.remark,
    )


def frame_of(stored: Mapping[str, Any]) -> c.Frame | None:
    """The frame as it was copied into the dispense (`frame_to_store`); None when there is none yet."""
    if not stored:
        return None
    return c.Frame(
        identity=stored.get("identity", ""),
        name=stored.get("name", ""),
        model=stored.get("model", ""),
        own=bool(stored.get("own", False)),
        child=bool(stored.get("child", False)),
        mount=stored.get("mount") or None,
        material=stored.get("material", ""),
        outline=tuple(float(r) for r in stored.get("outline", ())),
        drill_points=tuple(
            c.DrillPoint(x=float(p["x"]), y=float(p["y"]), diameter=float(p["diameter"]))
            for p in stored.get("drill_points", ())
        ),
        **{name: number(stored.get(name)) for name in FRAME_NUMBERS},
    )


def rules_of(branch: Branch) -> c.Rules:
    return c.Rules(
        restricted_below_age=branch.restricted_below_age,
        prescription_valid_months=branch.prescription_valid_months,
        registered_may_use_expired=branch.registered_may_use_expired,
        tolerance_standard=cast("Any", branch.tolerance_standard),
        groove_mm=float(branch.groove_mm),
        cylinder_form=cast("Any", branch.cylinder_form),
        limits=tuple(
            sorted((name, float(v["value"] if isinstance(v, Mapping) else v)) for name, v in branch.limits.items())
        ),
    )
