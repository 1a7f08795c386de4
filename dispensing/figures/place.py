"""Where the lens goes: the frame, PDs, heights, decentration, the blank."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from dispensing.case import SEGMENTED, Case, Eye, Frame, LensDesign
from dispensing.figures.powers import near_only
from dispensing.figures.usual import (
    ASSUMED_SHAPE,
    FAILED,
    ROTATION_MM,
    SEGMENT_BELOW_BLANK_CENTRE_MM,
    STAND_IN_POINTS,
    WORKING_MM,
    Notes,
    number,
)
from dispensing.optics import boxing, heights, near, outlines
from dispensing.optics.boxing import Box
from dispensing.optics.power import Power


@dataclass(frozen=True, slots=True)
class Front:
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
        return boxing.box(outlines.outline_for(a, b, ed, ASSUMED_SHAPE, STAND_IN_POINTS))
    except FAILED:
        return None


def read_front(case: Case, notes: Notes) -> Front:
    frame = case.frame
    if frame is None:
        return Front(None, False, None, None, None, None, 0.0)
    a, b, dbl, ed = number(frame.a), number(frame.b), number(frame.dbl), number(frame.ed)
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
    groove = number(frame.groove(case.rules.groove_mm)) or 0.0
    return Front(shape, assumed, a, b, None if a is None or dbl is None else a + dbl, ed, groove)


def lacking_frame(frame: Frame | None, *names: str) -> tuple[str, ...]:
    if frame is None:
        return ("frame",)
    return tuple(f"frame.{n}" for n in names if getattr(frame, n) is None) or ("frame.outline",)


def rotation_mm(case: Case) -> float:
    vertex = number(case.fit.vertex_mm)
    if vertex is None or not 0.0 <= vertex <= 30.0:
        return ROTATION_MM
    return vertex + heights.ROTATION_CENTRE_MM


def working_mm(case: Case, notes: Notes) -> float:
    distance = number(case.needs.working_distance_mm)
    if distance is None:
        notes.assumed["needs.working_distance_mm"] = f"Working distance not on record: {WORKING_MM:g} mm taken."
        return WORKING_MM
    return distance


def fill_place(case: Case, eye: Eye, front: Front, ordered: Power | None, out: dict[str, Any], notes: Notes) -> None:
    """PDs, decentration, heights, the fitting point in the outline, near."""
    adopted = case.measurements.of(eye)
    at = f"measurements.{eye}"
    far, near_pd = number(adopted.far_pd), number(adopted.near_pd)
    out["far_pd"], out["near_pd"] = far, near_pd
    working, rotation = working_mm(case, notes), rotation_mm(case)
    design = case.lens.design
    near_pair = near_only(case.needs, case.lens)
    if near_pd is None:
        notes.lack(f"{eye}.near_pd", f"{at}.near_pd")
    if far is None:
        for name in ("far_pd", "near_pd_computed", "near_inset"):
            notes.lack(f"{eye}.{name}", f"{at}.far_pd")
    else:
        try:
            out["near_pd_computed"] = near.near_pd(far, working, 0.0, rotation)
        except FAILED:
            notes.lack(f"{eye}.near_pd_computed", f"{at}.far_pd", "needs.working_distance_mm")
        if design is not None and design.near_inset_mm is not None:
            out["near_inset"] = number(design.near_inset_mm)
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
        notes.lack(f"{eye}.decentration_in", *paths, *(lacking_frame(case.frame, "a", "dbl") if front.c is None else ()))
    x = out.get("decentration_in")
    cuts = boxing.vertical_cuts(front.shape, x) if front.shape is not None and x is not None else ()
    _heights(case, eye, front, cuts, out, notes)
    _inside(eye, front, cuts, out, notes)


def _heights(case: Case, eye: Eye, front: Front, cuts: tuple[float, ...], out: dict[str, Any], notes: Notes) -> None:
    adopted = case.measurements.of(eye)
    at = f"measurements.{eye}"
    names = ("height_box", "height_rim", "height_datum", "decentration_up")
    value = number(adopted.height)
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
        if cuts:
            rim = cuts[0] + 0.5 * shape.b
        else:  # the pupil lies beside the lens
            notes.lack(f"{eye}.height_rim", f"{at}.far_pd", "frame.a", "frame.dbl")
    if height is None and rim is not None and reference != "datum":
        height = value + rim + (front.groove if reference == "visible_rim" else 0.0)
    if height is None:
        paths = lacking_frame(case.frame, "b") if front.b is None else ()
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
            notes.lack(f"{eye}.{name}", *lacking_frame(case.frame, "b"))
    design = case.lens.design
    if design is None:
        return
    if design.family in SEGMENTED:
        pupil = number(adopted.pupil_height)
        if pupil is None:
            notes.lack(f"{eye}.segment_top_below_pupil", f"{at}.pupil_height")
        else:
            out["segment_top_below_pupil"] = pupil - height
    elif design.family in ("progressive", "degressive"):
        corridor = number(design.corridor_mm)
        if corridor is None:
            notes.lack(f"{eye}.corridor_end_height", "lens.design.corridor_mm")
        else:
            out["corridor_end_height"] = height - corridor


def _inside(eye: Eye, front: Front, cuts: tuple[float, ...], out: dict[str, Any], notes: Notes) -> None:
    x, y = out.get("decentration_in"), out.get("decentration_up")
    if x is None or y is None or front.shape is None:
        paths = notes.unknown.get(f"{eye}.decentration_in", ()) + notes.unknown.get(f"{eye}.decentration_up", ())
        for name in ("point_inside", "room_above", "room_below"):
            notes.lack(f"{eye}.{name}", *(paths or ("frame.outline",)))
        return
    above = [cut - y for cut in cuts if cut > y]
    inside = len(above) % 2 == 1
    out["point_inside"] = inside
    if inside:
        out["room_above"] = min(above)
        out["room_below"] = y - max(cut for cut in cuts if cut <= y)


def cross_above(design: LensDesign) -> float:
    """Fitting cross above the prism reference point, mm."""
    return number(design.cross_above_prism_point_mm) or 0.0


def reference_point(case: Case, eye: Eye, out: dict[str, Any], notes: Notes) -> tuple[float, float] | None:
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
        y -= cross_above(design)
    elif family in SEGMENTED:
        y += SEGMENT_BELOW_BLANK_CENTRE_MM
        notes.assumed["lens.design"] = (
            f"Segment top taken {SEGMENT_BELOW_BLANK_CENTRE_MM:g} mm below the blank's centre; the maker's sheet decides."
        )
    return x, y


def fill_blank(eye: Eye, front: Front, at: tuple[float, float] | None, out: dict[str, Any], notes: Notes) -> None:
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
