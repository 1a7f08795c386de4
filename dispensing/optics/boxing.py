"""The boxing system (ISO 8624): from a traced lens shape to its box, its sizes and the blank it needs.

Frame of reference, both eyes: x positive towards the nose, y positive upwards, millimetres; the origin of every point that leaves
this module is the boxed centre. Directions are degrees from nasal (0) through up (90) to temporal (180).

A shape is the polygon through the traced points: chords are straight. Everything here is exact for that polygon (area, perimeter,
box, effective diameter, least uncut diameter: to rounding of the arithmetic, about 1e-12 mm). How far a tracing with few points
lies inside the true curve is a property of the tracing: with 36 points of a 50 mm shape up to 0.1 mm, with 400 below 0.001 mm.

Sources: ISO 8624 and ISO 13666 (terms); the geometry is elementary.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dispensing.optics.errors import BadOutline, NotFinite, OutOfRange, finite

Array = NDArray[np.float64]

MIN_POINTS = 16  # fewer cannot show a lens shape: the chords of a 50 mm circle would lie 0.5 mm inside it
SIZE_RANGE_MM = (15.0, 100.0)  # width or depth of a box that can be a spectacle lens or a shield; common practice, wide
ALLOWANCE_RULE_MM = 2.0  # added by the rule of thumb for chips and edging; common practice


@dataclass(frozen=True, slots=True, eq=False)
class Box:
    """A lens shape in its box. Points are from the boxed centre.

    `centre_x`, `centre_y`: the boxed centre seen from the origin that the tracing used, mm.
    `ed`: effective diameter, twice the longest radius from the boxed centre, mm; `ed_at_deg`: direction of that radius.
    """

    x: Array
    y: Array
    a: float
    b: float
    centre_x: float
    centre_y: float
    ed: float
    ed_at_deg: float


@dataclass(frozen=True, slots=True)
class Uncut:
    """The blank a shape needs when its centre is to lie off the boxed centre."""

    diameter: (
        float  # mm, exact: twice the greatest distance from the centration point to the shape, plus the allowance asked for
    )
    at_deg: float  # direction of the outline point that needs it, from the boxed centre
    at_x: float
    at_y: float
    rule: float  # mm, rule of thumb: ed + 2 x horizontal decentration + 2


def _array(values: Sequence[float] | Array, argument: str) -> Array:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as reason:
        raise BadOutline(argument, "must be a list of numbers.") from reason
    if array.ndim != 1 or array.size == 0:
        raise BadOutline(argument, "is empty." if array.size == 0 else "must be one list of numbers.")
    if array.size < MIN_POINTS:
        raise BadOutline(argument, f"has {array.size} points; at least {MIN_POINTS} are needed to show a lens shape.")
    # a sum of finite numbers of this size is finite, and one pass is all it costs
    with np.errstate(invalid="ignore", over="ignore"):  # +inf and -inf together: the sum says so, numpy need not
        total = float(array.sum())
    if not math.isfinite(total):
        raise NotFinite(argument, total)
    return array


_UNIT: dict[int, tuple[Array, Array]] = {}


def unit_circle(count: int) -> tuple[Array, Array]:
    """Cosines and sines of `count` equal steps from 0. Kept, since tracings come in few counts."""
    found = _UNIT.get(count)
    if found is None:
        angles = np.arange(count) * (2.0 * math.pi / count)
        found = (np.cos(angles), np.sin(angles))
        if len(_UNIT) < 32:
            _UNIT[count] = found
    return found


def box(
    radii: Sequence[float] | Array,
    *,
    start_deg: float = 0.0,
    clockwise: bool = False,
    angles_deg: Sequence[float] | Array | None = None,
) -> Box:
    """The box of a shape traced as radii in equal steps round any origin inside it.

    radii: mm, all positive, at least MIN_POINTS. start_deg: direction of the first radius, degrees from nasal through up.
    clockwise: the next radius lies from up towards nasal. A left lens traced anticlockwise from the right as seen facing the wearer
    starts temporal and goes up: start_deg=180, clockwise=True. angles_deg: the direction of each radius, when the steps are unequal;
    they must go once round, one way.

    Errors: NotFinite (not-a-number, infinite); BadOutline (empty, too few, a radius not positive, angles that turn back: a shape
    that crosses itself); OutOfRange (a box no spectacle lens has).
    """
    array = _array(radii, "radii")
    if float(array.min()) <= 0.0:
        raise BadOutline("radii", "holds a radius that is not positive: the tracing's origin must lie inside the shape.")
    if angles_deg is not None:
        angles = np.radians(_array(angles_deg, "angles_deg"))
        if angles.size != array.size:
            raise BadOutline("angles_deg", f"has {angles.size} values for {array.size} radii.")
        steps = np.diff(angles)
        if not (np.all(steps > 0) or np.all(steps < 0)) or abs(angles[-1] - angles[0]) >= 2 * math.pi - 1e-9:
            raise BadOutline("angles_deg", "must go once round, always the same way: the shape crosses itself.")
        return _boxed(array * np.cos(angles), array * np.sin(angles))
    cos, sin = unit_circle(array.size)
    x, y = array * cos, array * sin
    if clockwise:
        y = -y
    if start_deg:
        turn = math.radians(finite("start_deg", start_deg))
        x, y = x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)
    return _boxed(x, y)


def box_of_points(x: Sequence[float] | Array, y: Sequence[float] | Array) -> Box:
    """The box of a shape given as points in order, mm, x nasal, y up, any origin.

    Errors as `box`; BadOutline when two chords cross (every pair of chords is tried).
    """
    xs, ys = _array(x, "x"), _array(y, "y")
    if xs.size != ys.size:
        raise BadOutline("y", f"has {ys.size} values for {xs.size} in x.")
    if xs[0] == xs[-1] and ys[0] == ys[-1]:  # a closed list repeats its first point
        xs, ys = xs[:-1], ys[:-1]
    if _crosses_itself(xs, ys):
        raise BadOutline("x", "the shape crosses itself.")
    return _boxed(xs, ys)


def _crosses_itself(x: Array, y: Array) -> bool:
    n = x.size
    x2, y2 = np.roll(x, -1), np.roll(y, -1)

    def side(px: Array, py: Array) -> Array:  # of every point against every chord
        out: Array = (x2 - x)[:, None] * (py[None, :] - y[:, None]) - (y2 - y)[:, None] * (px[None, :] - x[:, None])
        return out

    first = side(x, y)
    second = np.roll(first, -1, axis=1)
    split = first * second < 0  # ends of chord j lie on both sides of chord i
    crossing = split & split.T
    near = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    crossing &= (near > 1) & (near < n - 1)
    return bool(crossing.any())


def _boxed(x: Array, y: Array) -> Box:
    left, right, low, high = float(x.min()), float(x.max()), float(y.min()), float(y.max())
    a, b = right - left, high - low
    least, most = SIZE_RANGE_MM
    if not (least <= a <= most and 0.5 * least <= b <= most):
        raise OutOfRange("outline", (a, b), f"its box of {a:.1f} by {b:.1f} mm is not that of a spectacle lens.")
    centre_x, centre_y = 0.5 * (left + right), 0.5 * (low + high)
    x, y = x - centre_x, y - centre_y
    square = x * x + y * y
    longest = int(square.argmax())
    return Box(
        x=x,
        y=y,
        a=a,
        b=b,
        centre_x=centre_x,
        centre_y=centre_y,
        ed=2.0 * math.sqrt(float(square[longest])),
        ed_at_deg=direction_deg(float(x[longest]), float(y[longest])),
    )


def direction_deg(x: float, y: float) -> float:
    """Direction of a point, degrees from nasal through up, 0 <= value < 360."""
    return math.degrees(math.atan2(y, x)) % 360.0


def cross_products(shape: Box) -> Array:
    """x[i] y[i+1] - x[i+1] y[i] for each chord, mm2: twice the signed area of its triangle with the boxed centre."""
    x, y = shape.x, shape.y
    out = np.empty_like(x)
    out[:-1] = x[:-1] * y[1:] - x[1:] * y[:-1]
    out[-1] = x[-1] * y[0] - x[0] * y[-1]
    return out


def area(shape: Box) -> float:
    """Area of the shape, mm2."""
    return abs(0.5 * float(cross_products(shape).sum()))


def perimeter(shape: Box) -> float:
    """Length of the shape's edge seen from the front, mm (chords)."""
    return float(np.hypot(np.roll(shape.x, -1) - shape.x, np.roll(shape.y, -1) - shape.y).sum())


