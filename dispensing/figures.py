"""Figures: everything computed from a Case, once.

`compute(case)` never raises for a Case that can be built: what cannot be computed is None, and `unknown` says what is missing.
All arithmetic is in `dispensing.optics`; this module only decides what is fed to it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

from dispensing.case import EYES, SEGMENTED, Case, Eye, Frame, LensChoice, Needs, OrderedPower, PrescribedLens
from dispensing.optics import (
    boxing,
    chromatic,
    consequence,
    heights,
    magnification,
    near,
    outlines,
    thickness,
    tilt,
    tolerance,
)
from dispensing.optics.boxing import Box
from dispensing.optics.power import Power
from dispensing.optics.prism import prism_at
from dispensing.optics.thickness import Lens, Spec
from dispensing.optics.vertex import curve_in_index


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFigures:
    """Of one eye. x nasal, y up, mm from the boxed centre unless said."""

    # where the lens goes
    far_pd: float | None = None
    near_pd: float | None = None
    near_pd_computed: float | None = None  # from the far PD and the working distance
    height_box: float | None = None  # fitting height above the lower box tangent
    height_rim: float | None = None  # above the rim straight below the pupil
    height_datum: float | None = None  # above the datum line
    decentration_in: float | None = None  # c/2 - PD
    decentration_up: float | None = None  # height - b/2
    point_inside: bool | None = None  # fitting point inside the outline
    room_above: float | None = None  # fitting point to the outline straight above
    room_below: float | None = None
    # the blank
    blank_needed: float | None = None  # exact least uncut diameter, from the outline
    blank_rule: float | None = None  # rule of thumb: ed + 2 x decentration + 2
    blank_needs_at_deg: float | None = None  # direction of the outline point that needs it, from the boxed centre
    reference_x: float | None = None  # where the optical centre (prism reference point) lies: what the blank is centred on
    reference_y: float | None = None
    # powers
    ordered: OrderedPower | None = None  # what is asked of the lab
    at_eye: OrderedPower | None = None  # what reaches the eye with this vertex distance and these tilts
    expected: OrderedPower | None = None  # what ought to be ordered for this fit by computation
    principal_max: float | None = None  # greater principal power by size, signed, distance
    # prism of the finished lens at the fitting point from the optical centre placement, and prescribed
    prism_in: float | None = None
    prism_up: float | None = None
    # near
    near_inset: float | None = None
    segment_top_below_pupil: float | None = None
    corridor_end_height: float | None = None  # near point above the lower box tangent
    # substance
    front_curve: float | None = None
    centre_thickness: float | None = None
    edge_thinnest: float | None = None
    edge_thinnest_at_deg: float | None = None
    edge_thickest: float | None = None
    edge_thickest_at_deg: float | None = None
    edge_at_drill_points: tuple[float, ...] = ()
    edge_profile: tuple[float, ...] = ()  # thickness at each outline point
    volume_mm3: float | None = None
    mass_g: float | None = None
    # seeing
    chromatic_blur: float | None = None  # transverse chromatic aberration at the usual gaze angle, prism dioptres
    magnification_percent: float | None = None
    vertical_power: float | None = None  # power in the vertical meridian (distance)
    image_jump: float | None = None
    # need: the greatest error that keeps this lens within the tolerance standard, 1 mm for a fitting cross or segment top;
    # 30 mm (vertex 15 mm) says that no error that can happen matters
    pd_need_mm: float | None = None
    height_need_mm: float | None = None
    vertex_need_mm: float | None = None
    prism_per_mm_h: float | None = None  # prism made by 1 mm of horizontal error
    prism_per_mm_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    right: LensFigures = LensFigures()
    left: LensFigures = LensFigures()
    binocular_far_pd: float | None = None  # sum of the adopted monocular values
    binocular_near_pd: float | None = None
    box_centre_distance: float | None = None  # c = a + d
    net_prism_h: float | None = None  # pair: in + in, base in positive
    net_prism_v: float | None = None  # pair: right up - left up
    vertical_imbalance_near: float | None = None  # R minus L at the reading level, base up positive
    magnification_difference_percent: float | None = None
    prism_tolerance_h: float | None = None  # pair, by the branch's standard
    prism_tolerance_v: float | None = None
    mass_g: float | None = None  # both lenses
    unknown: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # figure path -> paths of what is missing
    outline_assumed: bool = (
        False  # no outline on record: a shape with the frame's a, b and effective diameter stands in for it
    )
    assumed: Mapping[str, str] = field(
        default_factory=dict
    )  # figure or field path -> the usual value taken for want of another

    def of(self, eye: Eye) -> LensFigures:
        return self.right if eye == "right" else self.left


# --- usual values, taken where nothing is on record; each use is written into `assumed` ------------------------------

WORKING_MM = 400.0  # near task; common practice
ROTATION_MM = 27.0  # lens to centre of rotation where no vertex distance is known; UK teaching
READING_DROP_MM = 10.0  # reading level below the distance centre; 8-12, common practice
GAZE_DEG = 20.0  # an eye turns about this far before the head follows; common practice
SEGMENT_BELOW_BLANK_CENTRE_MM = 4.0  # segment top in a semi-finished blank; makers differ, common practice
POSITION_MM = 1.0  # fitting cross each way, segment top up and down; ISO 21987:2017 (from memory)
VERTEX_MATTERS_D = 5.0  # from here on a power needs its vertex distance; BS 2738-3 (from memory), ABDO advice
EDGE_MM: Mapping[str, float] = {"full_rim": 1.0, "grooved": 1.6, "drilled": 2.0}  # common practice
ASSUMED_SHAPE = "quadra_soft"
NEAR_USES = frozenset({"near"})
NEARER_USES = frozenset({"near", "intermediate", "screens"})
FAILED = (ArithmeticError, ValueError)  # OpticsError is a ValueError: a value no lens can have; the checks say so


def usual_centre_mm(nd: float, glass: bool) -> float:
    """Least centre thickness where the maker states none, mm (common practice, published dispensing advice)."""
    return 2.0 if glass or nd < 1.525 else 1.5


class _Notes:
    """What is missing and what was taken for granted, gathered while computing."""

    __slots__ = ("assumed", "unknown")

    def __init__(self) -> None:
        self.unknown: dict[str, tuple[str, ...]] = {}
        self.assumed: dict[str, str] = {}

    def lack(self, where: str, *paths: str) -> None:
        self.unknown[where] = tuple(dict.fromkeys(self.unknown.get(where, ()) + paths))


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


@dataclass(frozen=True, slots=True)
class _Front:
    """The frame as the optics need it."""

    shape: Box | None
    assumed: bool
    a: float | None
    b: float | None
    c: float | None
    ed: float | None
    groove: float


@lru_cache(maxsize=256)
def _stand_in(a: float, b: float, ed: float | None) -> Box | None:
    """A box for a frame without a trace. An effective diameter out of the shape's reach is brought to its nearest."""
    try:
        if ed is not None:
            least, most = outlines.reach(a, b, ASSUMED_SHAPE)
            ed = min(max(ed, least), most)
        return boxing.box(outlines.outline_for(a, b, ed, ASSUMED_SHAPE))
    except FAILED:
        return None


