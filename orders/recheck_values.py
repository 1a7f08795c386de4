"""What a changed limit or catalogue entry says, put into a Case: the dispense as it would be with it, everything else as recorded."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from dispensing.case import Case, DrillPoint
from dispensing.catalogue import LENS_BOUNDS
from dispensing.gather import FRAME_NUMBERS, design_of, front_curves_of
from dispensing.lens_parts import MATERIAL_BOUNDS, TINT_FIGURES
from dispensing.models import Dispense, LensOption
from orders.models import Recheck

ENDS = ("valid_until", "retired_on")  # days after which an entry cannot be chosen any more
LENS_FIELDS = ("family", *LENS_BOUNDS, "treatment_codes", *ENDS)
_MIN_EDGE = {"full_rim": "min_edge_full_mm", "grooved": "min_edge_grooved_mm", "drilled": "min_edge_drilled_mm"}
_OF_DESIGN = ("sphere_min", "sphere_max", "cylinder_max", "prism_max", "blank_diameters", "base_curves")
MATERIAL_FIELDS = (*MATERIAL_BOUNDS, "impact", "drilled", "grooved", "glass")
TREATMENT_FIELDS = (*TINT_FIGURES, "retired_on")
OPTION_FIELDS = (*_OF_DESIGN, "min_centre_mm", *_MIN_EDGE.values(), *ENDS)
FRAME_FIELDS = (*FRAME_NUMBERS, "mount", "material", "child", "outline", "drill_points", "retired_on")


def option_code(option: LensOption) -> str:
    return f"{option.lens.code}/{option.material.code}"[:80]


def still_chosen(recheck: Recheck, dispense: Dispense) -> bool:
    """Whether the entry that was changed is the one the dispense uses now; a limit concerns everything."""
    option, frame = dispense.lens_option, dispense.frame_item
    if recheck.kind == Recheck.Kind.LIMIT:
        return True
    if recheck.kind == Recheck.Kind.FRAME:
        return frame is not None and frame.code == recheck.subject
    if recheck.kind == Recheck.Kind.TREATMENT:
        return recheck.subject in {t.code for t in (dispense.coating, dispense.tint) if t is not None}
    if option is None:
        return False
    if recheck.kind == Recheck.Kind.MATERIAL:
        return recheck.subject == option.material.code
    return recheck.subject == (option.lens.code if recheck.kind == Recheck.Kind.LENS else option_code(option))


def both_ways(recheck: Recheck, case: Case, option: LensOption | None) -> tuple[Case, Case]:
    """A Case before and after the change, as it is recorded now. `option`: the lens that is chosen.

    Where an end was set, an end that another entry was given since does not count before: two retired one after the other, and
    judged after both, would each find that the other had ended it already, and neither would be told.
    """
    if recheck.kind in (Recheck.Kind.MATERIAL, Recheck.Kind.TREATMENT):
        was, now = (_with_part(case, recheck, values) for values in (recheck.before, recheck.after))
        return was, now
    before, after = (with_values(case, recheck.kind, v, recheck.before, option) for v in (recheck.before, recheck.after))
    set_to = [_end(n, v) for n, v in recheck.after.items() if n in ENDS and v and not recheck.before.get(n)]
    design = before.lens.design
    if set_to and design is not None and design.offered_until is not None and design.offered_until >= min(set_to):
        before = replace(before, lens=replace(before.lens, design=replace(design, offered_until=None)))
    return before, after


def _end(name: str, value: str) -> date:
    """The last day, as a value of a change says it."""
    return date.fromisoformat(value) - timedelta(days=name == "retired_on")


def with_values(
    case: Case, kind: str, values: Mapping[str, Any], was: Mapping[str, Any], option: LensOption | None = None
) -> Case:
    """A Case as it would be with these values of the limit or entry that was changed; everything else as recorded.

    A frame's figures are copied into a dispense and may have been measured since: only figures that still are, or have become,
    the catalogue's own follow it. `option`: the lens that is chosen; its last day hangs on four days of design and option.
    """
    ends = {n: v for n, v in values.items() if n in ENDS}
    values = {n: v for n, v in values.items() if n not in ENDS}
    if ends and kind != Recheck.Kind.FRAME and option is not None and case.lens.design is not None:
        last = _last_day(option, kind, ends)
        case = replace(case, lens=replace(case.lens, design=replace(case.lens.design, offered_until=last)))
    if kind == Recheck.Kind.LIMIT:
        limits = dict(case.rules.limits)
        for name, value in values.items():
            limits.pop(name, None)
            if value is not None:
                limits[name] = float(value)
        return replace(case, rules=replace(case.rules, limits=tuple(sorted(limits.items()))))
    if kind == Recheck.Kind.OPTION:
        return _with_option(case, values)
    if kind == Recheck.Kind.LENS:
        design = case.lens.design
        if design is None:
            return case
        put: dict[str, Any] = {n: v if n == "family" else _float(v) for n, v in values.items() if n != "treatment_codes"}
        if "treatment_codes" in values:
            put["made_with"] = tuple(values["treatment_codes"] or ())
        if put.get("cross_above_prism_point_mm", 0) is None:
            put["cross_above_prism_point_mm"] = type(design)().cross_above_prism_point_mm
        return replace(case, lens=replace(case.lens, design=replace(design, **put)))
    frame = case.frame
    if frame is None:
        return case
    put = {n: frame_value(n, v) for n, v in values.items() if getattr(frame, n) == frame_value(n, was.get(n))}
    return replace(case, frame=replace(frame, **put))


def _with_part(case: Case, recheck: Recheck, values: Mapping[str, Any]) -> Case:
    """A Case with these values of its material, its tint or its coating."""
    lens = case.lens
    if recheck.kind == Recheck.Kind.MATERIAL:
        if lens.material is None:
            return case
        made: dict[str, Any] = {n: float(v) if n in MATERIAL_BOUNDS else v for n, v in values.items()}
        return replace(case, lens=replace(lens, material=replace(lens.material, **made)))
    put: dict[str, Any] = {n: _float(v) for n, v in values.items() if n in TINT_FIGURES}
    ends: dict[str, Any] = (
        {"offered_until": _end("retired_on", v) if (v := values["retired_on"]) else None} if "retired_on" in values else {}
    )
    if lens.tint is not None and lens.tint.code == recheck.subject:
        return replace(case, lens=replace(lens, tint=replace(lens.tint, **put, **ends)))
    return replace(case, lens=replace(lens, coating_offered_until=ends["offered_until"])) if ends else case


def _with_option(case: Case, values: Mapping[str, Any]) -> Case:
    """The least edge is that of the frame's mount; ranges and blanks belong to the design as it is made in this material."""
    lens, design = case.lens, case.lens.design
    if design is None:
        return case
    made: dict[str, Any] = {
        n: tuple(float(d) for d in v or ()) if n == "blank_diameters" else _float(v)
        for n, v in values.items()
        if n in _OF_DESIGN and n != "base_curves"
    }
    if "base_curves" in values:
        made["front_curves"] = front_curves_of(values["base_curves"] or ())
    least: dict[str, Any] = {"min_centre_mm": _float(values["min_centre_mm"])} if "min_centre_mm" in values else {}
    edge = _MIN_EDGE.get((case.frame.mount if case.frame else None) or "")
    if edge is not None and edge in values:
        least["min_edge_mm"] = _float(values[edge])
    return replace(case, lens=replace(lens, design=replace(design, **made), **least))


def _last_day(option: LensOption, kind: str, ends: Mapping[str, Any]) -> date | None:
    lens, made = copy(option.lens), copy(option)
    for name, value in ends.items():
        setattr(lens if kind == Recheck.Kind.LENS else made, name, date.fromisoformat(value) if value else None)
    made.lens = lens
    return design_of(made).offered_until


def _float(value: Any) -> float | None:
    return None if value in (None, "") else float(value)


def frame_value(name: str, value: Any) -> Any:
    """A plain value of a frame as a Case holds it."""
    if name in FRAME_NUMBERS:
        return _float(value)
    if name == "outline":
        return tuple(float(r) for r in value or ())
    if name == "drill_points":
        return tuple(DrillPoint(x=float(p["x"]), y=float(p["y"]), diameter=float(p["diameter"])) for p in value or ())
    return bool(value) if name == "child" else value or (None if name == "mount" else "")
