"""Field of view through a lens: how far the eye can look before the rim, and how much of the world that is.

Frame of reference: x nasal, y up, mm from the boxed centre. The apparent field is what the rim subtends at the centre of rotation (the eye
turns: `distance_mm` = lens to centre of rotation, 27 usual) or at the entrance pupil (the eye is still: vertex distance + 3). The real
field is what is seen of the outside through the lens: thin lens, tangent of the angle outside = d (1/s - F). A plus lens shows less than it
covers, so a ring between is seen by nobody (ring scotoma); a minus lens shows more, and the ring is seen twice.

Accuracy: closed form of a thin lens (1e-12 degree). A real lens bends its edge ray more than Prentice's rule says: 20 mm off the centre the
real field of an exact trace differs by up to 1.8 degrees between -3.00 and +3.00, 3.3 between -6.00 and +6.00, 7 at -10.00 and 6 at +12.00.
`real_angle` traces the lens.
Source: field of view of a spectacle lens, any text of ophthalmic optics (Jalie; Fannin & Grosvenor, from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from dispensing.optics.boxing import Box, contains, vertical_cuts
from dispensing.optics.errors import OutOfRange, finite, within
from dispensing.optics.realray import RealLens, trace, unit


class Angle(NamedTuple):
    """One side of the field, degrees from the axis through the lens's optical centre."""

    apparent: float
    real: float
    ring: float  # apparent - real: positive = not seen at all (plus lens), negative = seen twice (minus lens)


class Field(NamedTuple):
    """The field from the point looked through straight ahead to the four sides of the lens."""

    nasal: Angle
    up: Angle
    temporal: Angle
    down: Angle

    @property
    def horizontal(self) -> float:
        """Real field across, degrees."""
        return self.nasal.real + self.temporal.real

    @property
    def vertical(self) -> float:
        return self.up.real + self.down.real


def angle(edge_mm: float, power: float, distance_mm: float = 27.0) -> Angle:
    """The field to one side: edge_mm from the optical centre to the rim (0 or more), power in that meridian (D), lens to eye point (mm).

    Errors: NotFinite; OutOfRange (a plus lens so strong that the eye point's image lies at infinity has no field to speak of).
    """
    edge = within("edge_mm", edge_mm, 0.0, 100.0, "mm")
    s = within("distance_mm", distance_mm, 5.0, 60.0, "mm")
    beyond = 1.0 / s - finite("power", power) / 1000.0
    if beyond <= 0.0:
        raise OutOfRange("power", power, "is so strong that the field through the lens turns over.")
    apparent, real = math.degrees(math.atan(edge / s)), math.degrees(math.atan(edge * beyond))
    return Angle(apparent, real, apparent - real)


def field(
    shape: Box,
    entries: tuple[float, float, float],
    at_x: float = 0.0,
    at_y: float = 0.0,
    distance_mm: float = 27.0,
) -> Field:
    """The field to the rim on the horizontal and the vertical through the optical centre (at_x, at_y).

    entries: f11, f12, f22 in the nasal frame (`prism.nasal_entries`); only the powers along the two directions count here, what the
    torsional part turns aside stays in the other meridian. Errors: OutOfRange when the optical centre lies outside the lens.
    """
    if not contains(shape, at_x, at_y):
        raise OutOfRange("at_x, at_y", (at_x, at_y), "the optical centre lies outside the lens.")
    across = horizontal_cuts(shape, at_y)
    upright = vertical_cuts(shape, at_x)
    f11, _, f22 = entries
    return Field(
        nasal=angle(min(cut - at_x for cut in across if cut > at_x), f11, distance_mm),
        up=angle(min(cut - at_y for cut in upright if cut > at_y), f22, distance_mm),
        temporal=angle(min(at_x - cut for cut in across if cut <= at_x), f11, distance_mm),
        down=angle(min(at_y - cut for cut in upright if cut <= at_y), f22, distance_mm),
    )


def horizontal_cuts(shape: Box, y: float) -> tuple[float, ...]:
    """Places at which the horizontal line at height `y` cuts the shape, mm, from temporal to nasal."""
    turned = Box(shape.y, shape.x, shape.b, shape.a, shape.centre_y, shape.centre_x, shape.ed, shape.ed_at_deg)
    return vertical_cuts(turned, finite("y", y))


def real_angle(lens: RealLens, edge_mm: float, distance_mm: float = 27.0) -> Angle:
    """`angle` by an exact trace of a real lens in its horizontal meridian, from a point on its axis `distance_mm` behind the back vertex.

    edge_mm: where the line meets the plane of the back vertex. Errors: RayLost when the ray does not get through.
    """
    edge = within("edge_mm", edge_mm, 0.0, 60.0, "mm")
    s = within("distance_mm", distance_mm, 5.0, 60.0, "mm")
    ray = trace(lens, (0.0, 0.0, -s), unit(edge, 0.0, s))
    apparent = math.degrees(math.atan(edge / s))
    real = math.degrees(math.atan2(ray.out[0], ray.out[2]))
    return Angle(apparent, real, apparent - real)
