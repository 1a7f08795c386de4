"""Pictures of catalogue items: a front by itself, large and small, and a lens design on its uncut blank.

Units and directions as in `shapes`: mm, y up, x to the right as the viewer sees it. A design is drawn as a right lens, nose to the
right. Nothing here is a choice for a person: where a segment would sit depends on the fitting.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

from dispensing.case import SEGMENTED, Case, Frame, LensDesign
from dispensing.figures import Figures

from .geometry import geometry_of, outline_points
from .numbers import mm
from .pair import NEAR_RADIUS, pair_picture
from .shapes import Circle, Path, Picture, Point, Shape, Text, moved

_PERSONAL = frozenset({"unknown", "unknown-text"})
_FAMILY_WORDS = {
    "single_vision": "single vision",
    "round_bifocal": "round-segment bifocal",
    "flat_top_bifocal": "flat-top bifocal",
    "trifocal": "trifocal",
    "progressive": "progressive",
    "degressive": "degressive",
}
_TEXT, _STEPS = 3.2, 72


def front_picture(frame: Frame, today: date) -> Picture:
    """Both openings of a frame with box, datum line and dimensions; nobody's eyes behind them."""
    case = Case(today=today, frame=frame)
    picture = pair_picture(geometry_of(case, Figures()))
    shapes = tuple(s for s in picture.shapes if s.role not in _PERSONAL)
    size = f"Box {_or_unknown(frame.a)} by {_or_unknown(frame.b)} mm, {_or_unknown(frame.dbl)} mm between lenses."
    return replace(picture, shapes=shapes, title=frame.name, description=f"The front to scale. {size}")


def _or_unknown(value: float | None) -> str:
    return "unknown" if value is None else mm(value)


def small_front(outline: tuple[float, ...], a: float, dbl: float, name: str) -> Picture:
    """Both lens shapes and nothing else, for lists. `outline` as in case.Frame; an empty one gives an empty window."""
    shapes: list[Shape] = []
    half = a + dbl / 2
    height = 30.0
    if outline:
        points = outline_points(outline)
        right: Shape = Path("outline", points, closed=True)
        left: Shape = Path("outline", tuple((-x, y) for x, y in points), closed=True)
        shapes = [moved(right, -(a + dbl) / 2, 0.0), moved(left, (a + dbl) / 2, 0.0)]
        height = max(y for _, y in points) - min(y for _, y in points)
    return Picture(-half - 1, -height / 2 - 1, 2 * half + 2, height + 2, tuple(shapes), f"Shape of {name}")


def design_picture(design: LensDesign, diameter: float) -> Picture:
    """An uncut right lens of `diameter` mm, nose to the right, with what the design fixes: segment, or cross, corridor and near circle."""
    radius = diameter / 2
    shapes: list[Shape] = [
        Circle("outline", 0.0, 0.0, radius),
        Path("datum", ((-radius, 0.0), (radius, 0.0))),
    ]
    words = [f"An uncut right {_FAMILY_WORDS[design.family]} lens of {mm(diameter)} mm, nose to the right."]
    if design.family in SEGMENTED and design.segment_width_mm:
        _segment(design, radius, shapes, words)
    elif design.family in ("progressive", "degressive"):
        _power_variation(design, shapes, words)
    else:
        shapes += _cross("optical-centre", 0.0, 0.0, 2.5)
        words.append("The optical centre is in the middle.")
    shapes += _dimension(-radius, radius, -radius - 5.0, f"⌀ {mm(diameter)}")
    return Picture(
        -radius - 4, -radius - 11, diameter + 8, diameter + 15, tuple(shapes), " ".join(words), title=design.name
    )


def _cross(role: str, x: float, y: float, arm: float) -> list[Shape]:
    return [Path(role, ((x - arm, y), (x + arm, y))), Path(role, ((x, y - arm), (x, y + arm)))]


def _dimension(x1: float, x2: float, y: float, text: str) -> list[Shape]:
    return [
        Path("dim", ((x1, y), (x2, y))),
        Path("dim", ((x1 - 0.8, y - 0.8), (x1 + 0.8, y + 0.8))),
        Path("dim", ((x2 - 0.8, y - 0.8), (x2 + 0.8, y + 0.8))),
        Text("dim-text", (x1 + x2) / 2, y + 1.0, text, _TEXT),
    ]