def _front(case: Case, notes: _Notes) -> _Front:
    frame = case.frame
    if frame is None:
        return _Front(None, False, None, None, None, None, 0.0)
    a, b, dbl, ed = _number(frame.a), _number(frame.b), _number(frame.dbl), _number(frame.ed)
    shape, assumed = None, False
    if frame.outline:
        try:
            shape = boxing.box(frame.outline)
        except FAILED as why:
            notes.assumed["frame.outline"] = f"The outline on record cannot be used: {why}"
    if shape is None and a is not None and b is not None:
        shape = _stand_in(a, b, ed)
        assumed = shape is not None
        if assumed:
            notes.assumed.setdefault("frame.outline", "A shape with the frame's box and effective diameter stands in.")
    if shape is not None:
        a, b, ed = a or shape.a, b or shape.b, ed or shape.ed
    groove = 0.0 if frame.mount == "drilled" else _number(frame.groove_mm)
    if groove is None:
        groove = case.rules.groove_mm
    return _Front(shape, assumed, a, b, None if a is None or dbl is None else a + dbl, ed, groove)


def _lacking_frame(frame: Frame | None, *names: str) -> tuple[str, ...]:
    if frame is None:
        return ("frame",)
    return tuple(f"frame.{n}" for n in names if getattr(frame, n) is None) or ("frame.outline",)


# --- powers ----------------------------------------------------------------------------------------------------------


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
class _Asked:
    """One eye of the prescription as the lens is to have it (near power for a near pair)."""

    power: Power
    add: float | None
    prism_in: float | None
    prism_up: float | None
    near: bool


