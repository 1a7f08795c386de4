"""Substance of a lens: thickness at any point, the least centre thickness that meets the minima, volume and mass.

Frame of reference, both eyes: x nasal, y up, mm from the boxed centre; the cylinder axis here is in that frame too, degrees from
nasal through up (a right eye's written axis A; a left eye's 180 - A). Curvatures are 1/mm, positive when the centre of curvature is
on the eye's side, so that the front of a meniscus and its hollow back are both positive. Thickness is measured along the lens axis
at the reference point, as an edge is cut.

Model of the lens: spherical front; back surface a true torus of the tyre form (the steeper circle, across the axis of the minus
cylinder, revolved at the radius of the flatter one), whose two powers give the ordered back vertex power exactly; prism as a plane wedge with the exact apical angle tan α = sin δ / (n - cos δ), tan δ = prism/100. So

    thickness(x, y) = centre + sag_back(x, y) - sag_front(x, y) + wedge

Accuracy: sags and thickness are closed forms (1e-12 mm) for this model. A surface turned by the wedge instead of a wedge added
differs by less than 0.01 mm up to 4 Δ on a -6.00; the other torus (barrel) by up to 0.03 mm off the principal meridians of a 4 D
cylinder. Aspheric and progressive surfaces are not modelled: a maker's own figures come first. Volume: 0.02 g or better.
Sources: sag r - √(r² - y²) and back vertex power, any text of ophthalmic optics; torus by geometry.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispensing.optics.boxing import Box, direction_deg
from dispensing.optics.errors import OutOfRange, finite, within

Array = NDArray[np.float64]

CURVE_INDEX = 1.53  # the index in which front curves are stated (common practice)
CHUNK = 16  # lenses at a time: arrays of 16 x 400 numbers stay in the second-level cache
BASE_MIN, BASE_MAX = 0.5, 12.0  # D, front curves that moulds are commonly had in (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spec:
    """What a lens is to be, before its centre thickness is known.

    sphere, cylinder, axis_deg: ordered back vertex power, either form, axis in the nasal frame. index: of refraction.
    front_curve: D in n = 1.53. prism_in, prism_up: Δ at the reference point, base in and up positive.
    at_x, at_y: the reference point (optical centre, or where the prism is to be), mm from the boxed centre.
    """

    sphere: float
    cylinder: float = 0.0
    axis_deg: float = 180.0
    index: float = 1.5
    front_curve: float = 6.0
    prism_in: float = 0.0
    prism_up: float = 0.0
    at_x: float = 0.0
    at_y: float = 0.0


class Lens(NamedTuple):
    """A lens with both surfaces and its thickness known. Curvatures 1/mm, slopes mm of thickness for each mm."""

    n: float  # refractive index
    front: float
    back_across: float  # back curvature across the cylinder axis (generating circle, the steeper one)
    back_along: float  # back curvature along the axis (circle of revolution)
    cos: float  # direction of the meridian across the axis, nasal frame
    sin: float
    wedge_x: float
    wedge_y: float
    centre: float  # mm, at the reference point
    at_x: float
    at_y: float


class Edge(NamedTuple):
    """Thickness along an outline, mm; directions in degrees from the boxed centre, nasal through up."""

    profile: Array
    thinnest: float
    thinnest_at_deg: float
    thickest: float
    thickest_at_deg: float


def nasal_axis(axis_deg: float, eye: str) -> float:
    """A written axis (ISO 8429) in the nasal frame of its eye, and back again: A for right, 180 - A for left. Degrees."""
    return axis_deg if eye == "right" else 180.0 - axis_deg


def base_curve(sphere: float, cylinder: float = 0.0) -> float:
    """A front curve for a back vertex power, D in n = 1.53: Vogel's rule, plus: mean sphere + 6; minus: half the mean sphere + 6.

    Held between 0.50 and 12.00 and rounded to 0.25, as moulds come. Common practice (rule as given in dispensing textbooks, from
    memory): good form for ordinary lenses; the maker's own series decides. Continuous at plano.
    """
    mean = finite("sphere", sphere) + 0.5 * finite("cylinder", cylinder)
    curve = 6.0 + (mean if mean > 0 else 0.5 * mean)
    return min(BASE_MAX, max(BASE_MIN, math.floor(curve * 4.0 + 0.5) / 4.0))


def sag(curvature: float, radius: float) -> float:
    """Exact sag r - √(r² - y²) of a circle of `curvature` (1/mm) at `radius` mm from its vertex, mm, with the curvature's sign.

    Error: OutOfRange when the circle does not reach that far.
    """
    k, y2 = finite("curvature", curvature), finite("radius", radius) ** 2
    left = 1.0 - k * k * y2
    if left < 0.0:
        raise OutOfRange("radius", radius, f"the surface of {abs(1 / k):.1f} mm radius does not reach {radius:.1f} mm.")
    return k * y2 / (1.0 + math.sqrt(left))


def sag_approximate(surface_power: float, radius: float, index: float) -> float:
    """The rule y²F / (2000 (n - 1)), mm: too small, by 9 % for a -6.00 of 60 mm. For teaching; never used in figures."""
    return radius * radius * surface_power / (2000.0 * (index - 1.0))


def wedge_slope(prism: float, index: float) -> float:
    """Slope of a plane wedge that gives `prism` Δ at normal incidence, mm for each mm: tan α = sin δ / (n - cos δ). Exact."""
    if prism == 0.0:
        return 0.0
    d = math.atan(prism / 100.0)
    return math.sin(d) / (index - math.cos(d))


def make(spec: Spec, centre: float) -> Lens:
    """The lens of `spec` with `centre` mm at its reference point.

    Errors: NotFinite; OutOfRange for an index outside 1.3 to 2.5 or a front so strong that no back surface gives the power.
    """
    index = within("index", spec.index, 1.3, 2.5)
    sphere, cylinder, axis = finite("sphere", spec.sphere), finite("cylinder", spec.cylinder), finite("axis", spec.axis_deg)
    centre = within("centre", centre, 0.0, 60.0, "mm")
    if cylinder > 0.0:
        sphere, cylinder, axis = sphere + cylinder, -cylinder, axis + 90.0
    front = finite("front_curve", spec.front_curve) / (1000.0 * (CURVE_INDEX - 1.0))
    power_scale = 1000.0 * (index - 1.0)
    front_power = front * power_scale
    reach = 1.0 - centre * 0.001 / index * front_power
    if reach <= 0.05:
        raise OutOfRange("front_curve", spec.front_curve, "is too strong for a lens of this thickness.")
    passed = front_power / reach  # vergence that arrives at the back surface from a distant object
    turn = math.radians(axis)
    h = math.hypot(spec.prism_in, spec.prism_up)
    slope = wedge_slope(h, index) / h if h else 0.0
    # the torus is generated by the meridian across the axis
    return Lens(
        index,
        front,
        (passed - sphere - cylinder) / power_scale,
        (passed - sphere) / power_scale,
        -math.sin(turn),
        math.cos(turn),
        slope * spec.prism_in,
        slope * spec.prism_up,
        centre,
        spec.at_x,
        spec.at_y,
    )


def thickness_at(lens: Lens, x: float, y: float) -> float:
    """Thickness at one point, mm (x, y from the boxed centre). Plain arithmetic: the same closed form as `profiles`."""
    _, k1, ka, kb, c, s, wx, wy, centre, at_x, at_y = lens
    dx, dy = x - at_x, y - at_y
    r2 = dx * dx + dy * dy
    u = c * dx + s * dy
    u2 = u * u
    v2 = r2 - u2
    try:
        w = ka * u2 / (1.0 + math.sqrt(1.0 - ka * ka * u2))
        h = 1.0 - kb * w
        back = (w * (1.0 + h) + kb * v2) / (1.0 + math.sqrt(h * h - kb * kb * v2))
        front = k1 * r2 / (1.0 + math.sqrt(1.0 - k1 * k1 * r2))
    except ValueError:
        raise _too_steep(lens, math.sqrt(r2)) from None
    return centre + back - front + wx * dx + wy * dy


def _too_steep(lens: Lens, reach: float) -> OutOfRange:
    k, which = max((abs(lens.front), "front"), (abs(lens.back_across), "back"), (abs(lens.back_along), "back"))
    why = f"a {which} surface of {1.0 / k:.1f} mm radius does not reach {reach:.1f} mm from the lens's centre."
    return OutOfRange("front_curve" if which == "front" else "sphere", k, why)


def profiles(lenses: Sequence[Lens], x: Array, y: Array) -> Array:
    """Thickness of each lens at each point, mm, shape (lenses, points).

    x, y: mm from the boxed centre, shape (points,) for all lenses alike or (lenses, points). Many lenses are done CHUNK at a time.
    Error: OutOfRange when a surface does not reach a point.
    """
    count = len(lenses)
    if count > CHUNK:
        out = np.empty((count, x.shape[-1]))
        for i in range(0, count, CHUNK):
            part = slice(i, i + CHUNK)
            out[part] = profiles(lenses[part], x if x.ndim == 1 else x[part], y if y.ndim == 1 else y[part])
        return out
    if count == 1:
        _, k1, ka, kb, c, s, wx, wy, centre, at_x, at_y = lenses[0]
        out = _gap(x - at_x, y - at_y, k1, ka, kb, c, s, wx, wy, lenses)
        out += centre
        return out.reshape(1, -1)
    columns = np.array(lenses).T[:, :, None]
    _, k1, ka, kb, c, s, wx, wy, centre, at_x, at_y = columns
    out = _gap(x - at_x, y - at_y, k1, ka, kb, c, s, wx, wy, lenses)
    out += centre
    return out


def _gap(
    dx: Array, dy: Array, k1: Any, ka: Any, kb: Any, c: Any, s: Any, wx: Any, wy: Any, lenses: Sequence[Lens]
) -> Array:
    """Thickness less the centre thickness, at offsets from the reference point; parameters are numbers or columns."""
    r2: Array = dx * dx
    r2 += dy * dy
    steepest = max([max(abs(one[1]), abs(one[2]), abs(one[3])) for one in lenses])
    farthest = float(r2.max())
    if not steepest * steepest * farthest < 1.0:
        for i, one in enumerate(lenses):
            reach2 = float((r2 if r2.ndim == 1 else r2[i]).max())
            if not max(one[1] ** 2, one[2] ** 2, one[3] ** 2) * reach2 < 1.0:
                raise _too_steep(one, math.sqrt(reach2))
    u2 = c * dx
    u2 += s * dy
    u2 *= u2
    # front sphere, subtracted
    root = r2 * (-k1 * k1)
    root += 1.0
    np.sqrt(root, out=root)
    root += 1.0
    out: Array = r2 * -k1
    out /= root
    # back torus: w is the sag of the generating circle, then the circle of revolution of radius 1/kb - w
    np.multiply(u2, -ka * ka, out=root)
    root += 1.0
    np.sqrt(root, out=root)
    root += 1.0
    w = u2 * ka
    w /= root
    np.multiply(w, -kb, out=root)
    root += 1.0  # h
    r2 -= u2  # v²
    r2 *= kb
    u2 = root + 1.0
    u2 *= w
    u2 += r2
    root *= root
    r2 *= kb
    root -= r2
    np.sqrt(root, out=root)
    root += 1.0
    u2 /= root
    out += u2
    if any(one[6] or one[7] for one in lenses):
        out += wx * dx
        out += wy * dy
    return out


def edge(lens: Lens, shape: Box) -> Edge:
    """Edge thickness at every point of the outline, with the thinnest and thickest place."""
    return edge_of(profiles([lens], shape.x, shape.y)[0], shape)


def edge_of(profile: Array, shape: Box) -> Edge:
    """The extremes of a profile already computed over `shape`."""
    thin, thick = int(profile.argmin()), int(profile.argmax())
    return Edge(
        profile,
        float(profile[thin]),
        direction_deg(float(shape.x[thin]), float(shape.y[thin])),
        float(profile[thick]),
        direction_deg(float(shape.x[thick]), float(shape.y[thick])),
    )


def thinnest_inside(lens: Lens, reach: float = 25.0) -> float:
    """The least thickness near the reference point, mm: the centre itself, or, with prism on a minus lens, the place where the
    wedge has moved it (within `reach` mm). Newton's method on the closed form; 1e-6 mm."""
    if not (lens.wedge_x or lens.wedge_y):
        return lens.centre
    # second derivatives of the gap at the reference point: (back - front) curvature in the two principal meridians
    flat, cross = lens.back_across - lens.front, lens.back_along - lens.front
    if flat <= 1e-6 or cross <= 1e-6:
        return lens.centre
    gu = lens.wedge_x * lens.cos + lens.wedge_y * lens.sin
    gv = -lens.wedge_x * lens.sin + lens.wedge_y * lens.cos
    u, v = -gu / flat, -gv / cross
    if math.hypot(u, v) > reach:
        return lens.centre
    try:
        for _ in range(2):  # the sags' gradient is k u / √(1 - k² r²): correct the paraxial place with it
            r2 = u * u + v * v
            f = 1.0 / math.sqrt(1.0 - lens.front**2 * r2)
            a = 1.0 / math.sqrt(1.0 - lens.back_across**2 * r2)
            b = 1.0 / math.sqrt(1.0 - lens.back_along**2 * r2)
            u = -gu / (lens.back_across * a - lens.front * f)
            v = -gv / (lens.back_along * b - lens.front * f)
        x = lens.at_x + u * lens.cos - v * lens.sin
        y = lens.at_y + u * lens.sin + v * lens.cos
        return min(lens.centre, thickness_at(lens, x, y))
    except (ValueError, ZeroDivisionError):
        return lens.centre


