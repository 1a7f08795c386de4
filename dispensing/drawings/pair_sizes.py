"""Dimension lines of a pair: PDs, heights, decentration, boxed sizes, and scales to be marked by hand."""

from __future__ import annotations

from dispensing.case import EYES, Eye

from .board import SMALL, TEXT, Board
from .geometry import crossings
from .numbers import mm
from .shapes import Text


class Sizes(Board):
    def dimension(self, eye: Eye) -> None:
        e = self.g.of(eye)
        x, y = self.fitting(eye)
        top, bottom = self.b / 2, -self.b / 2
        if x is not None and e.from_nose is not None:
            px, _ = self.at(eye, x, 0)
            level = top + 9.0
            start = top if y is None else y + 4.6
            self.add("extension", [(px, start), (px, level + 1.0)])
            self.dim((0.0, level), (px, level))
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
        self.dim((dx, bottom), (dx, y))
        self.labels.block(dx - 0.5, bottom, dx + 0.5, y)
        out = -1 if eye == "right" else 1
        anchor = "end" if out < 0 else "start"
        text = mm(e.height)
        name = f"{eye}.height-text"
        other = "start" if out < 0 else "end"
        levels = [bottom + part * e.height for part in (0.32, 0.45, 0.6, 0.2, 0.75, 0.9)]
        outer = [Text("dim-text", dx + 1.0 * out, level - 1.1, text, TEXT, anchor, name) for level in levels]
        inner = [Text("dim-text", dx - 1.0 * out, level - 1.1, text, TEXT, other, name) for level in levels]
        clear = next((t for t in (*outer, *inner) if self.labels.free(t) and self.clear_of_rim(eye, t)), None)
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

    def _decentration(self, eye: Eye, x: float, level: float) -> None:
        if self.g.a is None or self.g.dbl is None or abs(x) < 0.05:
            return
        cx, _ = self.at(eye, 0, 0)
        px, _ = self.at(eye, x, 0)
        self.add("extension", [(cx, self.b / 2 - 0.5), (cx, level + 0.8)])
        self.dim((cx, level), (px, level))
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
            self.dim((left, level), (right, level))
            middle = (left + right) / 2
            self.say(
                Text("dim-text", middle, level + 0.9, mm(value), TEXT, "middle", name),
                Text("dim-text", middle, level - 3.6, mm(value), TEXT, "middle", name),
                Text("dim-text", left + 5, level + 0.9, mm(value), TEXT, "middle", name),
            )
        x = edges[3] + 4.0
        for y in (-self.b / 2, self.b / 2):
            self.add("extension", [(edges[3] + 0.5, y), (x + 1.0, y)])
        self.dim((x, -self.b / 2), (x, self.b / 2))
        self.say(*(Text("dim-text", x + 1.0, y, mm(self.g.b), TEXT, "start", "b-text") for y in (-6.0, 6.0, -10.0)))