def _asked(case: Case, eye: Eye, rx: PrescribedLens, notes: _Notes, figures: tuple[str, ...]) -> _Asked | None:
    at = f"prescription.{eye}"
    sphere, cylinder, axis = _number(rx.sphere), _number(rx.cylinder) or 0.0, _number(rx.axis)
    missing = []
    if sphere is None:
        missing.append(f"{at}.sphere")
    if cylinder and axis is None:
        missing.append(f"{at}.axis")
    add = _number(rx.add)
    near_pair = near_only(case.needs, case.lens)
    extra = 0.0
    if near_pair and sphere is not None:
        if _intermediate(case.needs):
            extra = _number(rx.intermediate_add) or (0.5 * add if add is not None else 0.0)
        elif add is not None:
            extra = add
        elif (near_sphere := _number(rx.near_sphere)) is not None:
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
    if not near_pair and add is None and (near_sphere := _number(rx.near_sphere)) is not None and near_sphere > sphere:
        add = near_sphere - sphere
    return _Asked(power, None if near_pair else add, prism_in, prism_up, near_pair)


def _near_prism(rx: PrescribedLens) -> tuple[float | None, float | None]:
    as_distance = replace(
        rx, prism_h=rx.near_prism_h, base_h=rx.near_base_h, prism_v=rx.near_prism_v, base_v=rx.near_base_v
    )
    return as_distance.prism_in, as_distance.prism_up


_POWER_FIGURES = ("ordered", "at_eye", "expected", "principal_max", "vertical_power", "blank_needed", "mass_g")


def _powers(case: Case, eye: Eye, out: dict[str, Any], notes: _Notes) -> tuple[_Asked | None, Power | None]:
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
            ordered_power = Power(stated.sphere, stated.cylinder, stated.axis if stated.axis and stated.cylinder else 180.0)
            out["ordered"] = stated
            for name in ("ordered", "principal_max", "vertical_power"):
                notes.unknown.pop(f"{eye}.{name}", None)
        except FAILED:
            notes.lack(f"{eye}.ordered", f"lens.ordered_{eye}")
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


def _worn(case: Case, eye: Eye, asked: _Asked | None, ordered: Power, out: dict[str, Any], notes: _Notes) -> None:
    """at_eye and expected: vertex distance and tilts as worn, stated at the vertex distance of the test."""
    assert case.prescription is not None
    tested, fitted = _number(case.prescription.vertex_mm), _number(case.fit.vertex_mm)
    strongest = max(abs(ordered.strongest.power), abs(asked.power.strongest.power) if asked else 0.0)
    if tested is None or fitted is None:
        if strongest >= VERTEX_MATTERS_D:
            lacking = ["prescription.vertex_mm"] * (tested is None) + ["fit.vertex_mm"] * (fitted is None)
            notes.lack(f"{eye}.at_eye", *lacking)
            notes.lack(f"{eye}.expected", *lacking)
            return
        tested = fitted = 13.0
        notes.assumed["fit.vertex_mm" if case.fit.vertex_mm is None else "prescription.vertex_mm"] = (
            "Vertex distance taken as unchanged since the test: below 5.00 D it makes little difference."
        )
    pantoscopic, face_form = _number(case.fit.pantoscopic_deg), _number(case.fit.face_form_deg)
    if pantoscopic is None:
        pantoscopic = 0.0
        notes.assumed["fit.pantoscopic_deg"] = "Pantoscopic angle not on record: taken as 0."
    if face_form is None:
        face_form = (_number(case.frame.face_form_deg) if case.frame else None) or 0.0
        notes.assumed["fit.face_form_deg"] = f"Face form as worn not on record: taken as {face_form:g}."
    material = case.lens.material
    index = _number(material.nd) if material else None
    if index is None:
        index = 1.5
        if pantoscopic or face_form:
            notes.assumed["lens.material"] = "Material not on record: 1.5 taken for the effect of tilt."
    how: dict[str, Any] = {
        "pantoscopic": pantoscopic,
        "face_form": face_form,
        "index": index,
        "eye": eye,
        "fitted_vertex_mm": fitted,
        "tested_vertex_mm": tested,
    }
    paths = ("fit.vertex_mm", "fit.pantoscopic_deg", "fit.face_form_deg")
    try:
        order = out.get("ordered")
        reaches = tilt.effect_at_eye(ordered, **how)
        if order is not None:
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


