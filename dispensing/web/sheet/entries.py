"""Between the fields of the sheet and everything else: what is on record as entries, entries as values for a use case, and
entries laid over a Case so that checks can speak while somebody types."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from statistics import median
from typing import Any, cast

from dispensing import case as c
from dispensing import forms, gather, measure
from dispensing.forms import Entry, Parsed
from dispensing.models import Dispense, LensOption, Treatment
from dispensing.optics.notation import PrismText
from dispensing.record import frame_to_store

Entries = dict[str, Entry]
_BASE = {"prism_h": "base_h", "prism_v": "base_v", "near_prism_h": "near_base_h", "near_prism_v": "near_base_v"}


# --- on record ---------------------------------------------------------------------------------------------------------


def entries_of(dispense: Dispense, case: c.Case) -> Entries:
    """Every field of the sheet as it stands on record."""
    values = _needs(case) | _prescription(case) | _frame(case, dispense) | _fit(case, dispense) | _lens(case, dispense)
    values |= _reading_defaults(case)
    return {path: forms.filled(spec, values.get(path)) for path, spec in forms.all_specs().items()}


def _needs(case: c.Case) -> dict[str, Any]:
    n = case.needs
    return {
        "needs.uses": n.uses,
        "needs.working_distance_mm": n.working_distance_mm,
        "needs.first_progressive": n.first_progressive,
        "needs.wish": n.wish,
    }


def _prescription(case: c.Case) -> dict[str, Any]:
    p = case.prescription
    if p is None:
        return {}
    values: dict[str, Any] = {
        f"prescription.{name}": getattr(p, name)
        for name in ("vertex_mm", "written_on", "expires_on", "prescriber", "remark")
    }
    for eye in c.EYES:
        lens = p.of(eye)
        for path in forms.specs("prescription"):
            if not path.startswith(f"prescription.{eye}."):
                continue
            name = path.rpartition(".")[2]
            value = getattr(lens, name)
            if name in _BASE:
                value = PrismText(Decimal(str(value)), getattr(lens, _BASE[name])) if value else None
            values[path] = value
    return values


def _frame(case: c.Case, dispense: Dispense) -> dict[str, Any]:
    f = case.frame
    if f is None:
        return {}
    names = (*gather.FRAME_NUMBERS, "mount", "name", "material", "child")
    return {f"frame.{name}": getattr(f, name) for name in names}


def _fit(case: c.Case, dispense: Dispense) -> dict[str, Any]:
    f = case.fit
    return {
        "fit.adjusted": dispense.fit_adjusted,
        "fit.vertex_mm": f.vertex_mm,
        "fit.pantoscopic_deg": f.pantoscopic_deg,
        "fit.face_form_deg": f.face_form_deg,
    }


def _reading_defaults(case: c.Case) -> dict[str, Any]:
    """The methods last used here, so that they are not chosen again for every reading."""
    methods = {r.quantity in c.HEIGHTS: r for r in case.measurements.readings}
    pd, height = methods.get(False), methods.get(True)
    full_rim = case.frame is not None and case.frame.mount == "full_rim"
    height_method = (height.method if height else "") or ("clip_scale" if full_rim else "marked_lens")
    return {
        "readings.pd_method": (pd.method if pd else "") or "pupillometer",
        "readings.height_method": height_method,
        "readings.reference": (height.reference if height else "") or measure.METHOD_REFERENCE.get(height_method, "box"),
    }


def _lens(case: c.Case, dispense: Dispense) -> dict[str, Any]:
    lens = case.lens
    values: dict[str, Any] = {
        "lens.design": dispense.lens_option.lens_id if dispense.lens_option else None,
        "lens.material": dispense.lens_option.material_id if dispense.lens_option else None,
        "lens.blank_diameter_mm": lens.blank_diameter_mm,
        "lens.front_curve": lens.front_curve,
        "lens.coating": dispense.coating_id,
        "lens.tint": dispense.tint_id,
        "lens.compensation": lens.compensation,
        "lens.prism_thinning_down": lens.prism_thinning_down or None,
        "lens.slab_off": lens.slab_off,
        "lens.remark": lens.remark,
    }
    for eye in c.EYES:
        ordered = lens.ordered(eye)
        if ordered is None:
            continue
        for name in ("sphere", "cylinder", "axis", "add", "prism_in", "prism_up"):
            value = getattr(ordered, name)
            # an unused column is left blank, as it was typed
            values[f"lens.ordered_{eye}.{name}"] = value if value or name == "sphere" else None
    return values


# --- to a use case -----------------------------------------------------------------------------------------------------


def needs_values(p: Parsed) -> dict[str, Any]:
    return {
        "uses": p.value("needs.uses"),
        "working_distance_mm": p.value("needs.working_distance_mm"),
        "first_progressive": p.value("needs.first_progressive"),
        "wish": p.text("needs.wish"),
    }


def eye_values(p: Parsed, eye: str, at: str = "prescription") -> dict[str, Decimal | str | bool | None]:
    out: dict[str, Decimal | str | bool | None] = {}
    for path, entry in p.entries.items():
        if not path.startswith(f"{at}.{eye}."):
            continue
        name = path.rpartition(".")[2]
        if name in _BASE:
            prism: PrismText | None = entry.value
            out[name] = prism.amount if prism else None
            out[_BASE[name]] = (prism.base or "") if prism else ""
        else:
            out[name] = entry.value
    return out


def prescription_values(p: Parsed) -> dict[str, Any]:
    return {
        "right": eye_values(p, "right"),
        "left": eye_values(p, "left"),
        "vertex_mm": p.value("prescription.vertex_mm"),
        "written_on": p.value("prescription.written_on"),
        "expires_on": p.value("prescription.expires_on"),
        "prescriber": p.text("prescription.prescriber"),
        "remark": p.text("prescription.remark"),
        "as_written": p.as_written,
    }


def frame_values(p: Parsed, dispense: Dispense) -> dict[str, Any]:
    """Figures that differ from the catalogue are measured ones; name, material and child are the catalogue's own."""
    item = dispense.frame_item
    measured: dict[str, Any] = {name: p.value(f"frame.{name}") for name in gather.FRAME_NUMBERS}
    measured["mount"] = p.text("frame.mount")
    if item is None:
        measured |= {
            "name": p.text("frame.name"),
            "material": p.text("frame.material"),
            "child": bool(p.value("frame.child")),
        }
    else:
        measured = {n: v for n, v in measured.items() if v not in (None, "") and v != getattr(item, n)}
    return {"item": item, "measured": measured}


