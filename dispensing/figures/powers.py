"""Prescribed, ordered, wanted and effective powers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from dispensing.case import Case, Eye, LensChoice, Needs, OrderedPower, PrescribedLens
from dispensing.figures.usual import FAILED, NEAR_USES, NEARER_USES, VERTEX_MATTERS_D, Notes, number
from dispensing.optics import tilt
from dispensing.optics.power import Power


def near_only(needs: Needs, lens: LensChoice) -> bool:
    """Single vision for near or intermediate work alone: it is made to the near power and centred on the near PD."""
    return (
        lens.design is not None
        and lens.design.family == "single_vision"
        and bool(needs.uses)
        and NEARER_USES.issuperset(needs.uses)
    )


def _intermediate(needs: Needs) -> bool:
    return not NEAR_USES.intersection(needs.uses)


@dataclass(frozen=True, slots=True)
class Asked:
    """One eye of the prescription as the lens is to have it (near power for a near pair)."""

    power: Power
    add: float | None
    prism_in: float | None
    prism_up: float | None
    near: bool


def _asked(case: Case, eye: Eye, rx: PrescribedLens, notes: Notes, figures: tuple[str, ...]) -> Asked | None:
    at = f"prescription.{eye}"
    sphere, cylinder, axis = number(rx.sphere), number(rx.cylinder) or 0.0, number(rx.axis)
    missing = []
    if sphere is None:
        missing.append(f"{at}.sphere")
    if cylinder and axis is None:
        missing.append(f"{at}.axis")
    add = number(rx.add)
    near_pair = near_only(case.needs, case.lens)
    extra = 0.0
    if near_pair and sphere is not None:
        if _intermediate(case.needs):
            extra = number(rx.intermediate_add) or (0.5 * add if add is not None else 0.0)
        elif add is not None:
            extra = add
        elif (near_sphere := number(rx.near_sphere)) is not None:
            extra = near_sphere - sphere
    if missing or sphere is None:
        for name in figures:
            notes.lack(f"{eye}.{name}", *missing)
        return None
    try:
        power = Power(sphere + extra, cylinder, axis if axis is not None and cylinder else 180.0)
    except FAILED:
        for name in figures:
            notes.lack(f"{eye}.{name}", f"{at}.sphere", f"{at}.cylinder", f"{at}.axis")
        return None
    prism_in, prism_up = rx.prism_in, rx.prism_up
    if near_pair and (rx.near_prism_h is not None or rx.near_prism_v is not None):
        prism_in, prism_up = _near_prism(rx)
    if not near_pair and add is None and (near_sphere := number(rx.near_sphere)) is not None and near_sphere > sphere:
        add = near_sphere - sphere
    return Asked(power, None if near_pair else add, prism_in, prism_up, near_pair)


def prescribed_power(case: Case, eye: Eye) -> Power | None:
    """What is prescribed for this lens (the near power, for a near pair), or None when it cannot be read."""
    asked = None if case.prescription is None else _asked(case, eye, case.prescription.of(eye), Notes(), ())
    return asked.power if asked else None


def _near_prism(rx: PrescribedLens) -> tuple[float | None, float | None]:
    as_distance = replace(
        rx, prism_h=rx.near_prism_h, base_h=rx.near_base_h, prism_v=rx.near_prism_v, base_v=rx.near_base_v
    )
    return as_distance.prism_in, as_distance.prism_up


_POWER_FIGURES = ("ordered", "at_eye", "expected", "principal_max", "vertical_power", "blank_needed", "mass_g")


def fill_powers(case: Case, eye: Eye, out: dict[str, Any], notes: Notes) -> tuple[Asked | None, Power | None]:
    """Fills ordered, at_eye, expected, principal_max, vertical_power. Returns what was prescribed and the ordered power."""
    rx = case.prescription
    if rx is None:
        for name in _POWER_FIGURES:
            notes.lack(f"{eye}.{name}", "prescription")
        return None, None
    asked = _asked(case, eye, rx.of(eye), notes, _POWER_FIGURES)
    stated = case.lens.ordered(eye)
    ordered_power = asked.power if asked else None
    if stated is not None:
        try:
            if number(stated.prism_in) is None or number(stated.prism_up) is None:
                raise ValueError("prism")
            ordered_power = Power(stated.sphere, stated.cylinder, stated.axis if stated.axis and stated.cylinder else 180.0)
            out["ordered"] = stated
            for name in ("ordered", "principal_max", "vertical_power"):
                notes.unknown.pop(f"{eye}.{name}", None)
        except FAILED:
            ordered_power = None
            for name in _POWER_FIGURES:
                notes.lack(f"{eye}.{name}", f"lens.ordered_{eye}")
    elif asked is not None:
        prism_in, prism_up = asked.prism_in, asked.prism_up
        if prism_in is None or prism_up is None:
            paths = [f"prescription.{eye}.base_h"] * (prism_in is None) + [f"prescription.{eye}.base_v"] * (
                prism_up is None
            )
            notes.lack(f"{eye}.ordered", *paths)
        else:
            out["ordered"] = _order(asked.power, asked.add, prism_in, prism_up)
    if ordered_power is None:
        return asked, None
    out["principal_max"] = ordered_power.strongest.power
    out["vertical_power"] = ordered_power.vertical
    _worn(case, eye, asked, ordered_power, out, notes)
    return asked, ordered_power


def _order(power: Power, add: float | None, prism_in: float, prism_up: float) -> OrderedPower:
    return OrderedPower(
        sphere=power.sphere,
        cylinder=power.cylinder,
        axis=power.axis if power.cylinder else None,
        prism_in=prism_in,
        prism_up=prism_up,
        add=add,
    )


def worn_at(case: Case, eye: Eye, strongest: float, notes: Notes) -> tuple[dict[str, Any] | None, tuple[str, ...]]:
    """How this lens is worn, as `tilt.power_to_order` takes it, for a power of this size; or None and the paths that are missing."""
    tested = number(case.prescription.vertex_mm) if case.prescription else None
    fitted = number(case.fit.vertex_mm)
    if tested is None or fitted is None:
        if strongest >= VERTEX_MATTERS_D:
            lacking = ("prescription.vertex_mm",) * (tested is None) + ("fit.vertex_mm",) * (fitted is None)
            return None, lacking
        notes.assumed["fit.vertex_mm" if fitted is None else "prescription.vertex_mm"] = (
            "Vertex distance taken as unchanged since the test: below 5.00 D it makes little difference."
        )
        tested = fitted = tested or fitted or 13.0
    pantoscopic, face_form = number(case.fit.pantoscopic_deg), number(case.fit.face_form_deg)
    if pantoscopic is None:
        pantoscopic = 0.0
        notes.assumed["fit.pantoscopic_deg"] = "Pantoscopic angle not on record: taken as 0."
    if face_form is None:
        face_form = (number(case.frame.face_form_deg) if case.frame else None) or 0.0
        notes.assumed["fit.face_form_deg"] = f"Face form as worn not on record: taken as {face_form:g}."
    index = number(case.lens.material.nd) if case.lens.material else None
    if index is None:
        index = 1.5
        if pantoscopic or face_form:
            notes.assumed["lens.material"] = "Material not on record: 1.5 taken for the effect of tilt."
    return {
        "pantoscopic": pantoscopic,
        "face_form": face_form,
        "index": index,
        "eye": eye,
        "fitted_vertex_mm": fitted,
        "tested_vertex_mm": tested,
    }, ()


def _worn(case: Case, eye: Eye, asked: Asked | None, ordered: Power, out: dict[str, Any], notes: Notes) -> None:
    """at_eye and expected: vertex distance and tilts as worn, stated at the vertex distance of the test."""
    strongest = max(abs(ordered.strongest.power), abs(asked.power.strongest.power) if asked else 0.0)
    how, lacking = worn_at(case, eye, strongest, notes)
    if how is None:
        notes.lack(f"{eye}.at_eye", *lacking)
        notes.lack(f"{eye}.expected", *lacking)
        return
    paths = ("fit.vertex_mm", "fit.pantoscopic_deg", "fit.face_form_deg")
    order = out.get("ordered")
    if order is not None:
        try:
            reaches = tilt.effect_at_eye(ordered, **how)
            out["at_eye"] = _order(reaches, order.add, order.prism_in, order.prism_up)
        except FAILED:
            notes.lack(f"{eye}.at_eye", *paths)
    if asked is None or asked.prism_in is None or asked.prism_up is None:
        return
    try:
        wanted = tilt.power_to_order(asked.power, **how)
        out["expected"] = _order(wanted, asked.add, asked.prism_in, asked.prism_up)
    except FAILED:
        notes.lack(f"{eye}.expected", *paths)
