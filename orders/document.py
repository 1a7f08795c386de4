"""The order as the lab gets it: one frozen value built from a Case and its Figures, and written as canonical JSON.

Pure: no database, no HTTP. `build` gives plain data in the shape of `orders/schema/order-1.1.json`; `canonical` writes it by the
JSON Canonicalization Scheme (RFC 8785); `digest` is the SHA-256 of that text. The stored text is the order: every rendering
(page, PDF, JSON, FHIR) reads it and nothing else, so that two renderings cannot disagree.

Quantities are decimal text with a fixed number of decimals, never JSON numbers: "-2.25" has one spelling, a binary fraction has
not. Powers, prism and millimetres have two decimals, degrees one. There is no plus sign and no "-0.00". Rounding happens here and
only here, ties away from zero.

Frame of reference as in `dispensing.case`: x positive towards the nose and y positive upwards for both eyes, origin at the boxed
centre (ISO 8624); cylinder axes 0.1-180.0 and prism base directions 0.0-359.9 on the ISO 8429 scale, seen by somebody facing the
wearer, the same way round for both eyes.
"""

from __future__ import annotations

import hashlib
import math
import unicodedata
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import rfc8785

from dispensing.case import (
    EYES,
    MULTIFOCAL,
    Case,
    Eye,
    Frame,
    LensDesign,
    OrderedPower,
    PrescribedLens,
    Prescription,
)
from dispensing.checks.findings import Finding
from dispensing.figures import Figures, LensFigures

# 1.1: the front curve of each lens; a tint's transmittance may be null, not known. Orders of 1.0 are right by the schema of 1.1 too
SCHEMA_VERSION = "1.1"
SCHEMA_PATH = "/api/v1/schemas/order-1.1.json"

OUTLINE_CONVENTION = (
    "Radii from the boxed centre in 0.01 mm at equal steps of angle. The first points to the nose (0 degrees); angles grow"
    " upwards: the nose is 0, the top 90, the temple 180, the bottom 270. The same list serves both lenses, which are mirror images."
)
CONVENTIONS = {
    "units": "mm, dioptre (D), prism dioptre, degree",
    "axis": "ISO 8429: 180 is horizontal, angles grow anticlockwise, seen by somebody facing the wearer, both eyes alike",
    "base_angle": "ISO 8429, 0 to 360: right eye in 0, up 90, out 180, down 270; left eye in 180, up 90, out 0, down 270",
    "boxing": "ISO 8624; x is positive towards the nose, y upwards, origin at the boxed centre of each lens",
    "heights": "above the lower tangent of the box of each lens",
    "prism_sign": "base in and base up are positive",
    "powers": "back vertex powers",
}

HEIGHT_WORDS = {
    "box": "above the lower box tangent",
    "rim_below_pupil": "above the rim straight below the pupil",
    "datum": "above the datum line",
    "visible_rim": "above the visible edge of the rim",
}