# --- place -----------------------------------------------------------------------------------------------------------


def _rotation(case: Case) -> float:
    vertex = _number(case.fit.vertex_mm)
    if vertex is None or not 0.0 <= vertex <= 30.0:
        return ROTATION_MM
    return vertex + heights.ROTATION_CENTRE_MM


def _working(case: Case, notes: _Notes) -> float:
    distance = _number(case.needs.working_distance_mm)
    if distance is None:
        notes.assumed["needs.working_distance_mm"] = f"Working distance not on record: {WORKING_MM:g} mm taken."
        return WORKING_MM
    return distance


def _place(case: Case, eye: Eye, front: _Front, ordered: Power | None, out: dict[str, Any], notes: _Notes) -> None:
    """PDs, decentration, heights, the fitting point in the outline, near."""
    adopted = case.measurements.of(eye)
    at = f"measurements.{eye}"
    far, near_pd = _number(adopted.far_pd), _number(adopted.near_pd)
    out["far_pd"], out["near_pd"] = far, near_pd
    working, rotation = _working(case, notes), _rotation(case)
    design = case.lens.design
    near_pair = near_only(case.needs, case.lens)
    if far is None:
        for name in ("far_pd", "near_pd_computed", "near_inset"):
            notes.lack(f"{eye}.{name}", f"{at}.far_pd")
    else:
        try:
            out["near_pd_computed"] = near.near_pd(far, working, 0.0, rotation)
        except FAILED:
            notes.lack(f"{eye}.near_pd_computed", f"{at}.far_pd", "needs.working_distance_mm")
        if design is not None and design.near_inset_mm is not None:
            out["near_inset"] = _number(design.near_inset_mm)
        elif ordered is None:
            notes.lack(f"{eye}.near_inset", f"prescription.{eye}.sphere")
        else:
            try:
                power = 0.0 if near_pair else ordered.horizontal
                out["near_inset"] = near.inset(far, working, power, rotation)
            except FAILED:
                notes.lack(f"{eye}.near_inset", f"{at}.far_pd", "needs.working_distance_mm")
    centration = far
    if near_pair:
        centration = near_pd if near_pd is not None else out.get("near_pd_computed", far)
    if front.c is not None and centration is not None:
        out["decentration_in"] = 0.5 * front.c - centration
    else:
        paths = (f"{at}.far_pd",) if centration is None else ()
        notes.lack(f"{eye}.decentration_in", *paths, *(_lacking_frame(case.frame, "a", "dbl") if front.c is None else ()))
    _heights(case, eye, front, out, notes)
    _inside(eye, front, out, notes)


def _heights(case: Case, eye: Eye, front: _Front, out: dict[str, Any], notes: _Notes) -> None:
    adopted = case.measurements.of(eye)
    at = f"measurements.{eye}"
    names = ("height_box", "height_rim", "height_datum", "decentration_up")
    value = _number(adopted.height)
    if value is None:
        for name in names:
            notes.lack(f"{eye}.{name}", f"{at}.height")
        return
    x, shape, reference = out.get("decentration_in"), front.shape, adopted.height_reference
    height = None
    if reference == "box":
        height = value
    elif reference == "datum":
        height = None if front.b is None else value + 0.5 * front.b
    rim = None
    if shape is not None and x is not None:
        try:
            rim = heights.rim_above_tangent(shape, x)
        except FAILED:  # the pupil lies beside the lens
            notes.lack(f"{eye}.height_rim", f"{at}.far_pd", "frame.a", "frame.dbl")
    if height is None and rim is not None and reference != "datum":
        height = value + rim + (front.groove if reference == "visible_rim" else 0.0)
    if height is None:
        paths = _lacking_frame(case.frame, "b") if front.b is None else ()
        if reference != "datum" and x is None:
            paths += notes.unknown.get(f"{eye}.decentration_in", ())
        for name in names:
            notes.lack(f"{eye}.{name}", *(paths or (f"{at}.far_pd", "frame.outline")))
        return
    out["height_box"] = height
    if rim is not None:
        out["height_rim"] = height - rim
    elif f"{eye}.height_rim" not in notes.unknown:
        notes.lack(f"{eye}.height_rim", *(notes.unknown.get(f"{eye}.decentration_in") or ("frame.outline",)))
    if front.b is not None:
        out["height_datum"] = out["decentration_up"] = height - 0.5 * front.b
    else:
        for name in ("height_datum", "decentration_up"):
            notes.lack(f"{eye}.{name}", *_lacking_frame(case.frame, "b"))
    design = case.lens.design
    if design is None:
        return
    if design.family in SEGMENTED:
        pupil = _number(adopted.pupil_height)
        if pupil is None:
            notes.lack(f"{eye}.segment_top_below_pupil", f"{at}.pupil_height")
        else:
            out["segment_top_below_pupil"] = pupil - height
    elif design.family in ("progressive", "degressive"):
        if design.corridor_mm is None:
            notes.lack(f"{eye}.corridor_end_height", "lens.design.corridor_mm")
        else:
            out["corridor_end_height"] = height - design.corridor_mm