def fit_values(p: Parsed) -> dict[str, Any]:
    return {
        "adjusted": p.value("fit.adjusted"),
        "vertex_mm": p.value("fit.vertex_mm"),
        "pantoscopic_deg": p.value("fit.pantoscopic_deg"),
        "face_form_deg": p.value("fit.face_form_deg"),
    }


def lens_values(p: Parsed, rows: LensRows) -> dict[str, Any]:
    ordered = {
        eye: {
            name: p.value(f"lens.ordered_{eye}.{name}")
            for name in ("sphere", "cylinder", "axis", "add", "prism_in", "prism_up")
        }
        for eye in c.EYES
    }
    return {
        **rows.values(),
        "blank_diameter_mm": p.value("lens.blank_diameter_mm"),
        "front_curve": p.value("lens.front_curve"),
        "compensation": p.text("lens.compensation") or "none",
        "ordered": ordered,
        "prism_thinning_down": p.value("lens.prism_thinning_down"),
        "slab_off": bool(p.value("lens.slab_off")),
        "remark": p.text("lens.remark"),
    }


class LensRows:
    """The catalogue rows chosen in the lens part. Those already on the dispense cost no query."""

    def __init__(self, p: Parsed, dispense: Dispense) -> None:
        self.errors: dict[str, str] = {}
        self.option = self._option(p, dispense)
        self.coating = self._treatment(p, "coating", dispense.coating, dispense)
        self.tint = self._treatment(p, "tint", dispense.tint, dispense)

    def _option(self, p: Parsed, dispense: Dispense) -> LensOption | None:
        """The design in the material. A design without a material is taken where it is made in one only."""
        design, material, now = p.value("lens.design"), p.value("lens.material"), dispense.lens_option
        if design is None:
            if material is not None:
                self.errors["lens.design"] = "Choose the design too."
            return None
        if now is not None and (now.lens_id, now.material_id) == (design, material):
            return now
        made = list(
            LensOption.objects.filter(
                lens=design, lens__group=dispense.group_id, lens__retired_on=None, retired_on=None
            ).select_related("lens", "material")
        )
        if not made:
            self.errors["lens.design"] = "Not one of the choices."
            return None
        found = next(
            (o for o in made if o.material_id == material), made[0] if material is None and len(made) == 1 else None
        )
        if found is None:
            names = ", ".join(o.material.name for o in made)
            self.errors["lens.material"] = f"{made[0].lens.name} is made in {names}: choose one of these."
        return found

    def _treatment(self, p: Parsed, name: str, now: Treatment | None, dispense: Dispense) -> Treatment | None:
        key = p.value(f"lens.{name}")
        if key is None:
            return None
        if now is not None and now.pk == key:
            return now
        row = Treatment.objects.filter(group=dispense.group_id, kind=name, retired_on=None, pk=key).first()
        if row is None:
            self.errors[f"lens.{name}"] = "Not one of the choices."
        return row

    def values(self) -> dict[str, Any]:
        return {"option": self.option, "coating": self.coating, "tint": self.tint}