class CannotDocument(ValueError):
    """Something an order cannot do without is not known. `missing` names the paths."""

    def __init__(self, missing: tuple[str, ...]) -> None:
        super().__init__("The order cannot be written: not known: " + ", ".join(missing))
        self.missing = missing


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A branch or a lab, as printed."""

    code: str
    name: str
    address: str = ""
    phone: str = ""
    time_zone: str = "UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatory:
    name: str
    role: str
    registration_number: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """A finding somebody gave a reason for."""

    finding: Finding
    reason: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Replaced:
    number: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderMeta:
    """What an order has besides the Case: its number, the two parties and the people who answer for it."""

    number: str
    issued_at: datetime  # aware
    dispense: str  # reference of the dispense it was issued from
    branch: Place
    lab: Place
    client_reference: str
    client_name: str | None = None  # only where the branch lets names go to labs
    dispensed_by: Signatory
    signed_by: Signatory | None = None
    issued_by: Signatory
    replaces: Replaced | None = None
    cautions: tuple[str, ...] = field(default=())


# --- numbers and text at the edge ----------------------------------------------------------------------------------------


def fixed(value: float | int | Decimal, places: int) -> str:
    """Decimal text with exactly `places` decimals, rounded to nearest with ties away from zero; no plus sign, no minus zero.

    A float is taken at nine decimals first, so that binary noise (2.675 held as 2.67499…) does not decide a tie.
    Raises ValueError for what is not a finite number.
    """
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"not a finite number: {value!r}")
    number = value if isinstance(value, Decimal) else Decimal(repr(round(value, 9)))
    rounded = number.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


def dioptres(value: float | Decimal) -> str:
    return fixed(value, 2)


def millimetres(value: float | Decimal) -> str:
    return fixed(value, 2)


def degrees(value: float | Decimal) -> str:
    return fixed(value, 1)


def _mm(value: float | None) -> str | None:
    return None if value is None else millimetres(value)


def _d(value: float | None) -> str | None:
    return None if value is None else dioptres(value)


def _deg(value: float | None) -> str | None:
    return None if value is None else degrees(value)


def _share(value: float | None) -> str | None:
    """Per cent; None where it is not on record."""
    return None if value is None else fixed(value, 1)


def _text(value: str) -> str:
    """Composed (NFC), without control characters and halves of surrogate pairs, line ends as "\\n"."""
    composed = unicodedata.normalize("NFC", value.replace("\r\n", "\n").replace("\r", "\n"))
    return "".join(c for c in composed if c == "\n" or unicodedata.category(c) not in {"Cc", "Cs"}).strip()


def _moment(value: datetime) -> str:
    """RFC 3339 in UTC to the second."""
    if value.tzinfo is None:
        raise ValueError("a moment needs its time zone")
    return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _day(value: date | None) -> str | None:
    return None if value is None else value.isoformat()


def _axis(value: float) -> str:
    """0.1 to 180.0; 0 is written 180."""
    text = degrees(value % 180.0)
    return "180.0" if Decimal(text) == 0 else text


# --- parts ---------------------------------------------------------------------------------------------------------------


def _prism(eye: Eye, base_in: float, base_up: float) -> dict[str, Any]:
    """Both components with their base in words, and their resultant with its base direction 0-360 (ISO 8429).

    The resultant is taken from the components as printed, so that a reader who composes them gets the same figure.
    """
    horizontal, vertical = dioptres(base_in), dioptres(base_up)
    h, v = float(horizontal), float(vertical)
    amount = math.hypot(h, v)
    x = h if eye == "right" else -h  # towards the viewer's right
    angle = degrees(math.degrees(math.atan2(v, x)) % 360.0)
    return {
        "in": horizontal,
        "up": vertical,
        "horizontal": {"amount": dioptres(abs(h)), "base": ("in" if h > 0 else "out") if h else None},
        "vertical": {"amount": dioptres(abs(v)), "base": ("up" if v > 0 else "down") if v else None},
        "resultant": {
            "amount": dioptres(amount),
            "base_angle": ("0.0" if Decimal(angle) == 360 else angle) if amount else None,
        },
    }


def _cylinder(sphere: float, cylinder: float, axis: float | None, form: str | None) -> tuple[str, str, str | None]:
    """Sphere, cylinder and axis as text, in `form` ("minus", "plus") or as given (None). Exact on the rounded values."""
    s, c = Decimal(dioptres(sphere)), Decimal(dioptres(cylinder))
    if c == 0:
        return dioptres(s), dioptres(c), None
    if axis is None:
        raise ValueError("a cylinder needs its axis")
    if (form == "minus" and c > 0) or (form == "plus" and c < 0):
        s, c, axis = s + c, -c, axis + 90.0
    return dioptres(s), dioptres(c), _axis(axis)


def _prescribed(eye: Eye, lens: PrescribedLens) -> dict[str, Any]:
    """As written: the cylinder form of the prescription, whatever the branch's own."""
    sphere = cylinder = axis = None
    if lens.sphere is not None:
        sphere, cylinder, axis = _cylinder(lens.sphere, lens.cylinder or 0.0, lens.axis, None)
    near = None
    if lens.near_prism_h or lens.near_prism_v:
        near = _prism(
            eye,
            _towards(lens.near_prism_h, lens.near_base_h, "in"),
            _towards(lens.near_prism_v, lens.near_base_v, "up"),
        )
    return {
        "balance": lens.balance,
        "sphere": sphere,
        "cylinder": cylinder,
        "axis": axis,
        "addition": _d(lens.add),
        "intermediate_addition": _d(lens.intermediate_add),
        "near_sphere": _d(lens.near_sphere),
        "prism": _prism(eye, lens.prism_in or 0.0, lens.prism_up or 0.0),
        "near_prism": near,
    }