def _inside(eye: Eye, front: _Front, out: dict[str, Any], notes: _Notes) -> None:
    x, y = out.get("decentration_in"), out.get("decentration_up")
    if x is None or y is None or front.shape is None:
        paths = notes.unknown.get(f"{eye}.decentration_in", ()) + notes.unknown.get(f"{eye}.decentration_up", ())
        for name in ("point_inside", "room_above", "room_below"):
            notes.lack(f"{eye}.{name}", *(paths or ("frame.outline",)))
        return
    cuts = boxing.vertical_cuts(front.shape, x)
    above = [cut - y for cut in cuts if cut > y]
    inside = len(above) % 2 == 1
    out["point_inside"] = inside
    if inside:
        out["room_above"] = min(above)
        out["room_below"] = y - max(cut for cut in cuts if cut <= y)


def _reference(case: Case, eye: Eye, out: dict[str, Any], notes: _Notes) -> tuple[float, float] | None:
    """Where the optical centre, or the prism reference point, lies: what the blank is centred on."""
    x, y = out.get("decentration_in"), out.get("decentration_up")
    if x is None:
        return None
    design = case.lens.design
    family = design.family if design else "single_vision"
    if y is None:
        if family != "single_vision":
            return None
        y = 0.0
        notes.assumed[f"measurements.{eye}.height"] = "No height on record: optical centre taken on the datum line."
    elif family in ("progressive", "degressive") and design is not None:
        y -= design.cross_above_prism_point_mm
    elif family in SEGMENTED:
        y += SEGMENT_BELOW_BLANK_CENTRE_MM
        notes.assumed["lens.design"] = (
            f"Segment top taken {SEGMENT_BELOW_BLANK_CENTRE_MM:g} mm below the blank's centre; the maker's sheet decides."
        )
    return x, y


# --- substance -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Wanted:
    spec: Spec
    min_centre: float
    min_edge: float


def _wanted(
    case: Case, eye: Eye, power: Power, at: tuple[float, float], out: dict[str, Any], notes: _Notes
) -> _Wanted | None:
    material, order = case.lens.material, out.get("ordered")
    if material is None or order is None:
        return None
    curve = _number(case.lens.front_curve)
    if curve is None:
        curve = thickness.base_curve(power.sphere, power.cylinder)
        notes.assumed["lens.front_curve"] = "Front curve by Vogel's rule; the maker's series decides."
    out["front_curve"] = curve
    min_centre, min_edge = _number(case.lens.min_centre_mm), _number(case.lens.min_edge_mm)
    if min_centre is None:
        min_centre = usual_centre_mm(material.nd, material.glass)
        notes.assumed["lens.min_centre_mm"] = f"Least centre thickness not stated: {min_centre:g} mm taken."
    if min_edge is None:
        min_edge = EDGE_MM.get((case.frame.mount if case.frame else None) or "full_rim", 1.0)
        notes.assumed["lens.min_edge_mm"] = f"Least edge thickness not stated: {min_edge:g} mm taken."
    spec = Spec(
        sphere=power.sphere,
        cylinder=power.cylinder,
        axis_deg=thickness.nasal_axis(power.axis, eye),
        index=material.nd,
        front_curve=curve,
        prism_in=order.prism_in,
        prism_up=order.prism_up - case.lens.prism_thinning_down,
        at_x=at[0],
        at_y=at[1],
    )
    return _Wanted(spec, min_centre, min_edge)


_SUBSTANCE = (
    "centre_thickness",
    "edge_thinnest",
    "edge_thickest",
    "edge_profile",
    "mass_g",
)


