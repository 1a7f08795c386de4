"""Both lenses as the dispenser sees the client: right eye on the left, to scale in millimetres, y up from the datum line.

What is wrong has to look wrong before anybody reads a word: a fitting point outside its lens is crossed out, the part of a lens
that its blank does not cover is drawn heavy, a near zone that the rim cuts is dashed, and what is not known stays open.
The nose line is x = 0 and the datum line y = 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

from dispensing.case import EYES, Eye

from .board import EYE_LETTER, SMALL
from .curves import rounded, runs
from .geometry import EyeGeometry, PairGeometry, inside
from .labels import text_box, text_width
from .pair_points import Points
from .pair_sizes import Sizes
from .pair_words import NEAR_RADIUS, describe, near_state, uncovered
from .shapes import Circle, Path, Picture, Shape, Text

__all__ = ["NEAR_RADIUS", "bounds", "cropped", "describe", "measuring_picture", "near_state", "pair_picture"]


def pair_picture(
    geometry: PairGeometry,
    *,
    earlier: PairGeometry | None = None,
    before: PairGeometry | None = None,
    dimensions: bool = True,
    whole_blanks: bool = False,
) -> Picture:
    """The picture of a pair.

    `earlier` is drawn as a ghost, its pupils at the level of these; `before` marks where the points were before a change;
    `dimensions` adds the boxed sizes to the PDs and heights that are always dimensioned. The window depends on the frame alone, so
    that a live picture does not jump; with `whole_blanks` it is as large as the blanks need, for print.
    """
    drawing = _Drawing(geometry)
    for eye in EYES:
        drawing.lens(eye)
    if earlier is not None:
        drawing.ghost(earlier)
    drawing.lines()
    for eye in EYES:
        drawing.points_of(eye)
    if before is not None:
        drawing.changed_from(before)
    for eye in EYES:
        drawing.dimension(eye)
    for eye in EYES:
        drawing.prism(eye)
    if dimensions:
        drawing.boxed_sizes()
    return drawing.picture(whole_blanks)


def measuring_picture(geometry: PairGeometry) -> Picture:
    """Both empty lenses at true size with scales of millimetres, to be marked by hand: PDs from the nose, heights from the box."""
    empty = replace(geometry, right=EyeGeometry(), left=EyeGeometry())
    drawing = _Drawing(empty)
    for eye in EYES:
        drawing.lens(eye)
    drawing.lines()
    drawing.scales()
    drawing.boxed_sizes()
    words = (
        describe(empty).split(" Right:")[0]
        + " Scales of millimetres from the nose and from the lower box tangents, to be marked."
    )
    return replace(drawing.picture(False), description=words, title="Both lenses to be marked, to scale")


class _Drawing(Points, Sizes):
    def lens(self, eye: Eye) -> None:
        e = self.g.of(eye)
        bad = uncovered(self.g, eye)
        half_a, half_b = self.a / 2, self.b / 2
        corners = [
            self.at(eye, x, y) for x, y in ((half_a, half_b), (-half_a, half_b), (-half_a, -half_b), (half_a, -half_b))
        ]
        if self.g.outline:
            self.add("outline", self.placed(eye, self.g.points), closed=True, name=f"{eye}.outline")
        else:
            self.add("outline-open", rounded(corners), closed=True, name=f"{eye}.outline")
        self.add("box", corners, closed=True)
        if e.blank_diameter is not None and e.blank_centre is not None:
            x, y = self.at(eye, *e.blank_centre)
            self.shapes.append(Circle("blank-bad" if bad else "blank", x, y, e.blank_diameter / 2, f"{eye}.blank"))
        for run in runs(bad, self.placed(eye, self.g.points)) if bad else ():
            self.add("uncovered", run)
        x, y = self.at(eye, 0, 0)
        self.add("box-centre", [(x - 1, y), (x + 1, y)])
        self.add("box-centre", [(x, y - 1), (x, y + 1)])
        for px, py, diameter in self.g.drill_points:
            x, y = self.at(eye, px, py)
            ok = not self.g.outline or inside(self.g.points, px, py)
            self.shapes.append(Circle("drill" if ok else "drill-bad", x, y, diameter / 2))
        letter = "R" if eye == "right" else "L"
        x, y = self.at(eye, -half_a, half_b + 2.2)
        self.say(Text("eye-text", x, y, letter, EYE_LETTER, "start" if eye == "right" else "end", f"{eye}.letter"))

    def ghost(self, earlier: PairGeometry) -> None:
        """The earlier pair's outlines and points, moved so that the eyes of the two pictures are at one level."""
        rise = _eye_level(self.g) - _eye_level(earlier)
        left = -self.c / 2 - self.a / 2
        self.say(Text("note-text", left, -self.b / 2 - 13.8, "dotted: earlier pair", SMALL, "start", "earlier-text"))
        other = _Drawing(earlier)
        for eye in EYES:
            if earlier.outline:
                points = other.placed(eye, earlier.points)
                self.add("ghost", [(x, y + rise) for x, y in points], closed=True, name=f"{eye}.earlier")
            x, y = other.fitting(eye)
            if x is not None and y is not None:
                px, py = other.at(eye, x, y)
                self.add("ghost", [(px - 2, py + rise), (px + 2, py + rise)])
                self.add("ghost", [(px, py + rise - 2), (px, py + rise + 2)])

    def lines(self) -> None:
        """Datum line and nose line."""
        reach = self.c / 2 + self.a / 2 + 10
        self.add("datum", [(-reach, 0), (reach, 0)], name="datum")
        self.add("nose", [(0, -self.b / 2 - 3), (0, self.b / 2 + 11)], name="nose")
        self.say(Text("datum-text", -reach, 0.9, "datum", SMALL, "start"))

    def changed_from(self, before: PairGeometry) -> None:
        other = _Drawing(before)
        for eye in EYES:
            bx, by = other.fitting(eye)
            x, y = self.fitting(eye)
            if None in (bx, by, x, y):
                continue
            old, new = other.at(eye, bx, by), self.at(eye, x, y)  # type: ignore[arg-type]
            if hypot(old[0] - new[0], old[1] - new[1]) < 0.05:
                continue
            self.add("before", [(old[0] - 3, old[1]), (old[0] + 3, old[1])], name=f"{eye}.before")
            self.add("before", [(old[0], old[1] - 3), (old[0], old[1] + 3)])
            self.add("before", [old, new])

    def picture(self, whole_blanks: bool) -> Picture:
        shapes = (*self.shapes, *self.labels.texts)
        left, bottom, width, height = _window(self, shapes, whole_blanks)
        return Picture(left, bottom, width, height, shapes, describe(self.g), "Both lenses to scale")