def _towards(amount: float | None, base: str | None, positive: str) -> float:
    if not amount:
        return 0.0
    return amount if base == positive else -amount


def _ordered(eye: Eye, power: OrderedPower | None, form: str) -> dict[str, Any] | None:
    """What is asked of the lab, in the one cylinder form of this order."""
    if power is None:
        return None
    sphere, cylinder, axis = _cylinder(power.sphere, power.cylinder, power.axis, form)
    return {
        "sphere": sphere,
        "cylinder": cylinder,
        "axis": axis,
        "addition": _d(power.add),
        "prism": _prism(eye, power.prism_in, power.prism_up),
    }


def _near_pd(case: Case, eye: Eye, figures: LensFigures) -> float | None:
    """The near PD as measured."""
    return figures.near_pd if figures.near_pd is not None else case.measurements.of(eye).near_pd


def _centred_for(case: Case, eye: Eye, figures: LensFigures) -> str:
    """Whether the lens is centred by the near PD, measured or worked out. A multifocal is always centred for distance."""
    design = case.lens.design
    if design is not None and design.family in MULTIFOCAL:
        return "distance"
    c, near = case.frame.c if case.frame else None, _near_pd(case, eye, figures)
    near = figures.near_pd_computed if near is None else near
    if c is None or figures.decentration_in is None or near is None:
        return "distance"
    by_near = abs(c / 2 - near - figures.decentration_in)
    by_far = abs(c / 2 - figures.far_pd - figures.decentration_in) if figures.far_pd is not None else math.inf
    return "near" if by_near < 0.005 <= by_far else "distance"


def _centration(case: Case, eye: Eye, figures: LensFigures) -> dict[str, Any]:
    adopted = case.measurements.of(eye)
    far = figures.far_pd if figures.far_pd is not None else adopted.far_pd
    near, centred_for = _near_pd(case, eye, figures), _centred_for(case, eye, figures)
    if near is None and centred_for == "near":
        near = figures.near_pd_computed
    read = None
    if adopted.height is not None:
        read = {
            "value": millimetres(adopted.height),
            "reference": adopted.height_reference,
            "reference_words": HEIGHT_WORDS[adopted.height_reference],
        }
    return {
        "centred_for": centred_for,
        "decentration_in": _mm(figures.decentration_in),
        "decentration_up": _mm(figures.decentration_up),
        "far_pd": _mm(far),
        "near_pd": _mm(near),
        "height": _mm(figures.height_box),
        "height_reference": HEIGHT_WORDS["box"],
        "height_above_datum": _mm(figures.height_datum),
        "height_as_read": read,
        "near_inset": _mm(figures.near_inset),
    }


def _lens(case: Case, eye: Eye, prescription: Prescription, figures: LensFigures, form: str) -> dict[str, Any]:
    choice = case.lens
    front = choice.front_curve
    return {
        "prescribed": _prescribed(eye, prescription.of(eye)),
        "ordered": _ordered(eye, figures.ordered or choice.ordered(eye), form),
        "centration": _centration(case, eye, figures),
        "blank": {"diameter": _mm(choice.blank_diameter_mm), "needed": _mm(figures.blank_needed)},
        "thickness": {"centre_min": _mm(choice.min_centre_mm), "edge_min": _mm(choice.min_edge_mm)},
        "front_curve_wish": _d(front),
        "front_curve": _reckoned_curve(figures),
    }


def _reckoned_curve(figures: LensFigures) -> dict[str, Any] | None:
    """What the thickness was reckoned with and where it comes from; None where no curve is known."""
    if figures.front_curve is None or figures.front_curve_by is None:
        return None
    return {"curve": dioptres(figures.front_curve), "from": figures.front_curve_by}


