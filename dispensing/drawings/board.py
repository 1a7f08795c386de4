"""What both lenses are drawn on: where a point of a lens lies in the picture, shapes so far, and labels that keep apart."""

from __future__ import annotations

from collections.abc import Sequence

from dispensing.case import Eye

from .geometry import PairGeometry, inside
from .labels import Labels, text_box
from .shapes import Path, Point, Shape, Text

OPEN_A, OPEN_B, OPEN_DBL = 50.0, 36.0, 18.0  # the open boxes drawn while there is no frame
TEXT, SMALL, EYE_LETTER = 3.2, 2.6, 4.4


class Board:
    def __init__(self, geometry: PairGeometry) -> None:
        self.g = geometry
        self.a = geometry.a if geometry.a is not None else OPEN_A
        self.b = geometry.b if geometry.b is not None else OPEN_B
        self.c = self.a + (geometry.dbl if geometry.dbl is not None else OPEN_DBL)
        self.shapes: list[Shape] = []
        self.labels = Labels()

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

    def dim(self, start: Point, end: Point) -> None:
        """A dimension line with slanted ticks, the draughtsman's way: legible where an arrowhead would not fit."""
        self.add("dim", [start, end])
        for x, y in (start, end):
            self.add("dim", [(x - 0.8, y - 0.8), (x + 0.8, y + 0.8)])

    def clear_of_rim(self, eye: Eye, text: Text) -> bool:
        """Whether a label stands wholly within the lens or wholly beside it."""
        if not self.g.outline:
            return True
        left, low, right, high = text_box(text)
        rim = self.g.points[:: max(1, len(self.g.outline) // 90)]  # near enough for a label
        half, sign = self.c / 2, 1.0 if eye == "right" else -1.0
        corners = [(sign * x + half, y) for x in (left - 0.3, right + 0.3) for y in (low, high)]
        return len({inside(rim, *corner) for corner in corners}) == 1


def around(role: str, x: float, y: float, words: str, size: float) -> tuple[Text, ...]:
    return (
        Text(role, x + 1.2, y, words, size, "start"),
        Text(role, x - 1.2, y, words, size, "end"),
        Text(role, x, y - 5, words, size),
    )


def clear_of_datum(text: Text) -> bool:
    _, low, _, high = text_box(text)
    return low > 0.2 or high < -0.2
