"""Both lenses as the dispenser sees the client: right eye on the left, to scale in millimetres, y up from the datum line.

What is wrong has to look wrong before anybody reads a word: a fitting point outside its lens is crossed out, the part of a lens
that its blank does not cover is drawn heavy, a near zone that the rim cuts is dashed, and what is not known stays open.
The nose line is x = 0 and the datum line y = 0.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from math import asin, cos, hypot, pi, sin, sqrt

import numpy as np

from dispensing.case import EYES, Eye

from .geometry import EyeGeometry, PairGeometry, crossings, inside, which_inside
from .labels import Labels, text_box, text_width
from .numbers import from_centre, mm, prism_words
from .shapes import Circle, Path, Picture, Point, Shape, Text

NEAR_RADIUS = (
    4.0  # the near circle as it is stamped on progressives, about 8 mm across: a symbol, not the extent of the zone
)
PUPIL_RADIUS = 2.0  # a symbol: a pupil of 4 mm
OPEN_A, OPEN_B, OPEN_DBL = 50.0, 36.0, 18.0  # the open boxes drawn while there is no frame
TEXT, SMALL, EYE_LETTER = 3.2, 2.6, 4.4


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


def describe(geometry: PairGeometry) -> str:
    """The picture in words, right eye first."""
    words = ["Both lenses to scale as you face the client, right eye on the left."]
    if geometry.a is None or geometry.b is None or geometry.dbl is None:
        words.append("The frame is not known yet.")
    else:
        words.append(f"Box {mm(geometry.a)} by {mm(geometry.b)} mm, {mm(geometry.dbl)} mm between lenses.")
    for eye in EYES:
        words.append(_eye_words(geometry, eye))
    return " ".join(words)


def _eye_words(geometry: PairGeometry, eye: Eye) -> str:
    g = geometry.of(eye)
    parts = [
        f"{_pd_name(g)} not known" if g.from_nose is None else f"{_pd_name(g)} {mm(g.from_nose)} mm",
        f"{_height_name(g)} not known" if g.height is None else f"{_height_name(g)} {mm(g.height)} mm",
    ]
    x, y = geometry.fitting(eye)
    if x is not None and y is not None:
        parts.append(from_centre((x, y)))
        if geometry.outline and not inside(geometry.points, x, y):
            parts.append("outside the lens")
    state = near_state(geometry, eye)
    if state:
        parts.append(
            {"in": "near zone within the lens", "cut": "near zone cut by the rim", "out": "near point outside the lens"}[
                state
            ]
        )
    if g.blank_diameter is not None:
        covered = not _uncovered(geometry, eye)
        parts.append(f"blank {mm(g.blank_diameter)} mm {'covers' if covered else 'does not cover'} the lens")
    prism = prism_words(g.prism_in, g.prism_up)
    if prism:
        parts.append(f"prism {prism}")
    return f"{'Right' if eye == 'right' else 'Left'}: " + ", ".join(parts) + "."


def _pd_name(g: EyeGeometry) -> str:
    return "far PD" if g.centred_for == "distance" else "near PD"


def _height_name(g: EyeGeometry) -> str:
    return "segment top height" if g.segmented else "height" if g.family in ("", "single_vision") else "fitting height"


def near_state(geometry: PairGeometry, eye: Eye) -> str:
    """Of a progressive or degressive lens: "in", "cut" or "out" of the outline; "" when there is nothing to say."""
    g = geometry.of(eye)
    if g.near is None or g.segmented or not geometry.outline:
        return ""
    points = geometry.points
    x, y = g.near
    if not inside(points, x, y):
        return "out"
    # Outline points lie closer together than the circle is wide: the nearest of them is near enough to the nearest of the curve.
    nearest = min([(px - x) ** 2 + (py - y) ** 2 for px, py in points])
    return "in" if nearest >= NEAR_RADIUS**2 else "cut"


def _uncovered(geometry: PairGeometry, eye: Eye) -> tuple[bool, ...]:
    """For each outline point, whether it lies beyond the blank; empty when there is no blank or all is covered."""
    g = geometry.of(eye)
    if g.blank_diameter is None or g.blank_centre is None:
        return ()
    return _beyond(geometry.points, *g.blank_centre, g.blank_diameter / 2)


@lru_cache(maxsize=64)
def _beyond(points: tuple[Point, ...], x0: float, y0: float, radius: float) -> tuple[bool, ...]:
    square = radius * radius
    flags = tuple([(x - x0) ** 2 + (y - y0) ** 2 > square for x, y in points])
    return flags if any(flags) else ()


class _Drawing:
    def __init__(self, geometry: PairGeometry) -> None:
        self.g = geometry
        self.a = geometry.a if geometry.a is not None else OPEN_A
        self.b = geometry.b if geometry.b is not None else OPEN_B
        self.c = self.a + (geometry.dbl if geometry.dbl is not None else OPEN_DBL)
        self.shapes: list[Shape] = []
        self.labels = Labels()

    # --- where things are ---------------------------------------------------------------------------------------------

    def at(self, eye: Eye, x: float, y: float) -> Point:
        """From (nasal, up) of one lens to the picture."""
        return (-self.c / 2 + x, y) if eye == "right" else (self.c / 2 - x, y)

    def placed(self, eye: Eye, points: Sequence[Point]) -> tuple[Point, ...]:
        """`at` for many points."""
        half = self.c / 2
        if eye == "right":
            return tuple([(x - half, y) for x, y in points])
        return tuple([(half - x, y) for x, y in points])

    def fitting(self, eye: Eye) -> tuple[float | None, float | None]:
        """As `PairGeometry.fitting`, on the open boxes while there is no frame."""
        e = self.g.of(eye)
        return (
            None if e.from_nose is None else self.c / 2 - e.from_nose,
            None if e.height is None else e.height - self.b / 2,
        )

    def add(self, role: str, points: Sequence[Point], *, closed: bool = False, name: str = "") -> None:
        self.shapes.append(Path(role, tuple(points), closed, name))

    def say(self, *candidates: Text) -> Text:
        return self.labels.put(candidates)

    # --- the lens -----------------------------------------------------------------------------------------------------

    def lens(self, eye: Eye) -> None:
        e = self.g.of(eye)
        bad = _uncovered(self.g, eye)
        half_a, half_b = self.a / 2, self.b / 2
        corners = [
            self.at(eye, x, y) for x, y in ((half_a, half_b), (-half_a, half_b), (-half_a, -half_b), (half_a, -half_b))
        ]
        if self.g.outline:
            self.add("outline", self.placed(eye, self.g.points), closed=True, name=f"{eye}.outline")
        else:
            self.add("outline-open", _rounded(corners), closed=True, name=f"{eye}.outline")
        self.add("box", corners, closed=True)
        if e.blank_diameter is not None and e.blank_centre is not None:
            x, y = self.at(eye, *e.blank_centre)
            self.shapes.append(Circle("blank-bad" if bad else "blank", x, y, e.blank_diameter / 2, f"{eye}.blank"))
        for run in _runs(bad, self.placed(eye, self.g.points)) if bad else ():
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

    # --- what is put before the eye -----------------------------------------------------------------------------------

    def points_of(self, eye: Eye) -> None:
        e = self.g.of(eye)
        x, y = self.fitting(eye)
        if x is None or y is None:
            self._open(eye, x, y)
            return
        if e.segmented:
            self._segment(eye)
        else:
            self._near_zone(eye, (x, y))
        self._pupil(eye, (x, y))
        if e.optical_centre is not None:
            ox, oy = self.at(eye, *e.optical_centre)
            self.shapes.append(Circle("optical-centre", ox, oy, 0.9, f"{eye}.optical-centre"))
            self.add("optical-centre", [(ox - 0.9, oy), (ox + 0.9, oy)])
            self.add("optical-centre", [(ox, oy - 0.9), (ox, oy + 0.9)])
        px, py = self.at(eye, x, y)
        outside = bool(self.g.outline) and not inside(self.g.points, x, y)
        arm = 2.2 if e.segmented else 4.0
        if outside:
            self.shapes.append(Circle("fitting-bad", px, py, 3.2, f"{eye}.fitting"))
            self.add("fitting-bad", [(px - 3.2, py - 3.2), (px + 3.2, py + 3.2)])
            self.add("fitting-bad", [(px - 3.2, py + 3.2), (px + 3.2, py - 3.2)])
            self.labels.block(px - 4, py - 4, px + 4, py + 4)
            words = "outside the lens"
            self.say(
                Text("stop-text", px, py - 6.6, words, TEXT),
                Text("stop-text", px, py + 4.6, words, TEXT),
                Text("stop-text", px, py - 10.5, words, TEXT),
            )
        else:
            self.add("fitting", [(px - arm, py), (px + arm, py)], name=f"{eye}.fitting")
            self.add("fitting", [(px, py - arm), (px, py + arm)])
            self.labels.block(px - arm, py - 0.4, px + arm, py + 0.4)
            self.labels.block(px - 0.4, py - arm, px + 0.4, py + arm)

    def _open(self, eye: Eye, x: float | None, y: float | None) -> None:
        """One or both of PD and height are missing: dashed lines on which the point must lie, and what to enter."""
        half_a, half_b = self.a / 2, self.b / 2
        if x is not None and self.g.of(eye).family == "single_vision":
            # single vision is often ordered without a height: both optical centres at one level, the lab's usual one
            px, _ = self.at(eye, x, 0)
            self.add("open", [(px, -half_b), (px, half_b)], name=f"{eye}.open")
            right, left, below = _around("note-text", px, -half_b * 0.45, "no height stated", SMALL)
            roomy = (left, right) if px > self.at(eye, 0, 0)[0] else (right, left)  # towards the middle of the lens
            self.say(*roomy, below)
        elif x is not None:
            px, _ = self.at(eye, x, 0)
            self.add("unknown", [(px, -half_b), (px, half_b)], name=f"{eye}.open")
            self.say(*_around("unknown-text", px, -half_b * 0.45, "height ?", TEXT))
        elif y is not None:
            self.add("unknown", [self.at(eye, -half_a, y), self.at(eye, half_a, y)], name=f"{eye}.open")
            px, py = self.at(eye, 0, y + 1.2)
            self.say(Text("unknown-text", px, py, "PD ?", TEXT), Text("unknown-text", px, py - 5, "PD ?", TEXT))
        else:
            px, py = self.at(eye, 0, 0)
            self.shapes.append(Circle("unknown", px, py, 5, f"{eye}.open"))
            self.say(Text("unknown-text", px, py - 9.5, "PD ?  height ?", TEXT))

    def _pupil(self, eye: Eye, fitting: Point) -> None:
        e = self.g.of(eye)
        if e.pupil_above_fitting is None:
            return
        x, y = self.at(eye, fitting[0], fitting[1] + e.pupil_above_fitting)
        columns = [self.c / 2 - v for v in e.pd_readings]
        rows = [v - self.b / 2 + e.pupil_above_fitting for v in e.height_readings]
        if len(columns) > 1 or len(rows) > 1:
            low_x, high_x = min(columns, default=fitting[0]), max(columns, default=fitting[0])
            middle = fitting[1] + e.pupil_above_fitting
            low_y, high_y = min(rows, default=middle), max(rows, default=middle)
            corners = ((low_x, low_y), (high_x, low_y), (high_x, high_y), (low_x, high_y))
            self.add("spread", self.placed(eye, corners), closed=True, name=f"{eye}.spread")
            for v in columns if len(columns) > 1 else ():
                px, py = self.at(eye, v, middle)
                self.shapes.append(Circle("reading", px, py, 0.4))
            for v in rows if len(rows) > 1 else ():
                px, py = self.at(eye, fitting[0], v)
                self.shapes.append(Circle("reading", px, py, 0.4))
        self.shapes.append(Circle("pupil", x, y, PUPIL_RADIUS, f"{eye}.pupil"))
        self.labels.block(x - 2, y - 2, x + 2, y + 2)

    def _near_zone(self, eye: Eye, fitting: Point) -> None:
        e = self.g.of(eye)
        if e.near is None:
            return
        (x0, y0), (x1, y1) = fitting, e.near
        corridor = ((x0 - 1.5, y0), (x1 - 2.2, y1), (x1 + 2.2, y1), (x0 + 1.5, y0))
        self.add("corridor", self.placed(eye, corridor), closed=True)
        x, y = self.at(eye, x1, y1)
        state = near_state(self.g, eye)
        role = {"cut": "near-cut", "out": "near-bad"}.get(state, "near")
        self.shapes.append(Circle(role, x, y, NEAR_RADIUS, f"{eye}.near"))
        self.labels.block(x - NEAR_RADIUS, y - NEAR_RADIUS, x + NEAR_RADIUS, y + NEAR_RADIUS)
        if state == "out":
            self.add(role, [(x - 2.8, y - 2.8), (x + 2.8, y + 2.8)])
            self.add(role, [(x - 2.8, y + 2.8), (x + 2.8, y - 2.8)])
        if state in ("out", "cut"):
            words = "near point outside" if state == "out" else "near zone cut"
            text_role = "stop-text" if state == "out" else "unknown-text"
            self.say(
                Text(text_role, x, -self.b / 2 - 4.6, words, TEXT),
                Text(text_role, x, -self.b / 2 - 13.6, words, TEXT),
            )

    def _segment(self, eye: Eye) -> None:
        e = self.g.of(eye)
        if e.near is None or e.segment_width is None:
            return
        x0, top = e.near
        radius = e.segment_width / 2
        depth = min(e.segment_depth or 2 * radius, 2 * radius)
        middle = top - (depth - radius)  # centre of the circle the segment is part of
        limit = min(1.0, max(-1.0, (top - middle) / radius))
        arc = asin(limit)
        steps = 72
        # from the right end of the top, clockwise below, to its left end
        curve = [
            (x0 + radius * cos(arc - (pi + 2 * arc) * i / steps), middle + radius * sin(arc - (pi + 2 * arc) * i / steps))
            for i in range(steps + 1)
        ]
        points = self.g.points
        if not points or all(which_inside(points, curve)):
            self.add("segment", self.placed(eye, curve), closed=True, name=f"{eye}.segment")
        else:
            closed = [*curve, *_between(curve[-1], curve[0], 24)]
            within = which_inside(points, closed)
            placed = self.placed(eye, closed)
            kept = _clip(closed, points)
            if kept:
                self.add("segment", self.placed(eye, kept), closed=True, name=f"{eye}.segment")
            for run in _runs([not w for w in within], placed):
                self.add("segment-uncut", run)
        if e.intermediate_depth:
            y = top - e.intermediate_depth
            half = sqrt(max(radius**2 - (y - middle) ** 2, 0.0))
            self.add("segment-line", [self.at(eye, x0 - half, y), self.at(eye, x0 + half, y)])
        left, right = self.at(eye, x0 - radius, top), self.at(eye, x0 + radius, top)
        self.labels.block(left[0], top - 0.4, right[0], top + 0.4)

    def prism(self, eye: Eye) -> None:
        """An arrow towards the base, its angle true, its length growing with the amount."""
        e = self.g.of(eye)
        amount = hypot(e.prism_in, e.prism_up)
        if amount < 0.005:
            return
        x, y = self.fitting(eye)
        at = self.at(eye, 0.0 if x is None else x, 0.0 if y is None else y)
        ux, uy = (e.prism_in if eye == "right" else -e.prism_in) / amount, e.prism_up / amount
        x0, y0 = at[0] + 2.6 * ux, at[1] + 2.6 * uy
        length = min(3.0 + 1.5 * amount, 13.0)
        x1, y1 = x0 + length * ux, y0 + length * uy
        self.add("prism", [(x0, y0), (x1 - 1.8 * ux, y1 - 1.8 * uy)])
        head = (
            (x1, y1),
            (x1 - 2.4 * ux - 1.1 * uy, y1 - 2.4 * uy + 1.1 * ux),
            (x1 - 2.4 * ux + 1.1 * uy, y1 - 2.4 * uy - 1.1 * ux),
        )
        self.add("prism", head, closed=True, name=f"{eye}.prism")
        wide, high = 1.2 * abs(uy), 1.2 * abs(ux)  # of the head, across
        self.labels.block(min(x0, x1) - wide, min(y0, y1) - high, max(x0, x1) + wide, max(y0, y1) + high)
        words = prism_words(e.prism_in, e.prism_up)
        anchors = ("start", "end") if ux >= 0 else ("end", "start")
        side = 1.8 if eye == "left" else -1.8  # beside a steep arrow, temporal of it
        steep = (
            [
                Text("datum-text", x1 + s, (y0 + y1) / 2 - 0.9, words, SMALL, "start" if s > 0 else "end")
                for s in (side, -side)
            ]
            if abs(ux) < 0.35
            else []
        )
        level = y1 + 1.1
        if not steep and self._stacked(eye, words.replace(", ", ",\n"), x1, level, 1.0 if ux >= 0 else -1.0):
            return
        beyond = Text("datum-text", x1 + (1.2 if ux >= 0 else -1.2), level, words, SMALL, anchors[0])
        back = [
            Text("datum-text", x1, level + dy, words, SMALL, anchors[1]) for dy in (1.0, -5.0, 4.0, -8.0, 7.0, -11.0, 10.0)
        ]
        above = [Text("datum-text", x1, level + dy, words, SMALL) for dy in (1.0, -5.0)]
        self.say(*steep, beyond, *above, *back)

    def _stacked(self, eye: Eye, words: str, x: float, level: float, out: float) -> bool:
        """The words, a line for each of two, at the tip of an arrow that points `out` (1 to the right, -1 to the left), clear of other
        labels, of the rim and of the datum line; False where there is no such place."""
        towards, back = ("start", "end") if out > 0 else ("end", "start")
        for dx, anchor in ((1.2, towards), (-1.4, towards), (-4.0, towards), (-6.5, towards), (-1.2, back)):
            for dy in (0.0, 0.8, 4.0, -4.4, 7.4, -7.6, 10.6, -11.0):
                lines = [
                    Text("datum-text", x + dx * out, level + dy - k * 3.2, line, SMALL, anchor)
                    for k, line in enumerate(words.split("\n"))
                ]
                if all(self.labels.free(t) and self._clear_of_rim(eye, t) and _clear_of_datum(t) for t in lines):
                    for line in lines:
                        self.say(line)
                    return True
        return False

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

    # --- dimensions ---------------------------------------------------------------------------------------------------

    def dimension(self, eye: Eye) -> None:
        e = self.g.of(eye)
        x, y = self.fitting(eye)
        top, bottom = self.b / 2, -self.b / 2
        if x is not None and e.from_nose is not None:
            px, _ = self.at(eye, x, 0)
            level = top + 9.0
            start = top if y is None else y + 4.6
            self.add("extension", [(px, start), (px, level + 1.0)])
            self._dim((0.0, level), (px, level))
            self.say(
                Text("dim-text", px / 2, level + 1.0, mm(e.from_nose), TEXT, "middle", f"{eye}.pd-text"),
                Text("dim-text", px / 2, level - 3.6, mm(e.from_nose), TEXT, "middle", f"{eye}.pd-text"),
            )
            self._decentration(eye, x, top + 3.6)
        if y is None or e.height is None:
            return
        # The height stands temporal of the point, away from the near zone; nasal of it where the lens leaves no room.
        fx = 0.0 if x is None else x
        limits = crossings(self.g.points, fx - 9) if self.g.outline else (bottom, top)
        side = -9.0 if limits is not None else 9.0
        if e.segmented and e.segment_width:
            inset = e.near[0] - fx if e.near else 0.0
            side = min(side, inset - e.segment_width / 2 - 3.0)
        dx, _ = self.at(eye, fx + side, 0)
        px, _ = self.at(eye, fx, 0)
        arm = 4.6 if side > -9.5 else 2.8
        self.add("extension", [(px + arm * (1 if dx > px else -1), y), (dx + (1.0 if dx > px else -1.0), y)])
        self._dim((dx, bottom), (dx, y))
        self.labels.block(dx - 0.5, bottom, dx + 0.5, y)
        out = -1 if eye == "right" else 1
        anchor = "end" if out < 0 else "start"
        text = mm(e.height)
        name = f"{eye}.height-text"
        other = "start" if out < 0 else "end"
        levels = [bottom + part * e.height for part in (0.32, 0.45, 0.6, 0.2, 0.75, 0.9)]
        outer = [Text("dim-text", dx + 1.0 * out, level - 1.1, text, TEXT, anchor, name) for level in levels]
        inner = [Text("dim-text", dx - 1.0 * out, level - 1.1, text, TEXT, other, name) for level in levels]
        clear = next((t for t in (*outer, *inner) if self.labels.free(t) and self._clear_of_rim(eye, t)), None)
        self.say(*((clear,) if clear else (*outer, *inner)))
        if e.min_height is not None and e.height < e.min_height - 1e-9:
            level = bottom + e.min_height
            self.add("limit", [self.at(eye, -self.a / 2, level), self.at(eye, self.a / 2, level)], name=f"{eye}.min-height")
            tx, _ = self.at(eye, self.a / 2 - 1, 0)
            words = f"at least {mm(e.min_height)}"
            anchor = "end" if eye == "right" else "start"
            self.say(
                Text("unknown-text", tx, level + 0.9, words, SMALL, anchor),
                Text("unknown-text", tx, level - 2.9, words, SMALL, anchor),
                Text(
                    "unknown-text",
                    *self.at(eye, -self.a / 2 + 1, level + 0.9),
                    words,
                    SMALL,
                    "start" if eye == "right" else "end",
                ),
            )

    def _clear_of_rim(self, eye: Eye, text: Text) -> bool:
        """Whether a label stands wholly within the lens or wholly beside it."""
        if not self.g.outline:
            return True
        left, low, right, high = text_box(text)
        rim = self.g.points[:: max(1, len(self.g.outline) // 90)]  # near enough for a label
        half, sign = self.c / 2, 1.0 if eye == "right" else -1.0
        corners = [(sign * x + half, y) for x in (left - 0.3, right + 0.3) for y in (low, high)]
        return len({inside(rim, *corner) for corner in corners}) == 1

    def _decentration(self, eye: Eye, x: float, level: float) -> None:
        if self.g.a is None or self.g.dbl is None or abs(x) < 0.05:
            return
        cx, _ = self.at(eye, 0, 0)
        px, _ = self.at(eye, x, 0)
        self.add("extension", [(cx, self.b / 2 - 0.5), (cx, level + 0.8)])
        self._dim((cx, level), (px, level))
        text = f"{mm(abs(x))} {'in' if x > 0 else 'out'}"
        right_of = max(cx, px) + 1.2
        left_of = min(cx, px) - 1.2
        first = Text("note-text", left_of, level - 0.9, text, SMALL, "end", f"{eye}.decentration-text")
        second = Text("note-text", right_of, level - 0.9, text, SMALL, "start", f"{eye}.decentration-text")
        self.say(*((first, second) if eye == "right" else (second, first)))

    def scales(self) -> None:
        """Millimetres along the datum line from the nose outwards, and up the middle of each box from its lower tangent."""
        for eye in EYES:
            sign = -1 if eye == "right" else 1
            middle, bottom = self.at(eye, 0, 0)[0], -self.b / 2
            for k in range(int(self.c / 2 - self.a / 2) + 1, int(self.c / 2 + self.a / 2)):
                high = 1.6 if k % 10 == 0 else 1.2 if k % 5 == 0 else 0.7
                self.add("extension", [(sign * k, 0), (sign * k, high)])
                if k % 10 == 0 and self.c / 2 - self.a / 2 + 2.5 < k < self.c / 2 + self.a / 2 - 2.5:
                    self.say(Text("note-text", sign * k, 2.0, str(k), SMALL))
            for k in range(1, int(self.b)):
                wide = 1.6 if k % 10 == 0 else 1.2 if k % 5 == 0 else 0.7
                self.add("extension", [(middle, bottom + k), (middle - sign * wide, bottom + k)])
                if k % 10 == 0 and not -1.5 < bottom + k < 4.5:  # clear of the datum line and its numbers
                    x = middle - sign * 2.2
                    self.say(Text("note-text", x, bottom + k - 0.9, str(k), SMALL, "start" if sign < 0 else "end"))

    def boxed_sizes(self) -> None:
        if self.g.a is None or self.g.b is None or self.g.dbl is None:
            return
        level = -self.b / 2 - 9.0
        half_a, half_c = self.a / 2, self.c / 2
        edges = [-half_c - half_a, -half_c + half_a, half_c - half_a, half_c + half_a]
        for x in edges:
            self.add("extension", [(x, -self.b / 2 - 0.5), (x, level - 1.0)])
        for left, right, value, name in (
            (edges[0], edges[1], self.g.a, "right.a-text"),
            (edges[1], edges[2], self.g.dbl, "dbl-text"),
            (edges[2], edges[3], self.g.a, "left.a-text"),
        ):
            self._dim((left, level), (right, level))
            middle = (left + right) / 2
            self.say(
                Text("dim-text", middle, level + 0.9, mm(value), TEXT, "middle", name),
                Text("dim-text", middle, level - 3.6, mm(value), TEXT, "middle", name),
                Text("dim-text", left + 5, level + 0.9, mm(value), TEXT, "middle", name),
            )
        x = edges[3] + 4.0
        for y in (-self.b / 2, self.b / 2):
            self.add("extension", [(edges[3] + 0.5, y), (x + 1.0, y)])
        self._dim((x, -self.b / 2), (x, self.b / 2))
        self.say(*(Text("dim-text", x + 1.0, y, mm(self.g.b), TEXT, "start", "b-text") for y in (-6.0, 6.0, -10.0)))

    def _dim(self, start: Point, end: Point) -> None:
        """A dimension line with slanted ticks, the draughtsman's way: legible where an arrowhead would not fit."""
        self.add("dim", [start, end])
        for x, y in (start, end):
            self.add("dim", [(x - 0.8, y - 0.8), (x + 0.8, y + 0.8)])

    # --- the whole ----------------------------------------------------------------------------------------------------

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