def _design(design: LensDesign) -> dict[str, Any]:
    return {
        "code": _text(design.identity),
        "name": _text(design.name),
        "family": design.family,
        "corridor": _mm(design.corridor_mm),
        "near_inset": _mm(design.near_inset_mm),
        "segment_width": _mm(design.segment_width_mm),
        "segment_depth": _mm(design.segment_depth_mm),
        "intermediate_depth": _mm(design.intermediate_depth_mm),
        "degression": _d(design.degression),
        "cross_above_prism_point": _mm(design.cross_above_prism_point_mm)
        if design.family in ("progressive", "degressive")
        else None,
    }


def _frame(frame: Frame, groove_mm: float) -> dict[str, Any]:
    radii = [int(Decimal(fixed(r, 2)).scaleb(2)) for r in frame.outline]
    return {
        "name": _text(frame.name),
        "own": frame.own,
        "a": _mm(frame.a),
        "b": _mm(frame.b),
        "dbl": _mm(frame.dbl),
        "c": _mm(frame.c),
        "ed": _mm(frame.ed),
        "side": _mm(frame.side),
        "mount": frame.mount,
        "material": _text(frame.material),
        "front_curve": _d(frame.front_curve),
        "face_form": _deg(frame.face_form_deg),
        "groove": millimetres(frame.groove_mm if frame.groove_mm is not None else groove_mm)
        if frame.mount == "full_rim"
        else None,
        "outline": {"unit": "0.01 mm", "convention": OUTLINE_CONVENTION, "radii": radii} if radii else None,
        "drill_points": [
            {"x": millimetres(p.x), "y": millimetres(p.y), "diameter": millimetres(p.diameter)} for p in frame.drill_points
        ],
    }


def _instructions(case: Case, figures: Figures, frame: Frame) -> list[str]:
    """What a lab must know before it reads the figures; each follows from the Case."""
    said = []
    choice = case.lens
    if choice.compensation == "practice":
        said.append("Ordered powers are already compensated for the position of wear. Do not compensate again.")
    elif choice.compensation == "maker":
        said.append("Ordered powers are to be compensated by the maker for the position of wear stated here.")
    if choice.prism_thinning_down:
        said.append(
            f"Prism thinning {dioptres(choice.prism_thinning_down)} base down in both lenses, besides the prism ordered."
        )
    if choice.slab_off:
        said.append("Slab-off is asked for; see the remark for the eye and the line.")
    if not frame.outline:
        said.append("No outline is on record: trace the frame.")
    if frame.own:
        said.append("The frame is the client's own.")
    balanced = [eye for eye in EYES if case.prescription is not None and case.prescription.of(eye).balance]
    said.extend(f"{eye.capitalize()} lens is a balance lens." for eye in balanced)
    reckoned = [
        eye
        for eye in EYES
        if _near_pd(case, eye, figures.of(eye)) is None and _centred_for(case, eye, figures.of(eye)) == "near"
    ]
    if reckoned:
        said.append(
            f"Centred by the near PD, worked out from the far PD ({' and '.join(reckoned)}): it was not measured at near."
        )
    return said


def _person(who: Signatory) -> dict[str, Any]:
    return {"name": _text(who.name), "role": who.role, "registration_number": _text(who.registration_number) or None}


def _place(place: Place) -> dict[str, Any]:
    return {
        "code": _text(place.code),
        "name": _text(place.name),
        "address": _text(place.address),
        "phone": _text(place.phone),
    }


def missing_for_order(case: Case, figures: Figures) -> tuple[str, ...]:
    """Paths of what an order cannot do without; empty when it can be written."""
    missing = []
    if case.frame is None:
        missing.append("frame")
    else:
        missing += [f"frame.{name}" for name in ("a", "b", "dbl", "mount") if getattr(case.frame, name) is None]
    if case.lens.design is None:
        missing.append("lens.design")
    if case.lens.material is None:
        missing.append("lens.material")
    if case.prescription is None:
        return (*missing, "prescription")
    for eye in EYES:
        rx, lens = case.prescription.of(eye), figures.of(eye)
        if rx.prism_in is None:
            missing.append(f"prescription.{eye}.base_h")
        if rx.prism_up is None:
            missing.append(f"prescription.{eye}.base_v")
        if rx.cylinder and rx.axis is None:
            missing.append(f"prescription.{eye}.axis")
        if rx.near_prism_h and not rx.near_base_h:
            missing.append(f"prescription.{eye}.near_base_h")
        if rx.near_prism_v and not rx.near_base_v:
            missing.append(f"prescription.{eye}.near_base_v")
        if not rx.balance and rx.sphere is None:
            missing.append(f"prescription.{eye}.sphere")
        ordered = lens.ordered or case.lens.ordered(eye)
        if ordered is None:
            if not rx.balance:
                missing.append(f"figures.{eye}.ordered")
        elif ordered.cylinder and ordered.axis is None:
            missing.append(f"lens.ordered_{eye}.axis")
        if lens.decentration_in is None:
            missing.append(f"measurements.{eye}.far_pd")
    return tuple(missing)