# --- over a Case -------------------------------------------------------------------------------------------------------


def overlay(case: c.Case, dispense: Dispense, parsed: Mapping[str, Parsed]) -> c.Case:
    """The Case as it would be if everything typed were saved. A field that cannot be read counts as not known."""
    if p := parsed.get("needs"):
        case = replace(
            case,
            needs=c.Needs(
                uses=tuple(cast("Any", p.value("needs.uses") or ())),
                working_distance_mm=_float(p.value("needs.working_distance_mm")),
                first_progressive=bool(p.value("needs.first_progressive")),
                wish=p.text("needs.wish"),
            ),
        )
    if p := parsed.get("prescription"):
        case = replace(case, prescription=_typed_prescription(case.prescription, p))
    if p := parsed.get("frame"):
        stored = frame_to_store(**frame_values(p, dispense)) if dispense.frame or _anything(p) else {}
        case = replace(case, frame=gather.frame_of(stored))
    if p := parsed.get("fit"):
        case = replace(
            case,
            fit=replace(
                case.fit,
                vertex_mm=_float(p.value("fit.vertex_mm")),
                pantoscopic_deg=_float(p.value("fit.pantoscopic_deg")),
                face_form_deg=_float(p.value("fit.face_form_deg")),
            ),
        )
    if p := parsed.get("lens"):
        values = lens_values(p, LensRows(p, dispense))
        ordered = values.pop("ordered")
        lens = gather.lens_choice_of(
            values.pop("option"),
            mount=case.frame.mount if case.frame else None,
            coating=values.pop("coating"),
            tint=values.pop("tint"),
            blank_diameter_mm=_float(values["blank_diameter_mm"]),
            front_curve=_float(values["front_curve"]),
            compensation=values["compensation"],
            ordered_right=gather.ordered_power_of(ordered["right"]) if values["compensation"] != "none" else None,
            ordered_left=gather.ordered_power_of(ordered["left"]) if values["compensation"] != "none" else None,
            prism_thinning_down=_float(values["prism_thinning_down"]) or 0.0,
            slab_off=values["slab_off"],
            remark=values["remark"],
        )
        case = replace(case, lens=lens)
    if p := parsed.get("readings"):
        typed = tuple(_typed_reading(r, case) for r in forms.typed_readings(p).readings if _plausible(r))
        if typed:
            m = case.measurements
            case = replace(case, measurements=replace(m, readings=m.readings + typed))
    return case


def typed_values(parsed: Mapping[str, Parsed]) -> dict[tuple[str, str], tuple[float, str]]:
    """Readings that are typed: the middle one of each quantity and eye, mm, and what a height is measured from."""
    p = parsed.get("readings")
    values: dict[tuple[str, str], list[float]] = {}
    for r in forms.typed_readings(p).readings if p else ():
        if _plausible(r):
            values.setdefault((r.quantity, r.eye), []).append(float(r.value))
    reference = p.text("readings.reference") if p else ""
    return {key: (median(found), reference or "box") for key, found in values.items()}


def _float(value: Any) -> float | None:
    return None if value is None else float(value)


def _anything(p: Parsed) -> bool:
    return any(e.typed for e in p.entries.values())


def _typed_prescription(before: c.Prescription | None, p: Parsed) -> c.Prescription | None:
    if before is None and not _anything(p):
        return None
    right = gather.prescribed_lens_of(eye_values(p, "right"))
    left = gather.prescribed_lens_of(eye_values(p, "left"))
    same = before is not None and (right, left) == (before.right, before.left)
    return c.Prescription(
        right=right,
        left=left,
        vertex_mm=_float(p.value("prescription.vertex_mm")),
        written_on=p.value("prescription.written_on"),
        expires_on=p.value("prescription.expires_on"),
        prescriber=p.text("prescription.prescriber"),
        remark=p.text("prescription.remark"),
        source=before.source if before and same else "typed",
        read_back=before.read_back if before and same else None,
    )


def _plausible(reading: measure.NewReading) -> bool:
    low, high = measure.BOUNDS[(reading.quantity, reading.eye == "both")]
    return low <= reading.value <= high


def _typed_reading(reading: measure.NewReading, case: c.Case) -> c.Reading:
    return c.Reading(
        quantity=cast("c.Quantity", reading.quantity),
        eye=cast("Any", reading.eye),
        value=float(reading.value),
        method=cast("c.Method | None", reading.method or None),
        reference=cast("c.HeightReference | None", reading.reference or None),
        frame_identity=case.frame.identity if case.frame else "",
        observer_level=reading.observer_level,
        observer_above_mm=_float(reading.observer_above_mm),
        observer_distance_mm=_float(reading.observer_distance_mm),
    )