def _substance(
    case: Case, front: _Front, wanted: dict[Eye, _Wanted], outs: dict[Eye, dict[str, Any]], notes: _Notes
) -> dict[Eye, Lens]:
    """Thickness, edges, mass of the lenses, both in one vectorised pass where both are known."""
    shape = front.shape
    if shape is None or not wanted:
        return {}
    try:
        return _cut(case, shape, wanted, outs)
    except FAILED:
        pass
    lenses: dict[Eye, Lens] = {}
    for eye, one in wanted.items():  # one lens that cannot be made does not take the other's figures away
        try:
            lenses |= _cut(case, shape, {eye: one}, outs)
        except FAILED:
            for name in _SUBSTANCE:
                notes.lack(f"{eye}.{name}", "lens.front_curve", "lens.material", f"prescription.{eye}.sphere")
    return lenses


def _cut(case: Case, shape: Box, wanted: dict[Eye, _Wanted], outs: dict[Eye, dict[str, Any]]) -> dict[Eye, Lens]:
    assert case.frame is not None
    drills = case.frame.drill_points if case.frame.mount == "drilled" else ()
    holes = [(p.x, p.y) for p in drills if math.isfinite(p.x) and math.isfinite(p.y)]
    density = case.lens.material.density if case.lens.material else None
    lenses = thickness.least_lenses(
        [w.spec for w in wanted.values()],
        shape.x,
        shape.y,
        min_centre=[w.min_centre for w in wanted.values()],
        min_edge=[w.min_edge for w in wanted.values()],
        extra=holes,
    )
    table, volumes = thickness.edge_and_volume(lenses, shape)
    found = dict(zip(wanted, lenses, strict=True))
    filled = []
    for row, eye in enumerate(wanted):
        edge = thickness.edge_of(table[row], shape)
        more: dict[str, Any] = {
            "centre_thickness": lenses[row].centre,
            "edge_thinnest": edge.thinnest,
            "edge_thinnest_at_deg": edge.thinnest_at_deg,
            "edge_thickest": edge.thickest,
            "edge_thickest_at_deg": edge.thickest_at_deg,
            "edge_profile": tuple(edge.profile.tolist()),
            "edge_at_drill_points": tuple([thickness.thickness_at(lenses[row], x, y) for x, y in holes]),
            "volume_mm3": volumes[row],
        }
        if density is not None:
            more["mass_g"] = thickness.mass_g(volumes[row], density)
        filled.append((eye, more))
    for eye, more in filled:
        outs[eye].update(more)
    return found


def _blank(eye: Eye, front: _Front, at: tuple[float, float] | None, out: dict[str, Any], notes: _Notes) -> None:
    if at is not None:
        out["reference_x"], out["reference_y"] = at
        if front.ed is not None:
            out["blank_rule"] = boxing.blank_rule(front.ed, at[0])
        if front.shape is not None:
            uncut = boxing.minimum_uncut(front.shape, *at)
            out["blank_needed"], out["blank_needs_at_deg"] = uncut.diameter, uncut.at_deg
            notes.unknown.pop(f"{eye}.blank_needed", None)
            return
    paths = notes.unknown.get(f"{eye}.decentration_in", ()) + notes.unknown.get(f"{eye}.decentration_up", ())
    notes.unknown.pop(f"{eye}.blank_needed", None)
    notes.lack(f"{eye}.blank_needed", *(paths or ("frame.outline",)))


# --- seeing ----------------------------------------------------------------------------------------------------------


