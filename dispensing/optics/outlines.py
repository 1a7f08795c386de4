"""Lens shapes for frames that nobody has traced: an outline that has the frame's own a, b and effective diameter.

A shape is a rounded polygon: a few sides, each with the direction it faces and how far out it lies,

    r(θ) = ( Σ max(0, cos(θ - side) / distance)^q )^(-1/q)

stretched to the box. The exponent q rounds the corners: it is found so that the effective diameter is the one asked for. Directions are
degrees from nasal through up, so that one table does for both eyes. Shape kinds have the names of BS 3521 where there is one; the others
are our own words for common fronts.

An outline from here stands in for a trace: blank, thickness and mass computed from it are as good as the shape is like. Box sizes are met
within 0.01 mm, the effective diameter within 0.2 mm, or an error says what this shape can reach.
Source of the shape names: BS 3521 (from memory); the form of the curve is our own.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dispensing.optics.boxing import MIN_POINTS, unit_circle
from dispensing.optics.errors import OutOfRange, within

Array = NDArray[np.float64]
Side = tuple[float, float]  # direction it faces, degrees; distance from the centre, relative

_BOX: tuple[Side, ...] = ((0, 1), (90, 1), (180, 1), (270, 1))


def _many(count: int, first: float = 0.0) -> tuple[Side, ...]:
    return tuple((first + i * 360.0 / count, 1.0) for i in range(count))


SHAPES: dict[str, tuple[Side, ...]] = {
    # round and oval: the four sides at q = 2 are an ellipse
    "round": _BOX,
    "oval": _BOX,
    "oval_upright": (*_BOX, (45, 1.06), (135, 1.06), (225, 1.06), (315, 1.06)),
    "egg": ((0, 1), (90, 1), (180, 1.04), (225, 0.98), (270, 1.05), (315, 0.92)),
    # pantoscopic: flatter above, rounder below
    "pantoscopic": ((0, 1), (90, 0.84), (180, 1), (230, 1.06), (270, 1), (310, 1.02)),
    "pantoscopic_round": ((0, 1), (90, 0.92), (180, 1), (225, 1), (270, 1), (315, 0.98)),
    "pantoscopic_square": ((0, 1), (90, 0.8), (180, 1), (270, 1), (315, 1.12)),
    "pantoscopic_crown": ((0, 1), (60, 1.02), (90, 0.88), (120, 1.02), (180, 1), (235, 1), (270, 1), (305, 1)),
    # quadra: four straight sides
    "quadra": _BOX,
    "quadra_soft": ((0, 1), (90, 1), (180, 1), (270, 1), (315, 1.18)),
    "quadra_tapered": ((350, 1), (90, 1), (190, 1), (270, 1)),
    "rectangle": _BOX,
    "rectangle_soft": ((0, 1), (90, 1), (180, 1), (270, 1), (225, 1.25), (315, 1.2)),
    "square": _BOX,
    "trapeze": ((346, 0.98), (90, 1), (194, 0.98), (270, 0.95)),
    # contour: nasal side cut away below to follow the nose
    "contour": ((8, 1), (90, 0.92), (176, 1), (270, 1), (322, 0.94)),
    "contour_deep": ((6, 1), (90, 0.9), (178, 1), (255, 1.02), (275, 1.03), (325, 0.88)),
    "contour_round": ((4, 1), (90, 0.97), (180, 1), (225, 1.02), (268, 1), (320, 0.92)),
    # aviator: drop shape, deep towards the temple
    "aviator": ((12, 0.98), (90, 0.82), (176, 1), (232, 1.02), (256, 1.04), (322, 0.82)),
    "aviator_square": ((10, 1), (90, 0.84), (178, 1), (250, 1.06), (268, 1.05), (322, 0.9)),
    "aviator_soft": ((8, 0.98), (90, 0.88), (180, 1), (228, 1), (260, 1.02), (318, 0.86)),
    # upswept: the upper temporal corner drawn up
    "upswept": ((0, 1), (76, 0.9), (188, 0.98), (258, 0.94), (318, 0.94)),
    "upswept_soft": ((0, 1), (82, 0.94), (184, 1), (235, 0.98), (265, 0.98), (315, 0.95)),
    "upswept_narrow": ((4, 1), (74, 0.92), (190, 1), (252, 0.92), (300, 1.0)),
    # cornered and others
    "hexagon": _many(6, 0.0),
    "hexagon_tall": ((0, 1.04), (60, 1), (90, 1.02), (120, 1), (180, 1.04), (240, 1), (270, 1.02), (300, 1)),
    "octagon": _many(8, 0.0),
    "cut_corner": (*_BOX, (45, 1.22), (135, 1.22), (225, 1.22), (315, 1.22)),
    "almond": ((0, 1.05), (70, 0.9), (110, 0.9), (180, 1.05), (250, 0.92), (290, 0.92)),
    "half_eye": ((0, 1), (90, 0.55), (180, 1), (235, 1), (270, 1), (305, 1)),
}
SHAPE_KINDS: tuple[str, ...] = tuple(SHAPES)

_Q_LEAST, _Q_MOST = 1.5, 24.0
_DENSE = 1440
TOLERANCE_ED_MM = 0.2


def _curve(sides: tuple[Side, ...], q: float) -> tuple[Array, Array]:
    """Dense points of the rounded polygon, before it is stretched."""
    cos, sin = unit_circle(_DENSE)
    total = np.zeros(_DENSE)
    for direction, distance in sides:
        t = math.radians(direction)
        total += np.maximum((math.cos(t) * cos + math.sin(t) * sin) / distance, 0.0) ** q
    r = total ** (-1.0 / q)
    return r * cos, r * sin


def _stretched(sides: tuple[Side, ...], q: float, a: float, b: float) -> tuple[Array, Array]:
    x, y = _curve(sides, q)
    left, right, low, high = x.min(), x.max(), y.min(), y.max()
    return (x - 0.5 * (left + right)) * (a / (right - left)), (y - 0.5 * (low + high)) * (b / (high - low))


def _ed(sides: tuple[Side, ...], q: float, a: float, b: float) -> float:
    x, y = _stretched(sides, q, a, b)
    return 2.0 * math.sqrt(float((x * x + y * y).max()))


def _sides(shape: str) -> tuple[Side, ...]:
    try:
        return SHAPES[shape]
    except (KeyError, TypeError):
        raise OutOfRange("shape", shape, f"is not a shape known here: {', '.join(SHAPE_KINDS)}.") from None


def _box(a: float, b: float) -> tuple[float, float]:
    return within("a", a, 15.0, 100.0, "mm"), within("b", b, 8.0, 100.0, "mm")


@lru_cache(maxsize=512)
def reach(a: float, b: float, shape: str) -> tuple[float, float]:
    """The least and greatest effective diameter this shape can have in an a x b box, mm (round corners to sharp ones)."""
    a, b = _box(a, b)
    sides = _sides(shape)
    tried = [_ed(sides, q, a, b) for q in np.geomspace(_Q_LEAST, _Q_MOST, 12).tolist()]
    return min(tried), max(tried)


_USUAL_Q = {
    "round": 2.0,
    "oval": 2.0,
    "oval_upright": 2.4,
    "egg": 2.6,
    "rectangle": 6.0,
    "square": 6.0,
    "hexagon": 14.0,
    "octagon": 14.0,
}
_FIRM_Q = 4.5


def usual_ed(a: float, b: float, shape: str) -> float:
    """The effective diameter this shape commonly has in such a box, mm, rounded to 0.1: ellipses for ovals, firm corners for others."""
    a, b = _box(a, b)
    return math.floor(_ed(_sides(shape), _USUAL_Q.get(shape, _FIRM_Q), a, b) * 10.0 + 0.5) / 10.0


@lru_cache(maxsize=512)
def outline_for(a: float, b: float, ed: float | None, shape: str, count: int = 120) -> tuple[float, ...]:
    """Radii from the boxed centre, mm, `count` equal steps from nasal through up, of a shape with these boxed sizes.

    a, b: boxed lens size, met within 0.01 mm by the polygon of the radii. ed: effective diameter, met within 0.2 mm; None = the usual one
    of this shape. shape: one of SHAPE_KINDS. Errors: NotFinite; OutOfRange for a shape not known, an effective diameter smaller than the
    box or larger than its diagonal, or one this shape cannot have in this box (the message says what it can).
    """
    a, b = _box(a, b)
    sides = _sides(shape)
    if count < max(MIN_POINTS, 24):
        raise OutOfRange("count", count, "must be at least 24.")
    wanted = usual_ed(a, b, shape) if ed is None else within("ed", ed, 15.0, 150.0, "mm")
    if not max(a, b) - 0.5 <= wanted <= math.hypot(a, b) + 0.01:
        why = f"must lie between the greater side of the box, {max(a, b):g}, and its diagonal, {math.hypot(a, b):.1f} mm, not {wanted:g}."
        raise OutOfRange("ed", ed, why)
    if ed is None:
        return _rounded(_sampled(sides, _USUAL_Q.get(shape, _FIRM_Q), a, b, count))
    aim = wanted
    radii: Array = np.empty(0)
    for _ in range(4):  # few points may miss the very corner: aim a little farther until the polygon has it
        radii = _sampled(sides, _exponent(sides, a, b, aim, shape), a, b, count)
        lacking = wanted - 2.0 * float(radii.max())
        if abs(lacking) < 0.05:
            break
        aim = min(max(aim + lacking, reach(a, b, shape)[0]), reach(a, b, shape)[1])
    if abs(wanted - 2.0 * float(radii.max())) > TOLERANCE_ED_MM:
        raise OutOfRange("count", count, f"is too few to show the corners of an effective diameter of {wanted:g} mm.")
    return _rounded(radii)


def _rounded(radii: Array) -> tuple[float, ...]:
    return tuple(np.round(radii, 3).tolist())


def _exponent(sides: tuple[Side, ...], a: float, b: float, wanted: float, shape: str) -> float:
    """The rounding whose effective diameter is nearest the one wanted: bracketed on a scale of exponents, then halved."""
    scale = np.geomspace(_Q_LEAST, _Q_MOST, 12).tolist()
    found = [_ed(sides, q, a, b) for q in scale]
    aim = wanted + 0.02  # below q = 2 the effective diameter stands still at the box: take the fullest shape that has it
    brackets = [i for i in range(11) if (found[i] - aim) * (found[i + 1] - aim) <= 0.0]
    if not brackets:
        best = min(range(12), key=lambda i: abs(found[i] - wanted))
        if abs(found[best] - wanted) <= TOLERANCE_ED_MM * 0.9:
            return float(scale[best])
        why = f"a {shape.replace('_', ' ')} shape of {a:g} by {b:g} mm has {min(found):.1f} to {max(found):.1f} mm, not {wanted:g}."
        raise OutOfRange("ed", wanted, why)
    i = brackets[-1]
    low, high = scale[i], scale[i + 1]
    rising = found[i + 1] > found[i]
    for _ in range(30):
        middle = math.sqrt(low * high)
        if (_ed(sides, middle, a, b) < aim) == rising:
            low = middle
        else:
            high = middle
    return math.sqrt(low * high)


def _sampled(sides: tuple[Side, ...], q: float, a: float, b: float, count: int) -> Array:
    """Equal steps round the boxed centre. The polygon of few points falls short of the curve's extremes: it is stretched to the box again
    until box and centre agree."""
    cos, sin = unit_circle(count)
    steps: Array = np.arange(count, dtype=np.float64) * (2.0 * math.pi / count)
    wide, high, shift_x, shift_y = a, b, 0.0, 0.0
    r = np.zeros(count)
    for _ in range(12):
        x, y = _stretched(sides, q, wide, high)
        x, y = x + shift_x, y + shift_y
        angle = np.unwrap(np.arctan2(y, x))
        turns = np.concatenate((angle - 2.0 * math.pi, angle, angle + 2.0 * math.pi))
        far = np.hypot(x, y)
        r = np.asarray(np.interp(steps, turns, np.concatenate((far, far, far))), dtype=np.float64)
        px, py = r * cos, r * sin
        left, right, low, top = float(px.min()), float(px.max()), float(py.min()), float(py.max())
        off = max(abs(right - left - a), abs(top - low - b), abs(right + left), abs(top + low))
        if off < 1e-4:
            break
        wide, high = wide * a / (right - left), high * b / (top - low)
        shift_x, shift_y = shift_x - 0.5 * (left + right), shift_y - 0.5 * (low + top)
    return r
