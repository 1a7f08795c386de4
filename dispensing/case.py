"""A Case: one dispense as plain frozen values, and nothing else.

What was recorded, in house units (mm, dioptres, prism dioptres, degrees, grams), with no database and no HTTP behind it.
`None` always means "not on record"; it never stands for zero. Everything computed from a Case lives in `figures`; what is
thought of it lives in `checks`. Built from models in `gather`, from JSON in `case_json.py`.

Frame of reference: for both eyes x is positive towards the nose and y is positive upwards, origin at the boxed centre
(ISO 8624 boxing). Cylinder axes are 1-180 on the ISO 8429 scale, seen by somebody facing the wearer.
A path such as ``prescription.right.sphere`` names a value in findings, in JSON errors and in form fields alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Generic, Literal, TypeVar

T = TypeVar("T")
Eye = Literal["right", "left"]
EYES: tuple[Eye, Eye] = ("right", "left")


@dataclass(frozen=True, slots=True)
class Pair(Generic[T]):
    """One value for each eye. Right first, as the trade writes it."""

    right: T
    left: T

    def of(self, eye: Eye) -> T:
        return self.right if eye == "right" else self.left

    def __iter__(self) -> Iterator[T]:
        yield self.right
        yield self.left

    def items(self) -> tuple[tuple[Eye, T], tuple[Eye, T]]:
        return (("right", self.right), ("left", self.left))


BaseH = Literal["in", "out"]
BaseV = Literal["up", "down"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrescribedLens:
    """One eye of a prescription, as written (either cylinder form)."""

    sphere: float | None = None
    cylinder: float | None = None
    axis: float | None = None
    add: float | None = None
    intermediate_add: float | None = None
    near_sphere: float | None = None  # a near row written out in full, if there is one
    prism_h: float | None = None  # amount, never negative; direction in base_h
    base_h: BaseH | None = None
    prism_v: float | None = None
    base_v: BaseV | None = None
    near_prism_h: float | None = None
    near_base_h: BaseH | None = None
    near_prism_v: float | None = None
    near_base_v: BaseV | None = None
    balance: bool = False  # a balance lens: the eye is not corrected by it
    acuity: str = ""
    near_acuity: str = ""

    @property
    def prism_in(self) -> float | None:
        """Horizontal distance prism, base in positive; None when amount or base is not known. No prism at all is 0."""
        return _signed(self.prism_h, self.base_h, "in")

    @property
    def prism_up(self) -> float | None:
        """Vertical distance prism, base up positive; None when amount or base is not known. No prism at all is 0."""
        return _signed(self.prism_v, self.base_v, "up")


def _signed(amount: float | None, base: str | None, positive: str) -> float | None:
    if not amount:
        return 0.0
    if base is None:
        return None
    return amount if base == positive else -amount


@dataclass(frozen=True, slots=True, kw_only=True)
class Prescription:
    right: PrescribedLens = PrescribedLens()
    left: PrescribedLens = PrescribedLens()
    vertex_mm: float | None = None  # vertex distance at which it was tested
    written_on: date | None = None
    expires_on: date | None = None
    prescriber: str = ""
    source: Literal["typed", "imported"] = "typed"
    read_back: Literal["matched", "differs"] | None = None  # powers typed again blind
    remark: str = ""  # what the prescriber wrote that explains something unusual

    def of(self, eye: Eye) -> PrescribedLens:
        return self.right if eye == "right" else self.left


Restriction = Literal["under_age", "sight_impaired"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    age_years: float | None = None
    sex: Literal["female", "male"] | None = None  # only to predict a PD
    sight_impaired: bool = False  # registered
    useful_eye: Eye | None = None  # set when only one eye is useful
    notes: tuple[str, ...] = ()  # recorded reasons: "past orbital fracture", ...


Use = Literal[
    "all_round", "distance", "intermediate", "near", "screens", "driving_day", "driving_night", "safety", "sport", "sun"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    uses: tuple[Use, ...] = ()
    working_distance_mm: float | None = None  # spectacle plane to near task
    first_progressive: bool = False
    wish: str = ""


Mount = Literal["full_rim", "grooved", "drilled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillPoint:
    x: float  # mm from the boxed centre, nasal positive
    y: float
    diameter: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    identity: str = ""  # what the readings must have been taken on; changes when the frame is changed
    name: str = ""
    model: str = ""  # maker and model, whatever the colour
    own: bool = False  # the client's own frame
    child: bool = False  # sold as a child's frame
    a: float | None = None  # boxed lens size, horizontal, to bevel apex
    b: float | None = None  # boxed lens size, vertical
    dbl: float | None = None  # distance between lenses
    ed: float | None = None  # effective diameter, twice the longest radius from the boxed centre
    side: float | None = None  # overall length of side
    mount: Mount | None = None
    material: str = ""  # "acetate", "metal", ...
    front_curve: float | None = None  # dioptres, n = 1.53
    face_form_deg: float | None = None  # the frame's own face form angle
    groove_mm: float | None = None  # visible rim to bevel apex, a side; None = the usual: see `groove`
    outline: tuple[float, ...] = ()  # radii from the boxed centre, mm, equal steps from nasal through up (either eye)
    drill_points: tuple[DrillPoint, ...] = ()

    @property
    def c(self) -> float | None:
        """Boxed centre distance a + d (ISO 8624)."""
        return None if self.a is None or self.dbl is None else self.a + self.dbl

    def groove(self, usual_mm: float) -> float:
        """How far the lens edge lies beyond what is seen of the rim, mm a side.

        A rim hides the bevel by `usual_mm` (the branch's) where the frame's own figure is not on record. A cord lies in the lens
        edge and a drilled lens has no rim: there the edge itself is seen, and nothing is hidden. A frame with a cord may say
        otherwise (a rim below and the cord above); a drilled one cannot.
        """
        if self.mount == "drilled":
            return 0.0
        if self.groove_mm is not None:
            return self.groove_mm
        return 0.0 if self.mount == "grooved" else usual_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The frame in its final place on the face."""

    confirmed: bool = False
    confirmed_at: datetime | None = None
    frame_identity: str = ""  # the frame the fit was confirmed on
    vertex_mm: float | None = None  # as worn
    pantoscopic_deg: float | None = None  # as worn; positive = bottom nearer the cheeks
    face_form_deg: float | None = None  # as worn; measured in the plane of the tilted front


Quantity = Literal["far_pd", "near_pd", "height", "pupil"]  # "pupil": its height, where "height" is that of a segment top
HEIGHTS: frozenset[str] = frozenset({"height", "pupil"})
HeightReference = Literal["box", "rim_below_pupil", "datum", "visible_rim"]
Method = Literal[
    "pupillometer",  # corneal reflex
    "rule",  # millimetre rule
    "marked_lens",  # marked demonstration lens
    "clip_scale",  # clip-on height scale, full rims only
    "levelled_gauge",  # removes parallax
    "target_gauge",  # with hand mirror
    "photograph",
    "earlier_record",
    "other",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measurement as it was read. `eye` is "both" for a binocular PD."""

    quantity: Quantity
    eye: Literal["right", "left", "both"]
    value: float
    method: Method | None = None
    reference: HeightReference | None = None  # heights only
    by: str = ""
    at: datetime | None = None
    frame_identity: str = ""
    observer_level: bool | None = None  # None = not said
    observer_above_mm: float | None = None  # observer's eye above (+) or below (-) the client's eye
    observer_distance_mm: float | None = None
    in_doubt: bool = False  # frame or fit changed since


@dataclass(frozen=True, slots=True, kw_only=True)
class Adopted:
    """The values chosen for one eye, as read: a height still has the reference it was read against."""

    far_pd: float | None = None
    near_pd: float | None = None
    height: float | None = None  # of the fitting point; of the segment top where the lens has a segment
    height_reference: HeightReference = "box"
    pupil_height: float | None = None  # pupil above the lower box tangent, where `height` is that of a segment top


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements:
    readings: tuple[Reading, ...] = ()
    right: Adopted = Adopted()
    left: Adopted = Adopted()
    binocular_far_pd: float | None = None
    binocular_near_pd: float | None = None
    in_doubt: bool = False
    reason: str = ""  # why something unusual here is right

    def of(self, eye: Eye) -> Adopted:
        return self.right if eye == "right" else self.left


Family = Literal["single_vision", "round_bifocal", "flat_top_bifocal", "trifocal", "progressive", "degressive"]
MULTIFOCAL: frozenset[str] = frozenset({"round_bifocal", "flat_top_bifocal", "trifocal", "progressive", "degressive"})
SEGMENTED: frozenset[str] = frozenset({"round_bifocal", "flat_top_bifocal", "trifocal"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    name: str
    nd: float
    abbe: float
    density: float  # g/cm3
    impact: Literal["low", "basic", "good", "high"] = "basic"
    drilled: Literal["no", "poor", "fair", "good"] = "fair"
    grooved: Literal["no", "poor", "fair", "good"] = "good"
    glass: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Tint:
    name: str
    transmittance_clear: float | None = None  # luminous, per cent, palest state; None = not on record
    transmittance_dark: float | None = None  # per cent, darkest state; the same for a fixed tint; None = not on record
    code: str = ""  # in the catalogue
    offered_until: date | None = None  # last day on which it can be chosen; None = no end

    @property
    def photochromic(self) -> bool:
        clear, dark = self.transmittance_clear, self.transmittance_dark
        return clear is not None and dark is not None and dark < clear - 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveStep:
    """One line of a maker's table of front curves: from one sphere to another, minus-cylinder form, both ends included."""

    sphere_from: float  # dioptres
    sphere_to: float  # dioptres, not less than sphere_from
    curve: float  # dioptres, n = 1.53


@dataclass(frozen=True, slots=True, kw_only=True)
class LensDesign:
    identity: str = ""
    name: str = ""
    family: Family = "single_vision"
    corridor_mm: float | None = None
    min_height_mm: float | None = None  # fitting height above the lower box tangent
    min_above_mm: float | None = None  # room above the fitting point
    near_inset_mm: float | None = None  # fixed inset; None = computed
    segment_width_mm: float | None = None
    segment_depth_mm: float | None = None
    intermediate_depth_mm: float | None = None  # trifocal
    segment_centre_below_top_mm: float | None = None  # optical centre of the segment
    cross_above_prism_point_mm: float = 4.0
    sphere_min: float | None = None
    sphere_max: float | None = None
    cylinder_max: float | None = None  # size, either sign
    add_min: float | None = None
    add_max: float | None = None
    prism_max: float | None = None
    blank_diameters: tuple[float, ...] = ()
    degression: float | None = None
    front_curves: tuple[CurveStep, ...] = ()  # the maker's table of front curves by power; empty = not stated
    made_with: tuple[str, ...] = ()  # codes of the coatings and tints it is made with; empty = not said
    offered_until: date | None = None  # last day on which the design in this material can be chosen; None = no end


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderedPower:
    """Back vertex power asked of the lab, where it differs from the prescription (as-worn compensation)."""

    sphere: float
    cylinder: float = 0.0
    axis: float | None = None
    prism_in: float = 0.0
    prism_up: float = 0.0
    add: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LensChoice:
    design: LensDesign | None = None
    material: Material | None = None
    blank_diameter_mm: float | None = None
    front_curve: float | None = None  # dioptres, n = 1.53; None = the maker's table, else computed
    min_centre_mm: float | None = None
    min_edge_mm: float | None = None  # for the frame's mount
    coating: str = ""
    coating_code: str = ""  # in the catalogue
    coating_offered_until: date | None = None  # last day on which it can be chosen; None = no end
    tint: Tint | None = None
    compensation: Literal["none", "practice", "maker"] = "none"  # who turned prescribed into ordered powers
    ordered_right: OrderedPower | None = None  # stated; None = as prescribed
    ordered_left: OrderedPower | None = None
    prism_thinning_down: float = 0.0  # base down in both lenses
    slab_off: bool = False
    remark: str = ""

    def ordered(self, eye: Eye) -> OrderedPower | None:
        return self.ordered_right if eye == "right" else self.ordered_left


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierPair:
    """What an earlier pair or prescription of the same client says, newest first in Case.earlier."""

    on: date | None = None
    prescription: Prescription | None = None
    far_pd: Pair[float | None] = Pair(None, None)
    near_pd: Pair[float | None] = Pair(None, None)
    height: Pair[float | None] = Pair(None, None)  # box
    frame: Frame | None = None
    family: Family | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Settings of the branch that decide what is allowed there. Defaults are not law: see the branch's own."""

    restricted_below_age: int | None = 16
    prescription_valid_months: int | None = 24
    registered_may_use_expired: bool = True
    tolerance_standard: Literal["ISO 21987:2017", "ANSI Z80.1"] = "ISO 21987:2017"
    groove_mm: float = 0.5
    cylinder_form: Literal["minus", "plus"] = "minus"
    limits: tuple[tuple[str, float], ...] = ()  # thresholds this group has changed: (name, value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hands:
    """Who did it and who answers for it."""

    dispenser: str = ""
    dispenser_role: Literal["trainee", "dispenser", "supervisor", "manager"] | None = None
    dispenser_registered: bool = False
    signed_by: str | None = None
    signer_registered: bool = False
    changed_after_signature: bool = False
    open_order_for_same_pair: bool = False  # a copy of an order that is still open


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    today: date
    person: Person = Person()
    needs: Needs = Needs()
    prescription: Prescription | None = None
    frame: Frame | None = None
    fit: Fit = Fit()
    measurements: Measurements = Measurements()
    lens: LensChoice = LensChoice()
    earlier: tuple[EarlierPair, ...] = ()
    hands: Hands = Hands()
    rules: Rules = Rules()
