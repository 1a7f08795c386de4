"""Small drawings of how measurements are taken: what is put where, and from where to where one reads. Not to scale.

One a method of `case.Method`; each shows the one thing that has to be right (the zero on the nose line, eyes at one level, ...).
The point that is read is in the pen's colour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import cos, pi, sin

from .shapes import Circle, Path, Picture, Point, Shape, Text

WIDTH, HEIGHT = 80.0, 46.0
HALF_PD = 16.0  # of the drawn face
_SIZE = 3.0


def _line(role: str, *points: Point) -> Path:
    return Path(role, tuple(points))


def _arc(role: str, x: float, y: float, rx: float, ry: float, start: float, end: float, steps: int = 16) -> Path:
    """Part of an ellipse from one angle to another (degrees)."""
    angles = [(start + (end - start) * i / steps) * pi / 180 for i in range(steps + 1)]
    return Path(role, tuple((x + rx * cos(t), y + ry * sin(t)) for t in angles))


def _box(role: str, left: float, bottom: float, right: float, top: float) -> Path:
    return Path(role, ((left, bottom), (right, bottom), (right, top), (left, top)), closed=True)


def _eye(x: float, y: float) -> Iterator[Shape]:
    """An eye from the front: lids, iris, pupil."""
    yield _arc("skin", x, y - 3.2, 8.0, 6.2, 32, 148)
    yield _arc("skin", x, y + 3.2, 8.0, 6.2, -148, -32)
    yield Circle("skin", x, y, 2.7)
    yield Circle("pupil", x, y, 1.2)


def _eyes(y: float) -> Iterator[Shape]:
    yield from _eye(-HALF_PD, y)
    yield from _eye(HALF_PD, y)
    yield _arc("skin", 0, y - 9, 3.2, 2.4, 200, 340)


def _profile(x: float, y: float) -> Iterator[Shape]:
    """An eye from the side, looking to the right, its cornea at (x, y)."""
    yield _arc("skin", x - 5.0, y, 5.2, 5.2, 20, 340)
    yield _arc("skin", x - 2.6, y, 2.8, 3.2, -48, 48)
    yield _line("pupil", (x - 1.2, y - 1.1), (x - 1.2, y + 1.1))


def _dimension(a: Point, b: Point) -> Iterator[Shape]:
    yield _line("dim", a, b)
    for x, y in (a, b):
        yield _line("dim", (x - 0.8, y - 0.8), (x + 0.8, y + 0.8))


def _rim(x: float, y: float, half_a: float = 13.0, half_b: float = 10.0, role: str = "tool") -> Path:
    """A rounded lens shape from the front."""
    points = []
    for i in range(48):
        t = 2 * pi * i / 48
        r = ((abs(cos(t)) / half_a) ** 3 + (abs(sin(t)) / half_b) ** 3) ** (-1 / 3)
        points.append((x + r * cos(t), y + r * sin(t)))
    return Path(role, tuple(points), closed=True)


def _spectacles(y: float) -> Iterator[Shape]:
    yield _rim(-HALF_PD, y)
    yield _rim(HALF_PD, y)
    yield _arc("tool", 0, y + 1.0, 3.2, 2.6, 20, 160)


def _ticks(x: float, y: float, count: int, step: float, *, upright: bool, length: float = 1.6) -> Iterator[Shape]:
    for k in range(count + 1):
        long = length * (1.6 if k % 5 == 0 else 1.0)
        yield (
            _line("dim", (x, y + k * step), (x + long, y + k * step))
            if upright
            else _line("dim", (x + k * step, y), (x + k * step, y + long))
        )


def _note(x: float, y: float, words: str, anchor: str = "middle", role: str = "note-text") -> Text:
    return Text(role, x, y, words, _SIZE, anchor)


def _picture(shapes: Iterator[Shape], title: str, description: str) -> Picture:
    return Picture(-WIDTH / 2, -HEIGHT / 2, WIDTH, HEIGHT, tuple(shapes), description, title)


def _pupillometer() -> Iterator[Shape]:
    yield from _eyes(0)
    yield _box("tool", -33, -9, 33, 9)
    yield _line("nose", (0, -15), (0, 17))
    for side in (-1, 1):
        yield _line("sight", (side * HALF_PD, -9), (side * HALF_PD, 15.5))
        yield Circle("reading", side * HALF_PD, 0.3, 0.55)
        yield from _dimension((0, 14), (side * HALF_PD, 14))
    yield _note(-HALF_PD / 2, 15.2, "R")
    yield _note(HALF_PD / 2, 15.2, "L")
    yield _note(0, -19, "hairline on the reflex, each eye by itself")


def _rule() -> Iterator[Shape]:
    yield from _eyes(2)
    yield _box("tool-fill", -35, -9.5, 35, -3.5)
    for side in (-1, 1):
        for k in range(0, 33, 2):
            yield _line("dim", (side * k, -3.5), (side * k, -3.5 - (2.6 if k % 10 == 0 else 1.5)))
        yield _line("sight", (side * HALF_PD, 2), (side * HALF_PD, -6.4))
        yield _note(side * HALF_PD, -8.9, "16", role="datum-text")
    yield _line("nose", (0, -12), (0, 14))
    yield _note(0, 15.5, "zero on the middle of the bridge")
    yield _note(0, -16, "one eye at a time,")
    yield _note(0, -20, "read with the eye of yours that is opposite")


def _marked_lens() -> Iterator[Shape]:
    yield _rim(-3, 0, 24, 17, "tool-fill")
    yield _line("datum", (-34, 0), (30, 0))
    yield _note(-34, 1.2, "datum line", "start", "datum-text")
    yield _line("sight", (3, -17), (3, 17))
    yield _note(4.2, -14, "PD line", "start", "datum-text")
    yield Circle("pupil", 3, 6.2, 2.2)
    yield Circle("reading", 3, 6.2, 0.7)
    yield from _dimension((13, 0), (13, 6.2))
    yield _line("extension", (5.6, 6.2), (14, 6.2))
    yield _note(14.8, 2.2, "above +", "start", "dim-text")
    yield _note(-3, -21.5, "lines drawn first, then the pupil is marked")


def _clip_scale() -> Iterator[Shape]:
    yield _rim(-4, 1, 25, 16)
    yield _rim(-4, 1, 23.4, 14.4)
    yield from _eye(-2, 5)
    yield _box("tool-fill", 6, -14.9, 11, 18)
    yield _arc("tool", 8.5, 18, 2.5, 3.0, 0, 180)
    yield from _ticks(6, -13.0, 28, 1.0, upright=True)
    yield _line("sight", (-2, 5), (11, 5))
    yield from _dimension((27, -13.4), (27, 5))
    yield _line("extension", (11.5, 5), (28, 5))
    yield _line("extension", (3, -13.4), (28, -13.4))
    yield _note(28.2, -5, "height", "start", "dim-text")
    yield _note(-4, -20.5, "hangs on the rim: full rims only")


def _levelled_gauge() -> Iterator[Shape]:
    yield from _profile(-20, 3)
    yield _line("tool-fill", (-15.4, 15), (-17.6, -10))
    yield _line("tool", (-14.6, 15), (-16.8, -10))
    yield _box("tool-fill", -12.5, -4, -9, 11)
    yield _box("tool", -9, 1.2, 4, 4.8)
    yield Circle("reading", -2.5, 3, 0.9)
    yield _arc("tool", -2.5, 3, 3.6, 1.2, 0, 360, 24)
    yield _line("sight", (-20, 3), (26, 3))
    yield from _observer(27, 3)
    yield _note(-3, 8, "level", role="datum-text")
    yield _line("extension", (-17.8, -10), (10, -10))
    yield from _dimension((8, -10), (8, 3))
    yield _note(9, -5, "height", "start", "dim-text")
    yield _note(0, -18, "a level line of sight: no parallax")


def _observer(x: float, y: float) -> Iterator[Shape]:
    """An eye from the side, looking to the left."""
    yield _arc("skin", x + 5.0, y, 5.2, 5.2, 200, 520)
    yield _arc("skin", x + 2.6, y, 2.8, 3.2, 132, 228)
    yield _line("pupil", (x + 1.2, y - 1.1), (x + 1.2, y + 1.1))


def _target_gauge() -> Iterator[Shape]:
    yield from _profile(-24, 4)
    yield _line("tool-fill", (-19.4, 16), (-21.6, -9))
    yield _line("tool", (-18.6, 16), (-20.8, -9))
    yield _line("tool", (-17.6, 12), (-19.0, -4))
    yield Circle("reading", -18.5, 3.6, 1.0)
    yield _line("sight", (-24, 4), (20, -2))
    yield _line("tool", (19, -9), (22.6, 5), (24, 4.6), (20.4, -9.4), (19, -9))
    yield _line("tool", (20.4, -9.4), (23, -16))
    yield _note(27, 8, "hand mirror")
    yield _note(-10, 17, "target", "start", "datum-text")
    yield _line("dim", (-10.5, 16.6), (-17.4, 5))
    yield _note(0, -20.5, "moved until the client sees it on the own pupil")


def _photograph() -> Iterator[Shape]:
    yield _box("paper", -38, -17, 38, 20)
    yield from _spectacles(0)
    yield from _eyes(1.5)
    yield _box("tool-fill", -20, 13, 20, 18)
    yield from _dimension((-20, 14.2), (20, 14.2))
    yield _note(0, 15.2, "known length", role="dim-text")
    for side in (-1, 1):
        x = side * HALF_PD
        yield _line("fitting", (x - 2.6, 1.5), (x + 2.6, 1.5))
        yield _line("fitting", (x, -1.1), (x, 4.1))
        for cx, cy, dx, dy in ((-13, -10, 1, 1), (13, -10, -1, 1)):
            yield _line("datum", (x + cx, cy + 2.4 * dy), (x + cx, cy), (x + cx + 2.4 * dx, cy))
    yield _line("nose", (0, -14), (0, 11))
    yield _note(0, -21.2, "camera level, card in the plane of the front")


_DRAWN: Mapping[str, tuple[Callable[[], Iterator[Shape]], str, str]] = {
    "pupillometer": (
        _pupillometer,
        "Corneal-reflex pupillometer",
        "The instrument rests on the nose; a hairline is set on the corneal reflex of each eye by itself, and read from the nose line.",
    ),
    "rule": (
        _rule,
        "Millimetre rule",
        "The rule lies on the bridge, its zero on the nose line; each pupil is read with your own eye straight before it.",
    ),
    "marked_lens": (
        _marked_lens,
        "Marked demonstration lens",
        "Datum line and monocular PD line are drawn on the demonstration lens; the pupil centre is marked and its offset read, above is plus.",
    ),
    "clip_scale": (
        _clip_scale,
        "Clip-on height scale",
        "The scale hangs on the upper rim; the height is read from the visible lower rim to the middle of the pupil. Full rims only.",
    ),
    "levelled_gauge": (
        _levelled_gauge,
        "Levelled gauge",
        "Seen from the side: a bubble on the gauge keeps the line from your eye to the client's level, so that there is no parallax.",
    ),
    "target_gauge": (
        _target_gauge,
        "Target gauge with mirror",
        "Seen from the side: the client looks into a hand mirror; a target before the lens is moved until it covers the own pupil.",
    ),
    "photograph": (
        _photograph,
        "Photograph with a known scale",
        "A front view with a card of known length held in the plane of the front; pupil centres and the corners of the boxes are marked.",
    ),
}


def method_picture(method: str) -> Picture | None:
    """The drawing of a method of `case.Method`; None for one that has none."""
    if method not in _DRAWN:
        return None
    draw, title, description = _DRAWN[method]
    return _picture(draw(), title, description)


METHOD_PICTURES: Mapping[str, Picture] = {
    method: _picture(draw(), title, description) for method, (draw, title, description) in _DRAWN.items()
}
