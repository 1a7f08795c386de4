"""Names of the points, how a picture was taken, how sure that is, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from dispensing.optics.heights import ENTRANCE_PUPIL_MM, ROTATION_CENTRE_MM

Point = tuple[float, float]

CARD_MM = 85.60  # width of an ID-1 card, ISO/IEC 7810
CARD_HEIGHT_MM = 53.98  # its height, same source
CORNEAL_CENTRE_MM = 7.8  # centre of curvature behind the apex; 7.7 in Gullstrand's eye, 7.8 usual (textbooks, from memory)

SIDES = ("right", "left")
RIM = ("nasal", "temporal", "top", "bottom")
PUPIL_POINTS = ("pupil.right", "pupil.left")
RIM_POINTS = tuple(f"rim.{side}.{place}" for side in SIDES for place in RIM)
REFERENCE_POINTS = ("reference.1", "reference.2")
MIDLINE_POINT = "midline"
POINTS = (*PUPIL_POINTS, *RIM_POINTS, *REFERENCE_POINTS, MIDLINE_POINT)

Reference = Literal["points", "front"]
Looking = Literal["camera", "far"]
Mark = Literal["pupil", "reflex"]


def point_words(name: str) -> str:
    """`rim.right.nasal` as it is said: right rim, nasal."""
    first, _, rest = name.partition(".")
    if first == "pupil":
        return f"{rest} eye"
    if first == "rim":
        side, _, place = rest.partition(".")
        return f"{side} rim, {place}"
    return "bridge mid-line" if first == MIDLINE_POINT else f"reference, {'one' if rest == '1' else 'other'} end"


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """How the picture was taken. Lengths in mm, angles in degrees.

    width, height: of the whole picture, px; its middle is taken as the optical axis, so a picture that was cropped to one side is
    slightly wrong (5 % of the width: below 0.1 mm).
    camera_mm: camera to the bridge of the frame, 200 to 6000.
    reference: "points" = two placed points `reference_mm` apart; "front" = the frame's own 2 a + d between the temporal tangents.
    ahead_mm: how far the two reference points lie before the lens plane (a card before the forehead lies behind it: negative).
    looking: "camera" = into the camera, "far" = past it at something far. mark: "pupil" = pupil centres were placed, "reflex" =
    reflexes of a light close by the camera.
    camera_above_mm: camera above (+) or below (-) the client's eyes. turn_deg: face turned towards the client's left (+) or right (-),
    seen from the camera; the same as a camera that stands aside.
    vertex_mm: lens to cornea; 12 to 14 usual (common practice). pantoscopic_deg: as worn, bottom nearer the cheeks positive; 8 to 12
    usual. face_form_deg: each lens turned back at the temple; about 5 for a usual front (common practice).
    groove_mm: visible rim to bevel apex, added round the placed rim points; 0.5 for a full rim, 0 where the lens edge itself is seen.
    """

    width: float
    height: float
    reference_mm: float
    camera_mm: float = 1000.0
    reference: Reference = "points"
    ahead_mm: float = 0.0
    looking: Looking = "camera"
    mark: Mark = "pupil"
    camera_above_mm: float = 0.0
    turn_deg: float = 0.0
    vertex_mm: float = 13.0
    pantoscopic_deg: float = 9.0
    face_form_deg: float = 5.0
    groove_mm: float = 0.5

    @property
    def eye_mm(self) -> float:
        """Depth of the point of the eye that is seen, behind the cornea."""
        if self.looking == "camera":
            return ROTATION_CENTRE_MM
        return CORNEAL_CENTRE_MM if self.mark == "reflex" else ENTRANCE_PUPIL_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Standard uncertainties of what was placed and stated. Judgement, not measured, unless a source is named: state better ones
    where they are known. Lengths mm, angles degrees."""

    pixel_px: float = 0.5  # a click, on top of the following
    pupil_mm: float = 0.2  # where the middle of a pupil is judged to be
    rim_mm: float = 0.15  # where a tangent touches
    reference_point_mm: float = 0.15  # an end of the reference
    midline_mm: float = 0.5  # the middle of a nose, where it is placed
    reference_mm: float = 0.2  # card: 85.47 to 85.72 when new (ISO/IEC 7810, from memory) and held askew by 3 degrees
    ahead_mm: float = 5.0
    camera_relative: float = 0.05  # of the distance
    camera_above_mm: float = 20.0
    turn_deg: float = 1.5
    vertex_mm: float = 1.5
    eye_mm: float = 1.0  # centre of rotation: 13 to 15 in papers
    pantoscopic_deg: float = 3.0
    face_form_deg: float = 2.0
    groove_mm: float = 0.15
    aim_relative: float = 0.05  # optical axis off the middle of the picture, of its width


# What a doubt belongs to, as it is told.
PARTS = {
    "pupil": "placing the pupils",
    "rim": "placing the rim points",
    "reference": "placing the reference",
    "midline": "placing the mid-line",
    "reference_mm": "length of the reference",
    "ahead_mm": "depth of the reference",
    "camera_mm": "camera distance",
    "camera_above_mm": "camera height",
    "turn_deg": "turn of the face",
    "vertex_mm": "vertex distance",
    "eye_mm": "depth of the eye",
    "pantoscopic_deg": "pantoscopic angle",
    "face_form_deg": "face form angle",
    "groove_mm": "groove of the rim",
    "aim": "aim of the camera",
}


@dataclass(frozen=True, slots=True)
class Measured:
    """A result, its standard uncertainty (mm) and what the uncertainty consists of, largest first (mm each, added in squares)."""

    value: float
    u: float
    parts: tuple[tuple[str, float], ...] = ()

    @property
    def expanded(self) -> float:
        """Twice the standard uncertainty: about 95 %."""
        return 2.0 * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What the picture says, mm. `height` above the lower box tangent, along the lens. `a`, `b`, `dbl`: the frame as the picture has
    it, to compare with the frame's own figures. `roll_deg`: frame against the picture, positive where the client's left side is higher.
    `px_per_mm` in the lens plane. `notes`: what should be looked at again."""

    far_pd_right: Measured
    far_pd_left: Measured
    far_pd_both: Measured
    height_right: Measured
    height_left: Measured
    a_right: Measured
    a_left: Measured
    b_right: Measured
    b_left: Measured
    dbl: Measured
    roll_deg: float
    px_per_mm: float
    notes: tuple[str, ...] = field(default=())


def needed_points(view: View, midline: bool = False) -> tuple[str, ...]:
    """Names of the points a picture needs. midline: whether the bridge mid-line is placed rather than taken from the frame."""
    names = [*PUPIL_POINTS, *RIM_POINTS]
    if view.reference == "points":
        names += REFERENCE_POINTS
    if midline:
        names.append(MIDLINE_POINT)
    return tuple(names)