def _seeing(case: Case, eye: Eye, power: Power, lens: Lens | None, out: dict[str, Any], notes: _Notes) -> float | None:
    """Chromatic blur, magnification, jump, prism at the fitting point. Returns the total magnification."""
    material, design, order = case.lens.material, case.lens.design, out.get("ordered")
    if order is not None:
        prism_in, prism_up = order.prism_in, order.prism_up - case.lens.prism_thinning_down
        x, y = out.get("decentration_in"), out.get("decentration_up")
        if design is not None and design.family in ("progressive", "degressive") and x is not None and y is not None:
            # the ordered prism is at the prism reference point, below the fitting cross
            at_cross = prism_at(power, 0.0, design.cross_above_prism_point_mm, eye)
            prism_in, prism_up = prism_in + at_cross.base_in, prism_up + at_cross.base_up
        out["prism_in"], out["prism_up"] = prism_in, prism_up
    if material is None:
        notes.lack(f"{eye}.chromatic_blur", "lens.material")
    else:
        try:
            out["chromatic_blur"] = chromatic.blur_at_gaze(power, GAZE_DEG, eye, material.abbe, _rotation(case))
        except FAILED:
            notes.lack(f"{eye}.chromatic_blur", "lens.material")
    if design is not None and design.family in SEGMENTED:
        add, below = order.add if order else None, design.segment_centre_below_top_mm
        if add is None:
            notes.lack(f"{eye}.image_jump", f"prescription.{eye}.add")
        elif below is None:
            notes.lack(f"{eye}.image_jump", "lens.design.segment_centre_below_top_mm")
        else:
            try:
                out["image_jump"] = magnification.image_jump(add, below)
            except FAILED:
                notes.lack(f"{eye}.image_jump", f"prescription.{eye}.add", "lens.design.segment_centre_below_top_mm")
    vertex = _number(case.fit.vertex_mm)
    if lens is None or material is None or vertex is None:
        notes.lack(
            f"{eye}.magnification_percent",
            *(("fit.vertex_mm",) if vertex is None else ()),
            *(("lens.material",) if material is None else ()),
            *(notes.unknown.get(f"{eye}.blank_needed", ()) if lens is None else ()),
        )
        return None
    try:
        seen = magnification.lens_magnification(
            power,
            front=curve_in_index(out["front_curve"], material.nd),
            thickness_mm=lens.centre,
            index=material.nd,
            vertex_mm=vertex,
        )
    except FAILED:
        notes.lack(f"{eye}.magnification_percent", "fit.vertex_mm", "lens.front_curve")
        return None
    out["magnification_percent"] = seen.mean_percent
    return 1.0 + seen.mean_percent / 100.0


# --- the pair --------------------------------------------------------------------------------------------------------


def _sum(right: float | None, left: float | None) -> float | None:
    return None if right is None or left is None else right + left


def compute(case: Case) -> Figures:
    """Every figure that the Case allows. Never raises: a figure that cannot be computed is None and listed in `unknown`."""
    notes = _Notes()
    front = _front(case, notes)
    outs: dict[Eye, dict[str, Any]] = {"right": {}, "left": {}}
    powers: dict[Eye, Power] = {}
    wanted: dict[Eye, _Wanted] = {}
    for eye in EYES:
        out = outs[eye]
        _, power = _powers(case, eye, out, notes)
        _place(case, eye, front, power, out, notes)
        at = _reference(case, eye, out, notes)
        _blank(eye, front, at, out, notes)
        if power is None:
            continue
        powers[eye] = power
        if at is not None:
            try:
                one = _wanted(case, eye, power, at, out, notes)
            except FAILED:
                one = None
            if one is not None:
                wanted[eye] = one
    lenses = _substance(case, front, wanted, outs, notes)
    seen: dict[Eye, float | None] = {"right": None, "left": None}
    for eye, power in powers.items():
        seen[eye] = _seeing(case, eye, power, lenses.get(eye), outs[eye], notes)
        if eye not in lenses:
            _why_no_substance(case, eye, outs[eye], notes)
    return _pair(case, front, outs, powers, seen, notes)


def _needs(
    case: Case, outs: dict[Eye, dict[str, Any]], powers: dict[Eye, Power], pair: dict[str, Any], notes: _Notes
) -> None:
    """How exact the measurements have to be for this prescription, and what the standard allows the pair."""
    family = case.lens.design.family if case.lens.design else "single_vision"
    kind: tolerance.Kind = "single vision"
    if family in SEGMENTED:
        kind = "multifocal"
    elif family in ("progressive", "degressive"):
        kind = "progressive"
    standard = case.rules.tolerance_standard
    vertex = _number(case.fit.vertex_mm)
    for eye in EYES:
        own = powers.get(eye)
        if own is None:
            for name in ("pd_need_mm", "height_need_mm", "vertex_need_mm", "prism_per_mm_h", "prism_per_mm_v"):
                notes.lack(f"{eye}.{name}", *notes.unknown.get(f"{eye}.principal_max", ()))
    if not powers:
        return
    right, left = powers.get("right") or powers["left"], powers.get("left") or powers["right"]
    try:
        limit = tolerance.pair_prism_tolerance(
            right,
            left,
            ordered_horizontal=pair.get("net_prism_h") or 0.0,
            ordered_vertical=pair.get("net_prism_v") or 0.0,
            standard=standard,
            kind=kind,
        )
    except FAILED:
        return
    if len(powers) == 2:
        pair["prism_tolerance_h"], pair["prism_tolerance_v"] = limit.horizontal, limit.vertical
    for eye, power in powers.items():
        out = outs[eye]
        try:
            need = consequence.shift_need_within(power, eye, limit)
            pd, height = need.pd_mm, need.height_mm
            out["prism_per_mm_h"], out["prism_per_mm_v"] = need.prism_per_mm_pd, need.prism_per_mm_height
            pd = consequence.SHIFT_MATTERS_MM if pd is None else pd
            height = consequence.SHIFT_MATTERS_MM if height is None else height
            if kind == "progressive":
                pd = min(pd, POSITION_MM)
            if kind != "single vision":
                height = min(height, POSITION_MM)
            out["pd_need_mm"], out["height_need_mm"] = pd, height
            far = consequence.vertex_need(power, 13.0 if vertex is None else vertex, standard, kind)
            out["vertex_need_mm"] = consequence.VERTEX_MATTERS_MM if far is None else far
        except FAILED:
            for name in ("pd_need_mm", "height_need_mm", "vertex_need_mm"):
                if name not in out:
                    notes.lack(f"{eye}.{name}", "fit.vertex_mm", f"prescription.{eye}.sphere")