def centroid(shape: Box) -> tuple[float, float]:
    """Centre of area, mm from the boxed centre."""
    cross = cross_products(shape)
    whole = 3.0 * float(cross.sum())
    x = float(((shape.x + np.roll(shape.x, -1)) * cross).sum()) / whole
    y = float(((shape.y + np.roll(shape.y, -1)) * cross).sum()) / whole
    return x, y


def radii(shape: Box, count: int = 400) -> Array:
    """The shape as `count` radii from the boxed centre, mm, equal steps from nasal through up.

    Each radius is cut with the chord it meets, exactly; where a shape doubles back on a direction the outer cut is given.
    """
    if count < MIN_POINTS:
        raise OutOfRange("count", count, f"must be at least {MIN_POINTS}.")
    cos, sin = unit_circle(count)
    x2, y2 = np.roll(shape.x, -1), np.roll(shape.y, -1)
    # the ray r (cos, sin) cuts the chord p + t (q - p): two linear equations for each direction and chord
    dx, dy = x2 - shape.x, y2 - shape.y
    det = cos[:, None] * dy[None, :] - sin[:, None] * dx[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        r = (shape.x * dy - shape.y * dx)[None, :] / det
        t = (shape.x[None, :] * sin[:, None] - shape.y[None, :] * cos[:, None]) / det
    hit = (t >= -1e-12) & (t <= 1 + 1e-12) & (r > 0)
    if not bool(hit.any(axis=1).all()):
        raise BadOutline("outline", "does not surround its boxed centre.")
    best: Array = np.where(hit, r, 0.0).max(axis=1)
    return best


def vertical_cuts(shape: Box, x: float) -> tuple[float, ...]:
    """Heights at which the vertical line at `x` cuts the shape, mm above the datum line, from below to above.

    Empty when the line passes beside the shape. Two for a usual shape; four where it doubles back.
    """
    x = finite("x", x)
    right = shape.x > x
    # chord i runs from point i to i + 1; it is cut where its ends lie on different sides
    at = np.flatnonzero(right != np.concatenate((right[1:], right[:1])))
    cuts = []
    n = shape.x.size
    for i in at.tolist():
        x1, y1 = float(shape.x[i]), float(shape.y[i])
        x2, y2 = float(shape.x[(i + 1) % n]), float(shape.y[(i + 1) % n])
        cuts.append(y1 + (x - x1) * (y2 - y1) / (x2 - x1))
    return tuple(sorted(cuts))


def contains(shape: Box, x: float, y: float) -> bool:
    """Whether a point (mm from the boxed centre) lies inside the shape: an odd count of cuts above it."""
    y = finite("y", y)
    return sum(cut > y for cut in vertical_cuts(shape, x)) % 2 == 1


def decentration_in(a: float, dbl: float, monocular_pd: float) -> float:
    """Horizontal decentration of one lens, mm, inwards positive: (a + dbl)/2 - monocular PD. Exact."""
    return 0.5 * (finite("a", a) + finite("dbl", dbl)) - finite("monocular_pd", monocular_pd)


def decentration_up(b: float, height: float) -> float:
    """Vertical decentration, mm, upwards positive: height above the lower box tangent - b/2. Exact."""
    return finite("height", height) - 0.5 * finite("b", b)


def blank_rule(ed: float, dec_in: float, allowance: float = ALLOWANCE_RULE_MM) -> float:
    """Rule of thumb for the least uncut diameter, mm: ed + 2 |horizontal decentration| + allowance (2 mm, common practice).

    It knows neither the shape nor a vertical decentration: from 3.5 mm too little to several mm too much. Use `minimum_uncut`.
    """
    return finite("ed", ed) + 2.0 * abs(finite("dec_in", dec_in)) + finite("allowance", allowance)


def minimum_uncut(shape: Box, dec_in: float = 0.0, dec_up: float = 0.0, *, allowance: float = 0.0) -> Uncut:
    """The least uncut diameter for a lens centred `dec_in` mm nasal and `dec_up` mm above the boxed centre.

    Exact for the polygon: twice the distance to the farthest point, plus `allowance` (mm on the diameter; 0 = none). A round blank
    with its centre at the centration point is assumed. May be less than the effective diameter for a lopsided shape that is decentred
    towards its long side; never less than the diameter of the smallest circle round the shape.
    """
    dec_in, dec_up = finite("dec_in", dec_in), finite("dec_up", dec_up)
    dx, dy = shape.x - dec_in, shape.y - dec_up
    square = dx * dx + dy * dy
    at = int(square.argmax())
    x, y = float(shape.x[at]), float(shape.y[at])
    return Uncut(
        diameter=2.0 * math.sqrt(float(square[at])) + finite("allowance", allowance),
        at_deg=direction_deg(x, y),
        at_x=x,
        at_y=y,
        rule=blank_rule(shape.ed, dec_in),
    )


def smallest_circle(shape: Box) -> tuple[float, float, float]:
    """The smallest circle round the shape: centre x, y (mm from the boxed centre) and diameter (mm).

    The least blank that any centration could use. Exact: Welzl's method over the convex hull (E. Welzl, 1991).
    """
    points = _hull(shape)
    circle: tuple[float, float, float] | None = None
    for i, p in enumerate(points):
        if circle is not None and _inside(circle, p):
            continue
        circle = (p[0], p[1], 0.0)
        for j in range(i):
            q = points[j]
            if _inside(circle, q):
                continue
            circle = _on_two(p, q)
            for k in range(j):
                if not _inside(circle, points[k]):
                    circle = _on_three(p, q, points[k])
    assert circle is not None
    return circle[0], circle[1], 2.0 * circle[2]


Point = tuple[float, float]


def _hull(shape: Box) -> list[Point]:
    points = sorted(set(zip(shape.x.tolist(), shape.y.tolist(), strict=True)))

    def half(run: Any) -> list[Point]:
        out: list[Point] = []
        for p in run:
            while len(out) > 1 and (
                (out[-1][0] - out[-2][0]) * (p[1] - out[-2][1]) <= (out[-1][1] - out[-2][1]) * (p[0] - out[-2][0])
            ):
                out.pop()
            out.append(p)
        return out[:-1]

    hull = half(points) + half(reversed(points))
    # spread the order: points in sequence along the hull are the slow case of the method
    return [hull[(i * 7919) % len(hull)] for i in range(len(hull))] if len(hull) % 7919 else hull


def _inside(circle: tuple[float, float, float], p: Point) -> bool:
    return math.hypot(p[0] - circle[0], p[1] - circle[1]) <= circle[2] + 1e-9


def _on_two(p: Point, q: Point) -> tuple[float, float, float]:
    return 0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1]), 0.5 * math.hypot(p[0] - q[0], p[1] - q[1])


def _on_three(p: Point, q: Point, r: Point) -> tuple[float, float, float]:
    bx, by, cx, cy = q[0] - p[0], q[1] - p[1], r[0] - p[0], r[1] - p[1]
    d = 2.0 * (bx * cy - by * cx)
    if abs(d) < 1e-12:  # in line: the two that lie farthest apart carry the circle
        return max((_on_two(p, q), _on_two(p, r), _on_two(q, r)), key=lambda c: c[2])
    ux = (cy * (bx * bx + by * by) - by * (cx * cx + cy * cy)) / d
    uy = (bx * (cx * cx + cy * cy) - cx * (bx * bx + by * by)) / d
    return p[0] + ux, p[1] + uy, math.hypot(ux, uy)
