"""The reverse: frames ranked for one prescription, face and lens.

Every frame is worked out with the exact figures that decide the rank (decentration, edge, blank, depth), all in one array. What is
shown of a few of them besides (mass, findings) comes from the same `figures.compute` and `checks.assess` as the sheet's.

Where the pupil will stand in a frame that is not on the face yet is not known. It is taken as far above the datum line as it was
measured in the present frame; without one, by the usual values below. That is an estimate to choose by, never a measurement.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from dispensing.case import EYES, SEGMENTED, Case, Eye, Frame, LensChoice, Pair
from dispensing.checks.thresholds import limits
from dispensing.checks.words import eye_word, mm
from dispensing.figures import compute, wanted_of
from dispensing.figures.place import read_front, reference_point
from dispensing.figures.substance import Wanted, holes_of
from dispensing.figures.usual import Notes
from dispensing.optics import boxing, thickness_many
from dispensing.optics.boxing import Box

PUPIL_ABOVE_DATUM_MM = 4.0  # common practice: the pupil stands 2 to 6 mm above the datum line of a frame that fits
SEGMENT_TOP_BELOW_DATUM_MM = 3.0  # common practice: 2 to 5 mm below the middle of the lens
_STAND_IN = Frame(a=52.0, b=36.0, dbl=18.0)  # any frame: only what does not depend on it is read off it
_STAND_IN_HALF = 35.0  # half its boxed centre distance
Tier = Literal["fits", "ask", "no"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """What of the client a frame is ranked by, mm for each eye."""

    pd: Pair[float | None]  # by which the lens is centred
    up: Pair[float | None]  # fitting point above the datum line
    up_measured: bool  # in the present frame; else a usual value


@dataclass(frozen=True, kw_only=True)
class FrameItem:
    """A frame that can be had; `key` finds it again."""

    key: str
    frame: Frame


@dataclass(frozen=True, kw_only=True)
class FrameRow:
    """One frame for this Case. mm; decentration inwards positive."""

    item: FrameItem
    decentration: Pair[float | None]
    up: Pair[float | None]
    thinnest: float | None = None
    thickest: float | None = None  # of both lenses
    centre: float | None = None
    blank_needed: float | None = None
    blank: float | None = None  # the least that is made and covers
    height: float | None = None  # of the lower fitting point above the box tangent, estimated
    height_margin: float | None = None
    room_above: float | None = None
    against: tuple[str, ...] = ()  # why it does not fit
    asks: tuple[str, ...] = ()  # what would need a reason

    @property
    def tier(self) -> Tier:
        return "no" if self.against else "ask" if self.asks else "fits"

    @property
    def mean_decentration(self) -> float | None:
        found = [abs(d) for d in self.decentration if d is not None]
        return sum(found) / len(found) if found else None

    @property
    def cost(self) -> float:
        """What the rank goes by within a tier: mean decentration either way and the greatest thickness, added, mm."""
        thick = [t for t in (self.thickest, self.centre) if t is not None]
        return (self.mean_decentration or 0.0) + (max(thick) if thick else 0.0)


def face_of(case: Case) -> Face:
    """Where the eyes are, as recorded in the present frame or by usual values."""
    figures = compute(case)
    measured = {eye: figures.of(eye).height_datum for eye in EYES}
    stand_in = compute(replace(case, frame=_STAND_IN))
    pd = [None if (d := stand_in.of(eye).decentration_in) is None else _STAND_IN_HALF - d for eye in EYES]
    known = all(v is not None for v in measured.values())
    up: list[float | None] = [measured["right"], measured["left"]]
    if not known:
        family = case.lens.design.family if case.lens.design else "single_vision"
        usual = -SEGMENT_TOP_BELOW_DATUM_MM if family in SEGMENTED else PUPIL_ABOVE_DATUM_MM
        up = [usual if family != "single_vision" else None] * 2
    return Face(pd=Pair(pd[0], pd[1]), up=Pair(up[0], up[1]), up_measured=known)


@dataclass(slots=True)
class _One:
    """A size of frame being worked out."""

    frame: Frame
    shape: Box
    row: FrameRow
    at: dict[Eye, tuple[float, float]]


def rank_frames(
    case: Case, items: Sequence[FrameItem], choices: Mapping[str, LensChoice], face: Face | None = None
) -> list[FrameRow]:
    """Every frame, best first: what does not fit comes last, what needs a reason before it; within that, by `FrameRow.cost`.

    `choices`: the lens with its minima for each mount. Colours of one size share its figures.
    """
    face = face or face_of(case)
    made: dict[tuple[object, ...], _One | None] = {}
    rows = []
    for item in items:
        size = _size(item.frame)
        if size not in made:
            made[size] = _placed(case, item, face)
        if (one := made[size]) is not None:
            rows.append((item, one))
    _fill_blanks([one for one in made.values() if one is not None], face)
    _fill_edges(case, [one for one in made.values() if one is not None], choices)
    for one in made.values():
        if one is not None:
            one.row = _judged(case, one, choices.get(one.frame.mount or "full_rim", case.lens), face)
    found = [replace(one.row, item=item) for item, one in rows]
    tiers = {"fits": 0, "ask": 1, "no": 2}
    found.sort(key=lambda r: (tiers[r.tier], r.cost, r.item.frame.name, r.item.key))
    return found


def _size(frame: Frame) -> tuple[object, ...]:
    return (frame.a, frame.b, frame.dbl, frame.ed, frame.mount, frame.groove_mm, frame.outline, frame.drill_points)


@lru_cache(maxsize=2048)
def _box(outline: tuple[float, ...]) -> Box:
    return boxing.box(outline)


def _placed(case: Case, item: FrameItem, face: Face) -> _One | None:
    """A size with its shape and the point each lens is centred on; None for a frame without a box."""
    frame = item.frame
    if frame.a is None or frame.b is None or frame.dbl is None:
        return None
    here = replace(case, frame=frame)
    try:
        shape = _box(frame.outline) if frame.outline else None
    except ValueError:
        shape = None
    shape = shape or read_front(here, Notes()).shape
    if shape is None:
        return None
    dec: dict[Eye, float | None] = {}
    at: dict[Eye, tuple[float, float]] = {}
    for eye in EYES:
        pd, up = face.pd.of(eye), face.up.of(eye)
        dec[eye] = None if pd is None else 0.5 * (frame.a + frame.dbl) - pd
        point = reference_point(here, eye, {"decentration_in": dec[eye], "decentration_up": up}, Notes())
        if point is not None:
            at[eye] = point
    row = FrameRow(item=item, decentration=Pair(dec["right"], dec["left"]), up=face.up)
    return _One(frame, shape, row, at)


def _fill_blanks(ones: list[_One], face: Face) -> None:
    for eye in EYES:
        known = [one for one in ones if eye in one.at]
        if not known:
            continue
        x, y = thickness_many.rows_of([(one.shape.x, one.shape.y) for one in known])
        at = np.array([one.at[eye] for one in known])
        for one, diameter in zip(known, thickness_many.reach(x, y, at[:, 0], at[:, 1]).tolist(), strict=True):
            one.row = replace(one.row, blank_needed=max(one.row.blank_needed or 0.0, diameter))


def _fill_edges(case: Case, ones: list[_One], choices: Mapping[str, LensChoice]) -> None:
    wanted: dict[str, dict[Eye, Wanted]] = {}
    specs, outlines, owners = [], [], []
    centres: list[float] = []
    edges: list[float] = []
    holes = []
    m = case.measurements
    somewhere = replace(
        m,
        right=replace(m.right, height=20.0, height_reference="box"),
        left=replace(m.left, height=20.0, height_reference="box"),
    )
    for one in ones:
        mount = one.frame.mount or "full_rim"
        if mount not in wanted:
            stand_in = replace(_STAND_IN, mount=one.frame.mount)
            lens = choices.get(mount, case.lens)
            wanted[mount] = wanted_of(replace(case, frame=stand_in, lens=lens, measurements=somewhere))
        for eye, want in wanted[mount].items():
            if eye not in one.at:
                continue
            specs.append(replace(want.spec, at_x=one.at[eye][0], at_y=one.at[eye][1]))
            outlines.append((one.shape.x, one.shape.y))
            owners.append(one)
            centres.append(want.min_centre)
            edges.append(want.min_edge)
            holes.append(holes_of(one.frame))
    if not specs:
        return
    x, y = thickness_many.rows_of(outlines)
    found = thickness_many.least_over(specs, x, y, min_centre=centres, min_edge=edges, holes=holes)
    for one, over in zip(owners, found, strict=True):
        if over is None:
            continue
        row = one.row
        one.row = replace(
            row,
            thickest=max(row.thickest or 0.0, over.thickest),
            thinnest=min(math.inf if row.thinnest is None else row.thinnest, over.thinnest),
            centre=max(row.centre or 0.0, over.lens.centre),
        )


def _judged(case: Case, one: _One, choice: LensChoice, face: Face) -> FrameRow:
    """The row with the depth that is left, the blank that covers, and what speaks against the frame."""
    limit = limits(case.rules.limits)
    row, frame, shape, design = one.row, one.frame, one.shape, choice.design
    assert frame.b is not None
    against, asks = [], []
    heights = [0.5 * frame.b + up for up in face.up if up is not None]
    height = min(heights) if heights else None
    margin = None
    if design is not None and design.min_height_mm is not None and height is not None:
        margin = height - design.min_height_mm
        if margin < 0:
            against.append(f"{mm(-margin)} too shallow: the lens needs a height of {mm(design.min_height_mm)}")
    room = None
    varying = design is not None and design.family in ("progressive", "degressive")
    for eye in EYES:
        x, up = row.decentration.of(eye), face.up.of(eye)
        if x is None:
            continue
        above = [cut - (up or 0.0) for cut in boxing.vertical_cuts(shape, x) if cut > (up or 0.0)]
        if len(above) % 2 == 0:
            against.append(f"the {eye} pupil stands outside the lens")
            continue
        room = min(above) if room is None else min(room, *above)
    if varying and design is not None and room is not None:
        least = design.min_above_mm if design.min_above_mm is not None else limit["lens.above"]
        if room < min(limit["lens.above_least"], least):
            against.append(f"only {mm(room)} above the fitting point")
        elif room < least and design.family == "progressive":
            asks.append(f"{mm(room)} above the fitting point; {mm(least)} is wanted")
    blank = None
    if design is not None and design.blank_diameters and row.blank_needed is not None:
        needed = row.blank_needed
        if not frame.outline and frame.ed is not None:
            rules = [boxing.blank_rule(frame.ed, x) for x, _ in one.at.values()]
            needed = max(needed, *rules)
        needed += limit["blank.margin"]
        blank = min((d for d in design.blank_diameters if d + 0.05 >= needed), default=None)
        if blank is None:
            against.append(f"needs a blank of {mm(needed)}; the largest made is {mm(max(design.blank_diameters))}")
    material = choice.material
    if material is not None and frame.mount in ("drilled", "grooved"):
        fitness = "no" if material.glass else getattr(material, frame.mount)
        words = f"{material.name} is {'not' if fitness == 'no' else 'poorly'} suited to a {frame.mount} mount"
        if fitness == "no":
            against.append(words)
        elif fitness == "poor":
            asks.append(words)
    if frame.front_curve is not None and choice.front_curve is not None:
        apart = abs(frame.front_curve - choice.front_curve)
        if apart > limit["frame.curve_match"]:
            asks.append(f"front curve {frame.front_curve:.2f} D; {choice.front_curve:.2f} D is asked for")
    return replace(
        row,
        height=height,
        height_margin=margin,
        room_above=room,
        blank=blank,
        against=tuple(dict.fromkeys(against)),
        asks=tuple(asks),
    )


def why(row: FrameRow) -> str:
    """The rank in words: what it costs, or what is in the way."""
    if row.against:
        return _sentence("; ".join(row.against))
    parts = []
    if row.mean_decentration is not None:
        inwards = [d for d in row.decentration if d is not None]
        word = "in" if sum(inwards) >= 0 else "out"
        parts.append(f"Decentration {mm(row.mean_decentration)} {word}")
    if row.thickest is not None and row.centre is not None:
        parts.append(f"centre {mm(row.centre)}" if row.centre > row.thickest else f"edge {mm(row.thickest)}")
    if row.height_margin is not None:
        parts.append(f"{mm(row.height_margin)} of height to spare")
    return _sentence(", ".join(parts) + ("; " + "; ".join(row.asks) if row.asks else ""))


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "." if words else ""


def pd_missing(face: Face) -> list[str]:
    """The eyes whose PD is not known: without it no frame can be ranked by decentration."""
    return [f"{eye_word(eye)} PD" for eye in EYES if face.pd.of(eye) is None]
