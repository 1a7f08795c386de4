"""What is put before the eye: fitting point, pupil, near zone, segment, prism; open lines while one of them is not known."""

from __future__ import annotations

from math import asin, cos, hypot, pi, sin, sqrt

from dispensing.case import Eye

from .board import SMALL, TEXT, Board, around, clear_of_datum
from .curves import between, clip, runs
from .geometry import inside, which_inside
from .numbers import prism_words
from .pair_words import NEAR_RADIUS, near_state
from .shapes import Circle, Point, Text

PUPIL_RADIUS = 2.0  # a symbol: a pupil of 4 mm


class Points(Board):
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
            right, left, below = around("note-text", px, -half_b * 0.45, "no height stated", SMALL)
            roomy = (left, right) if px > self.at(eye, 0, 0)[0] else (right, left)  # towards the middle of the lens
            self.say(*roomy, below)
        elif x is not None:
            px, _ = self.at(eye, x, 0)
            self.add("unknown", [(px, -half_b), (px, half_b)], name=f"{eye}.open")
            self.say(*around("unknown-text", px, -half_b * 0.45, "height ?", TEXT))
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
            closed = [*curve, *between(curve[-1], curve[0], 24)]
            within = which_inside(points, closed)
            placed = self.placed(eye, closed)
            kept = clip(closed, points)
            if kept:
                self.add("segment", self.placed(eye, kept), closed=True, name=f"{eye}.segment")
            for run in runs([not w for w in within], placed):
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
                if all(self.labels.free(t) and self.clear_of_rim(eye, t) and clear_of_datum(t) for t in lines):
                    for line in lines:
                        self.say(line)
                    return True
        return False
