"""One real ray through one real lens: spherical front, spherical or toric back. Plain floats, because one ray is all that is asked.

Frame: origin at the back vertex, z against the light (towards the object), x and y as facing the wearer (x to the observer's right).
The eye is at negative z. The ray is followed backwards, from the eye to the object: light paths are reversible.
The toric back surface is a true torus, tyre form, as in `thickness`: the steeper circle, across the axis of the minus cylinder, revolved
at the radius of the flatter one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dispensing.optics.errors import RayLost, within
from dispensing.optics.power import Power, axis_in_scale
from dispensing.optics.vertex import back_surface, index_of

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class RealLens:
    """front: true power of the spherical front surface, D, for `index`. power: back vertex power. thickness_mm: at the centre."""

    power: Power
    front: float
    thickness_mm: float
    index: float

    def back_curvatures(self) -> tuple[float, float, float]:
        """(curvature along the axis, across it, 1/mm; axis in radians). Positive bulges towards the object."""
        p = self.power.in_form("minus")
        flat = back_surface(p.sphere, self.front, self.thickness_mm, self.index)
        steep = back_surface(p.sphere + p.cylinder, self.front, self.thickness_mm, self.index)
        per = -1000.0 * (self.index - 1.0)
        return flat / per, steep / per, math.radians(axis_in_scale(p.axis))


def _torus(u: float, v: float, circle: float, turned: float) -> tuple[float, float, float]:
    """Depth below the vertex plane (positive away from the object) and its two slopes.

    u lies in the plane of the generating circle, v along the way it is turned; `circle` and `turned` are the two curvatures.
    """
    inside = 1.0 - (circle * u) ** 2
    if inside <= 0.0:
        raise RayLost("point", "lies beyond the edge of the back surface.")
    root = math.sqrt(inside)
    su = circle * u * u / (1.0 + root)
    dsu = circle * u / root
    q = 1.0 - turned * su
    inside = q * q - (turned * v) ** 2
    if inside <= 0.0 or q <= 0.0:
        raise RayLost("point", "lies beyond the edge of the back surface.")
    w = math.sqrt(inside)
    depth = su + turned * v * v / (q + w)
    return depth, dsu * q / w, turned * v / w


class Back:
    """The back surface: depth and normal at a point, and where a straight line meets it."""

    def __init__(self, lens: RealLens) -> None:
        self.along, self.across, axis = lens.back_curvatures()
        self.cos, self.sin = math.cos(axis), math.sin(axis)

    def at(self, x: float, y: float) -> tuple[float, float, float]:
        """z of the surface and its slopes dz/dx, dz/dy."""
        along, across = x * self.cos + y * self.sin, y * self.cos - x * self.sin
        depth, d_across, d_along = _torus(across, along, self.across, self.along)
        return -depth, -(d_along * self.cos - d_across * self.sin), -(d_along * self.sin + d_across * self.cos)

    def meet(self, point: Vector, way: Vector) -> Vector:
        """Newton along the line; ten steps always do for a spectacle lens."""
        t = -point[2] / way[2]
        for _ in range(50):
            x, y, z = (point[i] + t * way[i] for i in range(3))
            surface, zx, zy = self.at(x, y)
            gap = z - surface
            if abs(gap) < 1e-12:
                return x, y, z
            t -= gap / (way[2] - zx * way[0] - zy * way[1])
        raise RayLost("ray", "does not meet the back surface.")


def refract(way: Vector, normal: Vector, ratio: float) -> Vector:
    """Snell's law for unit vectors; `ratio` is the index before over the index after. RayLost on total reflection."""
    cosine = sum(a * b for a, b in zip(way, normal, strict=True))
    if cosine < 0.0:
        normal, cosine = (-normal[0], -normal[1], -normal[2]), -cosine
    under = 1.0 - ratio * ratio * (1.0 - cosine * cosine)
    if under <= 0.0:
        raise RayLost("ray", "is totally reflected inside the lens.")
    k = math.sqrt(under) - ratio * cosine
    return (ratio * way[0] + k * normal[0], ratio * way[1] + k * normal[1], ratio * way[2] + k * normal[2])


def unit(x: float, y: float, z: float) -> Vector:
    size = math.sqrt(x * x + y * y + z * z)
    return x / size, y / size, z / size


@dataclass(frozen=True, slots=True)
class Trace:
    back: Vector  # where it meets the back surface
    front: Vector  # where it meets the front surface
    inside: Vector  # unit direction inside the lens
    out: Vector  # unit direction beyond the lens, towards the object


def trace(lens: RealLens, point: Vector, way: Vector, *, back: Back | None = None, index: float | None = None) -> Trace:
    """From a point on the eye's side along a unit direction (z positive) through the lens to the object side. Errors: RayLost."""
    n = lens.index if index is None else index_of("index", index)
    surface = back or Back(lens)
    at_back = surface.meet(point, way)
    _, zx, zy = surface.at(at_back[0], at_back[1])
    inside = refract(way, unit(-zx, -zy, 1.0), 1.0 / n)
    at_front, normal = _meet_front(lens, at_back, inside)
    return Trace(at_back, at_front, inside, refract(inside, normal, n))


def _meet_front(lens: RealLens, point: Vector, way: Vector) -> tuple[Vector, Vector]:
    """The sphere z = t − c·r²/(1 + √(1 − c²r²)), by the closed form that also holds for a plane."""
    c = lens.front / (1000.0 * (lens.index - 1.0))
    px, py, pz = point[0], point[1], point[2] - lens.thickness_mm
    # (c/2)(x² + y² + z²) + z = 0 along the line
    a = c / 2.0
    b = c * (px * way[0] + py * way[1] + pz * way[2]) + way[2]
    d = c / 2.0 * (px * px + py * py + pz * pz) + pz
    under = b * b - 4.0 * a * d
    if under < 0.0:
        raise RayLost("ray", "does not meet the front surface.")
    t = -2.0 * d / (b + math.copysign(math.sqrt(under), b))
    if t <= 0.0:
        raise RayLost("thickness_mm", "is too little: the surfaces cross before the ray gets through.")
    x, y, z = px + t * way[0], py + t * way[1], pz + t * way[2]
    return (x, y, z + lens.thickness_mm), unit(c * x, c * y, 1.0 + c * z)


def lens_of(power: Power, front: float, thickness_mm: float, index: float) -> RealLens:
    """A checked RealLens. Errors: NotFinite, OutOfRange."""
    return RealLens(
        power,
        within("front", front, -60.0, 60.0, "D"),
        within("thickness_mm", thickness_mm, 0.0, 60.0, "mm"),
        index_of("index", index),
    )