def build(
    case: Case, figures: Figures, findings_with_reasons: tuple[Confirmed, ...] | list[Confirmed], meta: OrderMeta
) -> dict[str, Any]:
    """The order as plain data, in the shape of the published schema.

    Only reasons whose finding says so (`for_lab`) go to the lab. Raises CannotDocument when something an order cannot do
    without is not known, and ValueError for a number that is not finite or a moment without a time zone.
    """
    missing = missing_for_order(case, figures)
    frame, design, material, prescription = case.frame, case.lens.design, case.lens.material, case.prescription
    if missing or frame is None or design is None or material is None or prescription is None:
        raise CannotDocument(missing)
    choice, form = case.lens, case.rules.cylinder_form
    tint = choice.tint
    return {
        "schema_version": SCHEMA_VERSION,
        "conventions": dict(CONVENTIONS),
        "order": {
            "number": meta.number,
            "issued_at": _moment(meta.issued_at),
            "dispense": meta.dispense,
            "replaces": {"number": meta.replaces.number, "reason": _text(meta.replaces.reason)} if meta.replaces else None,
        },
        "branch": {**_place(meta.branch), "time_zone": meta.branch.time_zone},
        "lab": _place(meta.lab),
        "client": {
            "reference": meta.client_reference,
            "name": _text(meta.client_name) if meta.client_name else None,
        },
        "prescription": {
            "written_on": _day(prescription.written_on),
            "prescriber": _text(prescription.prescriber),
            "vertex_distance": _mm(prescription.vertex_mm),
        },
        "lens": {
            "design": _design(design),
            "material": {
                "name": _text(material.name),
                "index": fixed(material.nd, 3),
                "abbe": fixed(material.abbe, 1),
            },
            "coating": _text(choice.coating) or None,
            "tint": {
                "name": _text(tint.name),
                "transmittance_clear": _share(tint.transmittance_clear),
                "transmittance_dark": _share(tint.transmittance_dark),
            }
            if tint
            else None,
            "cylinder_form": form,
            "compensation": choice.compensation,
            "prism_thinning_down": dioptres(choice.prism_thinning_down),
            "slab_off": choice.slab_off,
            "remark": _text(choice.remark),
        },
        "lenses": {eye: _lens(case, eye, prescription, figures.of(eye), form) for eye in EYES},
        "frame": _frame(frame, case.rules.groove_mm),
        "as_worn": {
            "vertex_distance": _mm(case.fit.vertex_mm),
            "pantoscopic": _deg(case.fit.pantoscopic_deg),
            "face_form": _deg(case.fit.face_form_deg),
        },
        "tolerance_standard": case.rules.tolerance_standard,
        "instructions": _instructions(case, figures, frame),
        "reasons": [
            {
                "check": c.finding.check,
                "finding": _text(c.finding.message),
                "reason": _text(c.reason),
                "by": _text(c.by),
                "at": _moment(c.at),
            }
            for c in findings_with_reasons
            if c.finding.for_lab
        ],
        "people": {
            "dispensed_by": _person(meta.dispensed_by),
            "signed_by": _person(meta.signed_by) if meta.signed_by else None,
            "issued_by": _person(meta.issued_by),
        },
        "cautions": [_text(c) for c in meta.cautions],
    }


def canonical(document: dict[str, Any]) -> str:
    """The one text of a document (RFC 8785). Two equal documents give the same text, byte for byte."""
    return rfc8785.dumps(document).decode("utf-8")


def digest(text: str) -> str:
    """SHA-256 of the canonical text as UTF-8, in hexadecimal."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