def _why_no_substance(case: Case, eye: Eye, out: dict[str, Any], notes: _Notes) -> None:
    paths: tuple[str, ...] = ()
    if case.lens.material is None:
        paths += ("lens.material",)
    if out.get("ordered") is None:
        paths += notes.unknown.get(f"{eye}.ordered", ())
    paths += notes.unknown.get(f"{eye}.blank_needed", ())
    for name in _SUBSTANCE:
        if paths:
            notes.lack(f"{eye}.{name}", *paths)


def _pair(
    case: Case,
    front: _Front,
    outs: dict[Eye, dict[str, Any]],
    powers: dict[Eye, Power],
    seen: dict[Eye, float | None],
    notes: _Notes,
) -> Figures:
    right, left = outs["right"], outs["left"]
    pair: dict[str, Any] = {
        "binocular_far_pd": _sum(right["far_pd"], left["far_pd"]),
        "binocular_near_pd": _sum(right["near_pd"], left["near_pd"]),
        "box_centre_distance": front.c,
        "mass_g": _sum(right.get("mass_g"), left.get("mass_g")),
    }
    order_r, order_l = right.get("ordered"), left.get("ordered")
    if order_r is not None and order_l is not None:
        pair["net_prism_h"] = order_r.prism_in + order_l.prism_in
        pair["net_prism_v"] = order_r.prism_up - order_l.prism_up
    if len(powers) == 2:
        try:
            pair["vertical_imbalance_near"] = magnification.vertical_imbalance(
                powers["right"],
                powers["left"],
                READING_DROP_MM,
                right_inset_mm=right.get("near_inset") or 0.0,
                left_inset_mm=left.get("near_inset") or 0.0,
            ).vertical
        except FAILED:
            notes.lack("vertical_imbalance_near", "prescription.right.sphere", "prescription.left.sphere")
    if seen["right"] is not None and seen["left"] is not None:
        pair["magnification_difference_percent"] = magnification.difference_percent(seen["right"], seen["left"])
    _needs(case, outs, powers, pair, notes)
    for name, parts in _PARTS.items():
        if pair.get(name) is None:
            notes.lack(name, *[p for eye in EYES for part in parts for p in notes.unknown.get(f"{eye}.{part}", ())])
    if front.c is None:
        notes.lack("box_centre_distance", *_lacking_frame(case.frame, "a", "dbl"))
    return Figures(
        right=LensFigures(**right),
        left=LensFigures(**left),
        unknown={name: paths for name, paths in notes.unknown.items() if paths},
        outline_assumed=front.assumed,
        assumed=notes.assumed,
        **pair,
    )


# a figure of the pair and the figures of each eye that it is made of
_PARTS: Mapping[str, tuple[str, ...]] = {
    "binocular_far_pd": ("far_pd",),
    "mass_g": ("mass_g",),
    "net_prism_h": ("ordered",),
    "net_prism_v": ("ordered",),
    "vertical_imbalance_near": ("vertical_power",),
    "magnification_difference_percent": ("magnification_percent",),
    "prism_tolerance_h": ("principal_max",),
    "prism_tolerance_v": ("principal_max",),
}