def cropped(picture: Picture, geometry: PairGeometry) -> Picture:
    """A picture made with `whole_blanks`, seen through the smaller window that depends on the frame alone."""
    left, bottom, width, height = _window(_Drawing(geometry), picture.shapes, False)
    return replace(picture, left=left, bottom=bottom, width=width, height=height)


def _window(drawing: _Drawing, shapes: Sequence[Shape], whole_blanks: bool) -> tuple[float, float, float, float]:
    """Left, bottom, width, height. Only a point far off, which must be seen, widens it; a blank that reaches beyond is cut off."""
    reach = drawing.c / 2 + drawing.a / 2 + 13.0
    top, bottom = drawing.b / 2 + 14.5, -drawing.b / 2 - 15.0
    for shape in shapes:
        if isinstance(shape, Circle):
            margin = None
            if shape.role in ("blank", "blank-bad"):
                margin = 0.5 if whole_blanks else None
            elif shape.role in ("fitting-bad", "near-bad", "near", "pupil"):
                margin = 5.0
            if margin is not None:
                room = shape.radius + margin
                reach = max(reach, abs(shape.x) + room)
                top, bottom = max(top, shape.y + room), min(bottom, shape.y - room)
        elif isinstance(shape, Text) and shape.role == "stop-text":
            left, low, right, high = text_box(shape)
            reach = max(reach, right + 2.0, 2.0 - left)
            top, bottom = max(top, high + 1.0), min(bottom, low - 1.0)
    return -reach, bottom, 2 * reach, top - bottom


def bounds(shapes: Sequence[Shape]) -> tuple[float, float, float, float]:
    """Left, bottom, right, top (mm) of shapes; labels by their estimated width."""
    xs: list[float] = []
    ys: list[float] = []
    for shape in shapes:
        if isinstance(shape, Path):
            xs += [p[0] for p in shape.points]
            ys += [p[1] for p in shape.points]
        elif isinstance(shape, Circle):
            xs += [shape.x - shape.radius, shape.x + shape.radius]
            ys += [shape.y - shape.radius, shape.y + shape.radius]
        else:
            width = text_width(shape.text, shape.size)
            left = shape.x - {"start": 0.0, "middle": width / 2, "end": width}[shape.anchor]
            xs += [left, left + width]
            ys += [shape.y - 0.22 * shape.size, shape.y + 0.78 * shape.size]
    return min(xs), min(ys), max(xs), max(ys)


def _eye_level(g: PairGeometry) -> float:
    """Mean pupil level above the datum line; 0 when it is not known."""
    levels = []
    for eye in EYES:
        y = g.fitting(eye)[1]
        if y is not None:
            levels.append(y + (g.of(eye).pupil_above_fitting or 0.0))
    return sum(levels) / len(levels) if levels else 0.0
