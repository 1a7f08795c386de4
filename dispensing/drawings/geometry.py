"""What a picture of both lenses needs to know: plain frozen values, in house units, and nothing of how it is drawn.

x is positive towards the nose and y upwards for both eyes, origin at the boxed centre; `None` is "not known" and is drawn as
an open shape. Two ways lead here: `geometry_of(case, figures)` for a dispense that is being prepared, and
`orders.renderers.geometry` for an order document; so page and print are drawn by the same code from the same kind of value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from math import cos, pi, sin

import numpy as np

from dispensing.case import SEGMENTED, Adopted, Case, EarlierPair, Eye, Frame, HeightReference, Reading
from dispensing.figures import Figures, LensFigures
from dispensing.figures.place import read_front
from dispensing.figures.usual import SEGMENT_BELOW_BLANK_CENTRE_MM, Notes

from .shapes import Point


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeGeometry:
    """One lens. All lengths in mm; prism in prism dioptres, base in and base up positive."""

    from_nose: float | None = None  # monocular PD the lens is centred by, from the middle of the nose
    centred_for: str = "distance"  # or "near"
    height: float | None = None  # fitting height above the lower box tangent: fitting cross, segment top, or optical centre
    pd_readings: tuple[float, ...] = ()
    height_readings: tuple[float, ...] = ()  # above the lower box tangent
    pupil_above_fitting: float | None = 0.0  # pupil centre above the fitting point; not 0 for a segment top
    family: str = ""
    near: Point | None = None  # near point or middle of the segment top, from the boxed centre
    segment_width: float | None = None
    segment_depth: float | None = None
    intermediate_depth: float | None = None
    blank_diameter: float | None = None
    blank_centre: Point | None = None
    optical_centre: Point | None = None
    prism_in: float = 0.0
    prism_up: float = 0.0
    front_curve: float | None = None  # dioptres, n = 1.53
    centre_thickness: float | None = None
    edge_profile: tuple[float, ...] = ()  # thickness at equal steps round the outline, from nasal through up
    min_height: float | None = None  # what the design needs above the lower box tangent

    @property
    def segmented(self) -> bool:
        return self.family in SEGMENTED


@dataclass(frozen=True, slots=True, kw_only=True)
class PairGeometry:
    a: float | None = None  # boxed lens size, horizontal
    b: float | None = None
    dbl: float | None = None
    outline: tuple[float, ...] = ()  # radii from the boxed centre, equal steps from nasal through up
    outline_traced: bool = True  # False: computed from a, b and the effective diameter
    drill_points: tuple[tuple[float, float, float], ...] = ()  # x, y, diameter
    min_edge: float | None = None
    right: EyeGeometry = EyeGeometry()
    left: EyeGeometry = EyeGeometry()

    def of(self, eye: Eye) -> EyeGeometry:
        return self.right if eye == "right" else self.left

    @property
    def centre_distance(self) -> float | None:
        """Boxed centre distance c = a + d."""
        return None if self.a is None or self.dbl is None else self.a + self.dbl

    @property
    def points(self) -> tuple[Point, ...]:
        """The outline as points, x nasal and y up from the boxed centre."""
        return outline_points(self.outline)

    def fitting(self, eye: Eye) -> tuple[float | None, float | None]:
        """Fitting point from the boxed centre: (nasal, up), each None where it is not known."""
        g = self.of(eye)
        c = self.centre_distance
        x = None if c is None or g.from_nose is None else c / 2 - g.from_nose
        y = None if self.b is None or g.height is None else g.height - self.b / 2
        return x, y


@lru_cache(maxsize=64)
def outline_points(radii: tuple[float, ...]) -> tuple[Point, ...]:
    """Points of an outline given by radii; kept, for one picture asks for them many times."""
    n = len(radii)
    return tuple((r * cos(2 * pi * i / n), r * sin(2 * pi * i / n)) for i, r in enumerate(radii))


def inside(points: tuple[Point, ...], x: float, y: float) -> bool:
    """Whether a point lies within a closed outline (even-odd rule)."""
    found = False
    x1, y1 = points[-1]
    for x2, y2 in points:
        if (y1 > y) != (y2 > y) and x < (x2 - x1) * (y - y1) / (y2 - y1) + x1:
            found = not found
        x1, y1 = x2, y2
    return found


def which_inside(points: Sequence[Point], many: Sequence[Point]) -> list[bool]:
    """`inside` of many points at once: the same rule and the same arithmetic, a curve of a hundred points in the time of four."""
    ends, asked = np.asarray(points), np.asarray(many)
    x1, y1 = np.roll(ends, 1, axis=0).T
    x2, y2 = ends.T
    x, y = asked[:, :1], asked[:, 1:]
    passed = (y1 > y) != (y2 > y)
    with np.errstate(divide="ignore", invalid="ignore"):  # level edges, which no point passes
        crossed = passed & (x < (x2 - x1) * (y - y1) / (y2 - y1) + x1)
    return [bool(count % 2) for count in crossed.sum(axis=1)]


def crossings(points: tuple[Point, ...], x: float) -> tuple[float, float] | None:
    """Lowest and highest y at which a closed outline crosses the vertical at x; None where it does not."""
    found = []
    x1, y1 = points[-1]
    for x2, y2 in points:
        if (x1 > x) != (x2 > x):
            found.append(y1 + (y2 - y1) * (x - x1) / (x2 - x1))
        x1, y1 = x2, y2
    return (min(found), max(found)) if found else None


def near_point(family: str, fitting: Point | None, *, inset: float | None, corridor: float | None) -> Point | None:
    """Middle of the segment top, or the end of the corridor of a power-variation lens, from the boxed centre."""
    if fitting is None or inset is None or family in ("", "single_vision"):
        return None
    if family in SEGMENTED:
        return fitting[0] + inset, fitting[1]
    return None if corridor is None else (fitting[0] + inset, fitting[1] - corridor)


def blank_centre(family: str, fitting: Point | None, *, cross_above_prism_point: float | None) -> Point | None:
    """Where the middle of a round blank lies, from the boxed centre (mm): the same rule as `figures` has for the blank it needs.

    A power-variation lens has it at its prism reference point, straight below the fitting cross by what the maker states; a segment
    lens some way above the segment top; any other lens at its optical centre. None while it is not known.
    """
    if fitting is None:
        return None
    if family in ("progressive", "degressive"):
        return None if cross_above_prism_point is None else (fitting[0], fitting[1] - cross_above_prism_point)
    if family in SEGMENTED:
        return fitting[0], fitting[1] + SEGMENT_BELOW_BLANK_CENTRE_MM
    return fitting


def geometry_of(case: Case, figures: Figures) -> PairGeometry:
    """The picture of a dispense as it stands. Never fails: what is not on record is left open."""
    frame = case.frame or Frame()
    outline, traced = frame.outline, True
    if not outline:
        shape = read_front(case, Notes()).shape  # the one the figures stand on
        outline = tuple(map(float, np.hypot(shape.x, shape.y))) if shape is not None else ()
        traced = False
    return PairGeometry(
        a=frame.a,
        b=frame.b,
        dbl=frame.dbl,
        outline=outline,
        outline_traced=traced,
        drill_points=tuple((p.x, p.y, p.diameter) for p in frame.drill_points),
        min_edge=case.lens.min_edge_mm,
        right=_eye(case, figures, frame, "right"),
        left=_eye(case, figures, frame, "left"),
    )


def geometry_of_earlier(earlier: EarlierPair) -> PairGeometry | None:
    """An earlier pair as a ghost behind the present one; None when too little of it is on record to be drawn."""
    frame = earlier.frame
    if frame is None or frame.a is None or frame.b is None or frame.dbl is None:
        return None
    case = Case(today=earlier.on or date.min, frame=frame)

    def eye(one: Eye) -> EyeGeometry:
        return EyeGeometry(from_nose=earlier.far_pd.of(one), height=earlier.height.of(one), family=earlier.family or "")

    bare = geometry_of(case, Figures())
    return replace(bare, right=eye("right"), left=eye("left"))


def _eye(case: Case, figures: Figures, frame: Frame, eye: Eye) -> EyeGeometry:
    f = figures.of(eye)
    adopted = case.measurements.of(eye)
    design = case.lens.design
    family = design.family if design else ""
    from_nose, centred_for = _centring(f, frame, adopted)
    height = f.height_box
    if height is None and adopted.height_reference == "box":
        height = adopted.height
    fitting = _point(
        None if frame.c is None or from_nose is None else frame.c / 2 - from_nose,
        None if frame.b is None or height is None else height - frame.b / 2,
    )
    prism = (f.ordered.prism_in, f.ordered.prism_up) if f.ordered else (0.0, 0.0)
    quantity = "far_pd" if centred_for == "distance" else "near_pd"
    return EyeGeometry(
        from_nose=from_nose,
        centred_for=centred_for,
        height=height,
        pd_readings=tuple(r.value for r in case.measurements.readings if r.quantity == quantity and r.eye == eye),
        height_readings=_heights_in_box(case.measurements.readings, eye, adopted.height_reference, adopted.height, height),
        pupil_above_fitting=f.segment_top_below_pupil if family in SEGMENTED else 0.0,
        family=family,
        near=near_point(family, fitting, inset=f.near_inset, corridor=design.corridor_mm if design else None),
        segment_width=design.segment_width_mm if design else None,
        segment_depth=design.segment_depth_mm if design else None,
        intermediate_depth=design.intermediate_depth_mm if design else None,
        blank_diameter=case.lens.blank_diameter_mm,
        blank_centre=blank_centre(
            family, fitting, cross_above_prism_point=design.cross_above_prism_point_mm if design else None
        ),
        optical_centre=fitting if family == "single_vision" and prism == (0.0, 0.0) else None,
        prism_in=prism[0],
        prism_up=prism[1],
        front_curve=f.front_curve,
        centre_thickness=f.centre_thickness,
        edge_profile=f.edge_profile,
        min_height=design.min_height_mm if design else None,
    )


def _centring(f: LensFigures, frame: Frame, adopted: Adopted) -> tuple[float | None, str]:
    """The PD by which the lens is centred, and for what: the figures say so by the decentration they chose."""
    far = f.far_pd if f.far_pd is not None else adopted.far_pd
    near = f.near_pd if f.near_pd is not None else adopted.near_pd
    near = f.near_pd_computed if near is None else near  # of a near pair whose PD was measured for far only
    if frame.c is not None and f.decentration_in is not None:
        chosen = frame.c / 2 - f.decentration_in
        if near is not None and abs(chosen - near) < 0.005 and (far is None or abs(chosen - far) >= 0.005):
            return near, "near"
        return (far if far is not None and abs(chosen - far) < 0.005 else chosen), "distance"
    return far, "distance"


def _point(x: float | None, y: float | None) -> Point | None:
    return None if x is None or y is None else (x, y)


def _heights_in_box(
    readings: tuple[Reading, ...], eye: Eye, reference: HeightReference, adopted: float | None, height: float | None
) -> tuple[float, ...]:
    """Readings of the same reference as the adopted one, shifted by the same amount; others cannot be shown beside it."""
    if adopted is None or height is None:
        return ()
    shift = height - adopted
    return tuple(
        r.value + shift for r in readings if r.quantity == "height" and r.eye == eye and (r.reference or "box") == reference
    )