def _upright(x: float, y1: float, y2: float, text: str, at: float) -> list[Shape]:
    """A vertical dimension at x from y1 to y2, its words to the right at height `at`."""
    return [
        Path("dim", ((x, y1), (x, y2))),
        Path("dim", ((x - 0.8, y1 - 0.8), (x + 0.8, y1 + 0.8))),
        Path("dim", ((x - 0.8, y2 - 0.8), (x + 0.8, y2 + 0.8))),
        Text("dim-text", x + 1.4, at - _TEXT / 3, text, _TEXT, "start"),
    ]


def _segment(design: LensDesign, radius: float, shapes: list[Shape], words: list[str]) -> None:
    width = design.segment_width_mm or 0.0
    depth = min(design.segment_depth_mm or width, width)
    round_radius = width / 2
    top = 0.0 if design.family == "round_bifocal" else 4.0
    inset = design.near_inset_mm or 0.0
    if width >= 2 * radius - 8:  # across the whole lens
        y = 0.0
        half = math.sqrt(radius**2 - y**2)
        arc = [(radius * math.cos(t), radius * math.sin(t)) for t in _angles(math.pi, 2 * math.pi)]
        shapes += [Path("segment", tuple(arc), closed=True), Path("segment-line", ((-half, y), (half, y)))]
        words.append("The near part is everything below the line.")
        return
    middle = top - (depth - round_radius)
    drop = min(1.0, (top - middle) / round_radius)
    start, end = math.asin(drop), math.pi - math.asin(drop)
    curve: list[Point] = [
        (inset + round_radius * math.cos(t), middle + round_radius * math.sin(t)) for t in _angles(end, start + 2 * math.pi)
    ]
    shapes.append(Path("segment", tuple(curve), closed=True))
    if design.segment_centre_below_top_mm is not None:
        shapes += _cross("optical-centre", inset, top - design.segment_centre_below_top_mm, 1.6)
    if design.intermediate_depth_mm:
        y = top - design.intermediate_depth_mm
        half = math.sqrt(max(round_radius**2 - (y - middle) ** 2, 0.0))
        shapes.append(Path("segment-line", ((inset - half, y), (inset + half, y))))
        shapes += _upright(inset + round_radius + 2, y, top, f"{mm(design.intermediate_depth_mm)}", (y + top) / 2)
    shapes += _dimension(inset - round_radius, inset + round_radius, top + 3.0, f"{mm(width)}")
    words.append(f"The segment is {mm(width)} mm wide and {mm(depth)} mm deep.")
    if design.segment_centre_below_top_mm is not None:
        words.append(f"Its optical centre lies {mm(design.segment_centre_below_top_mm)} mm below its top.")


def _power_variation(design: LensDesign, shapes: list[Shape], words: list[str]) -> None:
    cross = design.cross_above_prism_point_mm
    shapes += _cross("fitting", 0.0, cross, 4.0)
    shapes += [Circle("optical-centre", x, 0.0, 1.0) for x in (-17.0, 17.0)]  # permanent marks, 34 mm apart
    words.append(f"The fitting cross lies {mm(cross)} mm above the line of the permanent marks.")
    if design.corridor_mm is not None:
        inset = 2.5 if design.near_inset_mm is None else design.near_inset_mm
        near_y = cross - design.corridor_mm
        strip = ((-2.0, cross), (2.0, cross), (inset + 2.0, near_y), (inset - 2.0, near_y))
        shapes += [Path("corridor", strip, closed=True), Circle("near", inset, near_y, NEAR_RADIUS)]
        shapes += _upright(8.5, near_y, cross, f"corridor {mm(design.corridor_mm)}", min(cross - 2.6, -3.0))
        words.append(f"The near point lies {mm(design.corridor_mm)} mm below the cross.")
    if design.min_height_mm is not None:
        y = cross - design.min_height_mm
        shapes += [
            Path("limit", ((-24.0, y), (24.0, y))),
            Text("note-text", -24.0, y - 3.4, f"least fitting height {mm(design.min_height_mm)}", _TEXT, "start"),
        ]
        words.append(f"The lower box tangent must not lie above {mm(design.min_height_mm)} mm below the cross.")
    if design.min_above_mm is not None:
        y = cross + design.min_above_mm
        shapes += [
            Path("limit", ((-24.0, y), (24.0, y))),
            Text("note-text", -24.0, y + 1.2, f"least above {mm(design.min_above_mm)}", _TEXT, "start"),
        ]


def _angles(start: float, end: float) -> list[float]:
    return [start + (end - start) * i / _STEPS for i in range(_STEPS + 1)]