def least_lens(spec: Spec, x: Array, y: Array, *, min_centre: float, min_edge: float) -> Lens:
    """The lens of least thickness that is nowhere under `min_centre` inside and nowhere under `min_edge` at the points x, y (mm).

    x, y: the outline, and drill points if any. The back surface depends a little on the thickness (back vertex power), so the sum
    is repeated until it stands still: 1e-6 mm. Errors as `make` and `profiles`.
    """
    return least_lenses([spec], x, y, min_centre=[min_centre], min_edge=[min_edge])[0]


def least_lenses(
    specs: Sequence[Spec],
    x: Array,
    y: Array,
    *,
    min_centre: Sequence[float],
    min_edge: Sequence[float],
    extra: Sequence[tuple[float, float]] = (),
) -> list[Lens]:
    """`least_lens` for several lenses over the same outline (points,) in one pass. extra: more points, such as drill points."""
    lenses = [_grown(spec, make(spec, c), c, None, 0.0) for spec, c in zip(specs, min_centre, strict=True)]
    if extra:
        x, y = np.concatenate((x, [p[0] for p in extra])), np.concatenate((y, [p[1] for p in extra]))
    todo = list(range(len(specs)))
    for _ in range(8):  # a thicker lens may be thinnest elsewhere: look again until it holds everywhere
        table = profiles([lenses[i] for i in todo], x, y)
        short = []
        for row, (i, at) in enumerate(zip(todo, table.argmin(axis=1).tolist(), strict=True)):
            if float(table[row, at]) < min_edge[i] - 1e-6:
                lenses[i] = _grown(specs[i], lenses[i], min_centre[i], (float(x[at]), float(y[at])), min_edge[i])
                short.append(i)
        todo = short
        if not todo:
            break
    return lenses


