"""What is computed: the figures of each lens and of the pair, as plain frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dispensing.case import Eye, OrderedPower
from dispensing.figures.curves import CurveBy


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFigures:
    """Of one eye. x nasal, y up, mm from the boxed centre unless said."""

    # where the lens goes
    far_pd: float | None = None
    near_pd: float | None = None
    near_pd_computed: float | None = None  # from the far PD and the working distance
    height_box: float | None = None  # fitting height above the lower box tangent
    height_rim: float | None = None  # above the rim straight below the pupil
    height_datum: float | None = None  # above the datum line
    decentration_in: float | None = None  # c/2 - PD
    decentration_up: float | None = None  # height - b/2
    point_inside: bool | None = None  # fitting point inside the outline
    room_above: float | None = None  # fitting point to the outline straight above
    room_below: float | None = None
    # the blank
    blank_needed: float | None = None  # exact least uncut diameter, from the outline
    blank_rule: float | None = None  # rule of thumb: ed + 2 x decentration + 2
    blank_needs_at_deg: float | None = None  # direction of the outline point that needs it, from the boxed centre
    reference_x: float | None = None  # where the optical centre (prism reference point) lies: what the blank is centred on
    reference_y: float | None = None
    # powers
    ordered: OrderedPower | None = None  # what is asked of the lab
    at_eye: OrderedPower | None = None  # what reaches the eye with this vertex distance and these tilts
    expected: OrderedPower | None = None  # what ought to be ordered for this fit by computation
    principal_max: float | None = None  # greater principal power by size, signed, distance
    # prism of the finished lens at the fitting point from the optical centre placement, and prescribed
    prism_in: float | None = None
    prism_up: float | None = None
    # near
    near_inset: float | None = None
    segment_top_below_pupil: float | None = None
    corridor_end_height: float | None = None  # near point above the lower box tangent
    # substance
    front_curve: float | None = None  # D, n = 1.53
    front_curve_by: CurveBy | None = None  # stated with the lens, from the maker's table, or by the usual rule
    centre_thickness: float | None = None
    edge_thinnest: float | None = None
    edge_thinnest_at_deg: float | None = None
    edge_thickest: float | None = None
    edge_thickest_at_deg: float | None = None
    edge_at_drill_points: tuple[float, ...] = ()
    edge_profile: tuple[float, ...] = ()  # thickness at each outline point
    volume_mm3: float | None = None
    mass_g: float | None = None
    # seeing
    chromatic_blur: float | None = None  # transverse chromatic aberration at the usual gaze angle, prism dioptres
    magnification_percent: float | None = None
    vertical_power: float | None = None  # power in the vertical meridian (distance)
    image_jump: float | None = None
    # need: the greatest error that keeps this lens within the tolerance standard, 1 mm for a fitting cross or segment top;
    # 30 mm (vertex 15 mm) says that no error that can happen matters
    pd_need_mm: float | None = None
    height_need_mm: float | None = None
    vertex_need_mm: float | None = None
    prism_per_mm_h: float | None = None  # prism made by 1 mm of horizontal error
    prism_per_mm_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    right: LensFigures = LensFigures()
    left: LensFigures = LensFigures()
    binocular_far_pd: float | None = None  # sum of the adopted monocular values
    binocular_near_pd: float | None = None
    box_centre_distance: float | None = None  # c = a + d
    net_prism_h: float | None = None  # pair: in + in, base in positive
    net_prism_v: float | None = None  # pair: right up - left up
    vertical_imbalance_near: float | None = None  # R minus L at the reading level, base up positive
    magnification_difference_percent: float | None = None
    prism_tolerance_h: float | None = None  # pair, by the branch's standard
    prism_tolerance_v: float | None = None
    mass_g: float | None = None  # both lenses
    unknown: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # figure path -> paths of what is missing
    # no outline on record: a shape with the frame's a, b and effective diameter stands in for it
    outline_assumed: bool = False
    # figure or field path -> the usual value taken for want of another
    assumed: Mapping[str, str] = field(default_factory=dict)

    def of(self, eye: Eye) -> LensFigures:
        return self.right if eye == "right" else self.left
