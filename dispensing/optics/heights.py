"""Heights on a lens shape: from one reference to another, and what a reading taken off level is wrong by.

Frame of reference: x nasal, y up, mm from the boxed centre. A height is always upwards positive. References:

    box              above the lower tangent of the box (ISO 8624), to the bevel apex
    rim_below_pupil  above the lens edge (bevel apex) straight below the pupil
    visible_rim      above the visible inside of the rim straight below the pupil: the groove is not seen, so it reads less
    datum            above the datum line (horizontal centre line of the box)

Conversions are exact for the polygon of the tracing (1e-12 mm). The groove allowance is taken vertically, as it is added in practice;
where the rim slopes by 20 degrees this is 0.03 mm less than the slanting groove takes up.
Sources: ISO 8624, ISO 13666 (terms); groove allowance 0.5 mm a side, common practice; parallax by straight-line geometry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from dispensing.optics.boxing import Box, vertical_cuts
from dispensing.optics.errors import OutOfRange, finite, within

Reference = Literal["box", "rim_below_pupil", "datum", "visible_rim"]
Looking = Literal["far", "observer"]
ENTRANCE_PUPIL_MM = 3.0  # behind the corneal apex; 3.05 in Gullstrand's eye
ROTATION_CENTRE_MM = 13.5  # behind the corneal apex; 13 to 15 in papers


@dataclass(frozen=True, slots=True)
class Heights:
    """One point's height in every reference, mm."""

    box: float
    rim_below_pupil: float
    visible_rim: float
    datum: float


def rim_above_tangent(shape: Box, x: float) -> float:
    """How far the lens edge straight below a point at `x` lies above the lower box tangent, mm (never negative).

    Error: OutOfRange when the vertical line through the point passes beside the lens.
    """
    cuts = vertical_cuts(shape, x)
    if not cuts:
        raise OutOfRange("x", x, f"a point {abs(x):.1f} mm {'nasal' if x > 0 else 'temporal'} lies beside the lens.")
    return cuts[0] + 0.5 * shape.b


def to_box(shape: Box, x: float, value: float, reference: Reference, groove: float = 0.0) -> float:
    """A height as read, against `reference`, as a height above the lower box tangent, mm.

    x: the pupil, mm nasal of the boxed centre. groove: visible rim to bevel apex, mm (only visible_rim uses it).
    Errors: NotFinite; OutOfRange when the pupil is beside the lens.
    """
    value = finite("value", value)
    if reference == "box":
        return value
    if reference == "datum":
        return value + 0.5 * shape.b
    value += rim_above_tangent(shape, x)
    return value + within("groove", groove, 0.0, 5.0, "mm") if reference == "visible_rim" else value


def heights(shape: Box, x: float, value: float, reference: Reference = "box", groove: float = 0.0) -> Heights:
    """A height in all four references. Arguments and errors as `to_box`."""
    height = to_box(shape, x, value, reference, groove)
    rim = height - rim_above_tangent(shape, x)
    return Heights(box=height, rim_below_pupil=rim, visible_rim=rim - groove, datum=height - 0.5 * shape.b)


def add_groove(height_to_visible_rim: float, groove: float = 0.5) -> float:
    """Height above the lens edge from a height above the visible rim: plus the groove, mm (0.5 usual, common practice)."""
    return finite("height_to_visible_rim", height_to_visible_rim) + within("groove", groove, 0.0, 5.0, "mm")


def _depth(vertex_mm: float, looking: Looking, entrance_pupil_mm: float, rotation_centre_mm: float) -> float:
    vertex = within("vertex_mm", vertex_mm, 0.0, 60.0, "mm")
    return vertex + (entrance_pupil_mm if looking == "far" else rotation_centre_mm)


def height_parallax(
    observer_above_mm: float,
    observer_distance_mm: float,
    vertex_mm: float,
    *,
    looking: Looking = "far",
    pantoscopic_deg: float = 0.0,
    entrance_pupil_mm: float = ENTRANCE_PUPIL_MM,
    rotation_centre_mm: float = ROTATION_CENTRE_MM,
) -> float:
    """What a height reads too much when the observer's eye is not level with the client's, mm along the lens.

    observer_above_mm: observer's eye above (+) or below (-) the client's. observer_distance_mm: observer's eye to the lens plane.
    vertex_mm: lens to cornea. looking: "far" = the client looks straight ahead and the line runs to the entrance pupil; "observer" =
    the client looks at the observer, the eye turns and the line runs to its centre of rotation (about 60 % more).
    Positive: the pupil seems higher on the lens than it is, so the reading is too high.
    error = m a / (cos θ - m sin θ), m = h / (D + a), θ the pantoscopic angle. Exact for straight lines (1e-12 mm).
    """
    a = _depth(vertex_mm, looking, entrance_pupil_mm, rotation_centre_mm)
    distance = within("observer_distance_mm", observer_distance_mm, 50.0, 20000.0, "mm")
    tilt = math.radians(within("pantoscopic_deg", pantoscopic_deg, -45.0, 45.0, "degrees"))
    m = finite("observer_above_mm", observer_above_mm) / (distance + a)
    below = math.cos(tilt) - m * math.sin(tilt)
    if below <= 0.0:
        raise OutOfRange("observer_above_mm", observer_above_mm, "the line of sight does not meet the lens.")
    return m * a / below


def pd_reading_alternate(
    pd_mm: float,
    observer_pd_mm: float,
    observer_distance_mm: float,
    vertex_mm: float,
    *,
    looking: Looking = "observer",
    entrance_pupil_mm: float = ENTRANCE_PUPIL_MM,
    rotation_centre_mm: float = ROTATION_CENTRE_MM,
) -> float:
    """What a rule shows when each eye is sighted by the observer's eye opposite, mm: PD + (observer's PD - PD) a / (D + a).

    No error when the two people's PDs are equal. Exact for straight lines.
    """
    a = _depth(vertex_mm, looking, entrance_pupil_mm, rotation_centre_mm)
    distance = within("observer_distance_mm", observer_distance_mm, 50.0, 20000.0, "mm")
    pd = finite("pd_mm", pd_mm)
    return pd + (finite("observer_pd_mm", observer_pd_mm) - pd) * a / (distance + a)


def pd_reading_one_eye(
    monocular_pd_mm: float,
    observer_towards_eye_mm: float,
    observer_distance_mm: float,
    vertex_mm: float,
    *,
    looking: Looking = "far",
    entrance_pupil_mm: float = ENTRANCE_PUPIL_MM,
    rotation_centre_mm: float = ROTATION_CENTRE_MM,
) -> float:
    """What a rule shows of one monocular PD when a single eye of the observer sights it, mm.

    observer_towards_eye_mm: how far the observer's eye lies off the client's midline, towards this eye positive.
    Exact for straight lines: the line from the observer to the pupil, cut with the lens plane.
    """
    a = _depth(vertex_mm, looking, entrance_pupil_mm, rotation_centre_mm)
    distance = within("observer_distance_mm", observer_distance_mm, 50.0, 20000.0, "mm")
    pd = finite("monocular_pd_mm", monocular_pd_mm)
    return pd + (finite("observer_towards_eye_mm", observer_towards_eye_mm) - pd) * a / (distance + a)