def _clear_of_datum(text: Text) -> bool:
    _, low, _, high = text_box(text)
    return low > 0.2 or high < -0.2


def _around(role: str, x: float, y: float, words: str, size: float) -> tuple[Text, ...]:
    return (
        Text(role, x + 1.2, y, words, size, "start"),
        Text(role, x - 1.2, y, words, size, "end"),
        Text(role, x, y - 5, words, size),
    )


def _rounded(corners: Sequence[Point]) -> list[Point]:
    """A box with rounded corners, as points."""
    out: list[Point] = []
    n = len(corners)
    for i, (x, y) in enumerate(corners):
        before, after = corners[i - 1], corners[(i + 1) % n]
        start = _towards((x, y), before, 9.0)
        end = _towards((x, y), after, 9.0)
        for k in range(7):
            t = k / 6
            out.append(
                (
                    (1 - t) ** 2 * start[0] + 2 * t * (1 - t) * x + t * t * end[0],
                    (1 - t) ** 2 * start[1] + 2 * t * (1 - t) * y + t * t * end[1],
                )
            )
    return out


def _towards(a: Point, b: Point, distance: float) -> Point:
    length = hypot(b[0] - a[0], b[1] - a[1])
    part = min(distance, length / 2) / length
    return a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part


def _between(start: Point, end: Point, steps: int) -> list[Point]:
    return [
        (start[0] + (end[0] - start[0]) * i / steps, start[1] + (end[1] - start[1]) * i / steps) for i in range(1, steps)
    ]