def _grown(spec: Spec, lens: Lens, min_centre: float, at: tuple[float, float] | None, min_edge: float) -> Lens:
    """`lens` with the centre thickness that meets the minimum inside and, at the one point `at`, at the edge."""
    for _ in range(40):
        lacking = min_centre - thinnest_inside(lens)
        if at is not None:
            lacking = max(lacking, min_edge - thickness_at(lens, *at))
        if abs(lacking) < 1e-8:
            break
        lens = make(spec, lens.centre + lacking)
    return lens


# Gauss-Radau nodes on 0..1 with their weights: exact for the sag's terms up to the eighth power of the radius. The last node is the edge
# itself, which has to be worked out anyway.
_NODES = (
    ((4.0 - math.sqrt(6.0)) / 10.0, (16.0 - math.sqrt(6.0)) / 36.0),
    ((4.0 + math.sqrt(6.0)) / 10.0, (16.0 + math.sqrt(6.0)) / 36.0),
    (1.0, 1.0 / 9.0),
)
_FINE = 160  # fewer points: chords are divided, to 400 or more, before the sum


def volume(lens: Lens, shape: Box) -> float:
    """Volume of the edged lens, mm3, cut parallel to its axis along the outline.

    The thickness is integrated over the fan of triangles from the reference point: three Gauss-Radau nodes along the radius (in the square
    of the radius, in which a sag is nearly straight), the trapezoid along each chord; the wedge in closed form. Within 0.1 %; against
    adaptive integration within 1 mm3 for powers of -20 to +20.
    """
    return volumes([lens], shape)[0]