def _runs(flags: Sequence[bool], points: Sequence[Point]) -> Iterator[list[Point]]:
    """Stretches of a closed curve where the flag is set, each with one point more at its ends."""
    n = len(flags)
    if not any(flags):
        return
    if all(flags):
        yield [*points, points[0]]
        return
    start = next(i for i in range(n) if flags[i] and not flags[i - 1])
    run: list[Point] = []
    for k in range(n + 1):
        i = (start + k) % n
        if flags[i] and k < n:
            if not run:
                run.append(points[i - 1])
            run.append(points[i])
        elif run:
            run.append(points[i])
            yield run
            run = []


_CLEAR = 1e-6  # mm²: so far within an edge (times its length) rounding does not matter


def _cutting(subject: Sequence[Point], outline: Sequence[Point]) -> list[int]:
    """The edges of an outline, by the point they lead to, that have some point of a segment outside or as good as on them."""
    b, p = np.asarray(outline), np.asarray(subject)
    a = np.roll(b, 1, axis=0)
    along = b - a
    sides = along[:, :1] * (p[:, 1] - a[:, 1:]) - along[:, 1:] * (p[:, 0] - a[:, :1])
    return [int(i) for i in np.flatnonzero(sides.min(axis=1) < _CLEAR)]


def _clip(subject: Sequence[Point], outline: Sequence[Point]) -> list[Point]:
    """The part of a segment that stays on the glazed lens: Sutherland-Hodgman against the outline, which is close to convex.

    An edge that has all of the segment on its inner side takes nothing away, nor from what is left of it: most edges are passed over.
    """
    output = list(subject)
    for i in _cutting(subject, outline):
        if not output:
            return []
        ax, ay = outline[i - 1]
        bx, by = outline[i]
        entering, output = output, []
        px, py = entering[-1]
        previous = (bx - ax) * (py - ay) - (by - ay) * (px - ax)
        for qx, qy in entering:
            side = (bx - ax) * (qy - ay) - (by - ay) * (qx - ax)
            if (side >= 0) != (previous >= 0):
                t = previous / (previous - side)
                output.append((px + t * (qx - px), py + t * (qy - py)))
            if side >= 0:
                output.append((qx, qy))
            px, py, previous = qx, qy, side
    return output