def volumes(lenses: Sequence[Lens], shape: Box) -> list[float]:
    """`volume` of several lenses over one shape."""
    x, y = _finer(shape.x, shape.y)
    out = []
    for lens in lenses:
        dx, dy = x - lens.at_x, y - lens.at_y
        dx2, dy2 = np.roll(dx, -1), np.roll(dy, -1)
        cross = dx * dy2 - dx2 * dy
        even = lens._replace(wedge_x=0.0, wedge_y=0.0, centre=0.0, at_x=0.0, at_y=0.0)
        total = 0.0
        for node, weight in _NODES:
            root = math.sqrt(node)
            gap = profiles([even], dx * root, dy * root)[0]
            total += weight * float((cross * (gap + np.roll(gap, -1))).sum())
        size = 0.5 * float(cross.sum())
        moment_x = float(((dx + dx2) * cross).sum()) / 6.0
        moment_y = float(((dy + dy2) * cross).sum()) / 6.0
        whole = 0.25 * total + lens.centre * size + lens.wedge_x * moment_x + lens.wedge_y * moment_y
        out.append(abs(whole))
    return out


def _finer(x: Array, y: Array) -> tuple[Array, Array]:
    n = x.size
    if n >= _FINE:
        return x, y
    parts = -(-400 // n)
    t = np.arange(parts) / parts
    x2, y2 = np.roll(x, -1), np.roll(y, -1)
    return (x[:, None] + (x2 - x)[:, None] * t).ravel(), (y[:, None] + (y2 - y)[:, None] * t).ravel()


def mass_g(volume_mm3: float, density: float) -> float:
    """Mass in grams of `volume_mm3` of a material of `density` g/cm3."""
    return finite("volume_mm3", volume_mm3) * within("density", density, 0.5, 10.0, "g/cm3") / 1000.0


def edge_and_volume(lenses: Sequence[Lens], shape: Box) -> tuple[Array, list[float]]:
    """Edge profiles (lenses, points) and volumes in one vectorised pass, for the two lenses of a pair (same shape, own centres)."""
    n = shape.x.size
    if n < _FINE:
        return profiles(lenses, shape.x, shape.y), volumes(lenses, shape)
    m = len(lenses)
    at = np.array(lenses)[:, 9:11]
    dx, dy = shape.x - at[:, :1], shape.y - at[:, 1:]
    xs = np.empty((m, _SCALES.size, n))
    ys = np.empty((m, _SCALES.size, n))
    np.multiply(dx[:, None, :], _SCALES[:, None], out=xs)
    np.multiply(dy[:, None, :], _SCALES[:, None], out=ys)
    _, k1, ka, kb, c, s, _, _, _, _, _ = np.array(lenses).T[:, :, None, None]
    plain = [one._replace(wedge_x=0.0, wedge_y=0.0) for one in lenses]
    gaps = _gap(xs, ys, k1, ka, kb, c, s, 0.0, 0.0, plain)
    cross = np.empty_like(dx)
    cross[:, :-1] = dx[:, :-1] * dy[:, 1:] - dx[:, 1:] * dy[:, :-1]
    cross[:, -1] = dx[:, -1] * dy[:, 0] - dx[:, 0] * dy[:, -1]
    # each point's share: half the two triangles it carries
    share = cross.copy()
    share[:, 1:] += cross[:, :-1]
    share[:, 0] += cross[:, -1]
    inner = np.matmul(gaps, share[:, :, None])[:, :, 0] @ _WEIGHTS
    out = gaps[:, -1]
    result = []
    for i, lens in enumerate(lenses):
        size = 0.5 * float(cross[i].sum())
        whole = 0.25 * float(inner[i]) + lens.centre * size
        if lens.wedge_x or lens.wedge_y:
            x2, y2 = np.roll(dx[i], -1), np.roll(dy[i], -1)
            whole += lens.wedge_x * float(((dx[i] + x2) * cross[i]).sum()) / 6.0
            whole += lens.wedge_y * float(((dy[i] + y2) * cross[i]).sum()) / 6.0
            out[i] += lens.wedge_x * dx[i] + lens.wedge_y * dy[i]
        out[i] += lens.centre
        result.append(abs(whole))
    return out, result


_SCALES = np.array([math.sqrt(node) for node, _ in _NODES])
_WEIGHTS = np.array([weight for _, weight in _NODES])
