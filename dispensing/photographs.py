"""Photographs to measure on: added, marked with points, measured, removed. What follows from the points is in `optics.photograph`.

A picture of a face is a health record of its own kind: it is kept only with the client's consent, only as long as it is wanted, and what
is kept is our own encoding of its pixels (`picture_file`). Removing it takes the bytes out of the record for good; who had it, when and
why it went stay, and so do the points, which are figures like any other. (Backups and the free pages of a database file follow the
rules of whoever runs it.)

Nothing here changes what was signed: a signature is lifted by a reading that is taken, not by looking.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.db import transaction

from dispensing import measure
from dispensing.case import SEGMENTED, Case
from dispensing.gather import case_of
from dispensing.models import Dispense, Photograph
from dispensing.optics import photograph as optics
from dispensing.optics.errors import NotStated, OpticsError
from dispensing.picture_file import CONTENT_TYPE, PictureFile, read_picture
from dispensing.record.base import Saved, lock, now, refuse_closed
from practice import access, audit, contents
from practice.errors import Conflict, Invalid, Refused
from practice.models import Staff

MOST_KEPT = 12  # pictures of one dispense that are not removed
LENGTH_RANGE_MM = (20, 300)
# arguments of the view that are stated with the picture: field, least, most, what is taken when nothing is stated
STATED: dict[str, tuple[int, int, str | None]] = {
    "camera_mm": (200, 6000, None),
    "camera_above_mm": (-500, 500, "0"),
    "turn_deg": (-20, 20, "0"),
    "reference_mm": (*LENGTH_RANGE_MM, None),
    "reference_ahead_mm": (-80, 80, "0"),
}
LOOKING = ("camera", "far")
MARKS = ("pupil", "reflex")
FRAME_LENGTH_DOUBT_MM = 0.65  # of 2 a + d where each is right to 0.5 mm (ISO 12870, from memory): 0.29 sqrt(4 + 1)
OTHER_LENGTH_DOUBT_MM = 0.3
READINGS = (  # name of the result, quantity, eye
    ("far_pd_right", "far_pd", "right"),
    ("far_pd_left", "far_pd", "left"),
    ("height_right", "height", "right"),
    ("height_left", "height", "left"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What is said about how a picture was taken, as it was entered; None = nothing was entered."""

    reference_kind: str = Photograph.Kind.CARD
    reference_mm: Decimal | None = None
    reference_ahead_mm: Decimal | None = None
    camera_mm: Decimal | None = None
    camera_above_mm: Decimal | None = None
    turn_deg: Decimal | None = None
    looking: str = "camera"
    mark: str = "pupil"


def stated_of(photograph: Photograph) -> Stated:
    return Stated(**{name: getattr(photograph, name) for name in Stated.__dataclass_fields__})


# --- use cases -----------------------------------------------------------------------------------------------------------


def add_photograph(*, actor: Staff, dispense: Dispense, sent: bytes, consent: bool) -> Photograph:
    """Keep a front view with a dispense. `sent`: the file as it came. `consent`: the client agreed to a picture being kept.

    Raises Invalid (`picture`, `consent`), Refused, NotAllowed, contents.Away. The picture is decoded, and written to the store if there
    is one, before the dispense is locked.
    """
    errors = {} if consent else {"consent": "Ask the client first: a picture of a face is kept only with consent."}
    picture: PictureFile | None = None
    try:
        access.require(
            actor, "dispense.change", branch=dispense.branch, subject=dispense
        )  # no decoding for the wrong person
        picture = read_picture(sent)
    except Invalid as wrong:
        errors |= wrong.errors
    if errors or picture is None:
        raise Invalid(errors)
    refuse_closed(dispense)
    kept = contents.keep(picture.data, CONTENT_TYPE)
    with transaction.atomic():
        row = _locked(actor, dispense)
        if row.photographs.filter(removed_at=None).count() >= MOST_KEPT:
            raise Refused(f"{MOST_KEPT} pictures are kept with this dispense already. Remove one first.")
        made = Photograph.objects.create(
            dispense=row,
            image=kept.data,
            image_key=kept.key,
            width=picture.width,
            height=picture.height,
            sha256=picture.sha256,
            frame_identity=row.frame.get("identity", ""),
            added_by=actor,
            added_at=now(),
        )
        contents.hold(kept)
        _audit(actor, row, made, "dispense.photograph_added", {}, {"sha256": made.sha256, "consent": True})
    return made


def place_points(
    *, actor: Staff, photograph: Photograph, version: int, points: Mapping[str, tuple[float, float]], stated: Stated
) -> Photograph:
    """Put down where the points lie (pixels) and how the picture was taken. Points may still be missing.

    Raises Invalid (`points.<name>`, or a field of Stated), Conflict when somebody placed points since `version`.
    """
    errors = faults(photograph, points, stated)
    if errors:
        raise Invalid(errors)
    kept = {name: [round(x, 2), round(y, 2)] for name, (x, y) in points.items()}
    with transaction.atomic():
        dispense = _locked(actor, photograph.dispense)
        row = _again(photograph)
        if row.version != version:
            who = row.placed_by.initials if row.placed_by else "somebody"
            raise Conflict(f"{who} placed points on this picture since. Nothing of yours was saved.")
        before = {"points": row.points, **_plain(stated_of(row))}
        after = {"points": kept, **_plain(stated)}
        if before == after:
            return row
        for name, value in vars_of(stated).items():
            setattr(row, name, value)
        row.points, row.version, row.placed_by, row.placed_at = kept, row.version + 1, actor, now()
        row.save()
        _audit(actor, dispense, row, "dispense.photograph_points", *audit.changed(before, after))
    return row


def take_readings(
    *,
    actor: Staff,
    photograph: Photograph,
    version: int,
    points: Mapping[str, tuple[float, float]] | None = None,
    stated: Stated | None = None,
) -> Saved:
    """Record what the points say (put down first, where they are given: `place_points`) as readings of the method "photograph": far PDs, and heights
    of the pupils in the box.

    Taken twice from the same points they are one set of readings. Raises Invalid (what is missing), Conflict, Refused: a picture of
    another frame, or one taken before the final fit was confirmed, says nothing of this one.
    """
    with transaction.atomic():
        dispense = _locked(actor, photograph.dispense)
        if points is not None and stated is not None:
            version = place_points(
                actor=actor, photograph=photograph, version=version, points=points, stated=stated
            ).version
        row = _again(photograph)
        if row.version != version:
            raise Conflict("The points were changed since this page was read. Look at them again.")
        if no := why_no_readings(row, dispense):
            raise Refused(no)
        try:
            case = case_of(dispense)
            found = result_of(row, case)
        except OpticsError as wrong:
            raise Invalid({field_of(wrong): f"{optics.point_words(wrong.argument)} {wrong.why}"}) from wrong
        readings = [
            measure.NewReading(
                quantity=height_quantity(case) if quantity == "height" else quantity,
                eye=eye,
                value=tenth(getattr(found, name).value),
                method="photograph",
                reference="box" if quantity == "height" else "",
                as_typed=f"picture {row.pk}, ±{tenth(getattr(found, name).expanded)} (95 %)",
                entry=f"photograph-{row.pk}-{row.version}-{quantity}-{eye}",
            )
            for name, quantity, eye in READINGS
        ]
        return measure.add_readings(actor=actor, dispense=dispense, readings=readings)


def remove_photograph(*, actor: Staff, photograph: Photograph, reason: str) -> Photograph:
    """Take the picture out of the record for good, at any time, also after the order. The fact that it was there stays."""
    reason = reason.strip()
    if not reason:
        raise Invalid({"reason": "Say why it is removed: that stays on record."})
    if len(reason) > 200 or "\x00" in reason:
        raise Invalid({"reason": "At most 200 characters."})
    with transaction.atomic():
        dispense = lock(photograph.dispense)
        access.require(actor, "dispense.change", branch=dispense.branch, subject=dispense)
        row = _again(photograph)
        if row.removed_at is None:
            contents.drop([row.image_key])
            row.image, row.image_key, row.removed_by, row.removed_at, row.removed_reason = None, "", actor, now(), reason
            row.save(update_fields=["image", "image_key", "removed_by", "removed_at", "removed_reason"])
            _audit(actor, dispense, row, "dispense.photograph_removed", {"sha256": row.sha256}, {"reason": reason})
    return row


# --- what follows ----------------------------------------------------------------------------------------------------------


def view_of(photograph: Photograph, stated: Stated, case: Case) -> tuple[optics.View, optics.Doubt]:
    """What is stated about a picture and what is known of frame and fit, as the optics want it; what is not known has its usual value.

    Raises OpticsError where the reference has no length yet.
    """
    frame, fit = case.frame, case.fit
    values: dict[str, Any] = {"width": photograph.width, "height": photograph.height}
    doubt = optics.Doubt()
    if stated.reference_kind == Photograph.Kind.FRAME:
        if frame is None or frame.a is None or frame.dbl is None:
            raise NotStated("reference_mm", "needs a and the distance between lenses of the frame.")
        values |= {"reference": "front", "reference_mm": 2 * frame.a + frame.dbl}
        doubt = replace(doubt, reference_mm=FRAME_LENGTH_DOUBT_MM)
    elif stated.reference_kind == Photograph.Kind.LENGTH:
        if stated.reference_mm is None:
            raise NotStated("reference_mm", "needs its length.")
        values["reference_mm"] = float(stated.reference_mm)
        doubt = replace(doubt, reference_mm=OTHER_LENGTH_DOUBT_MM)
    else:
        values["reference_mm"] = optics.CARD_MM
    if stated.camera_mm is None:
        raise NotStated("camera_mm", "say how far the camera was.")
    values |= {
        "camera_mm": float(stated.camera_mm),
        "ahead_mm": float(stated.reference_ahead_mm or 0),
        "camera_above_mm": float(stated.camera_above_mm or 0),
        "turn_deg": float(stated.turn_deg or 0),
        "looking": stated.looking,
        "mark": stated.mark,
    }
    for name in ("vertex_mm", "pantoscopic_deg", "face_form_deg"):
        known = getattr(fit, name)
        if known is None and name == "face_form_deg" and frame is not None:
            known = frame.face_form_deg
        if known is not None:
            values[name] = known
            doubt = replace(doubt, **{name: {"vertex_mm": 1.0, "pantoscopic_deg": 2.0, "face_form_deg": 1.5}[name]})
    values["groove_mm"] = case.rules.groove_mm if frame is None else frame.groove(case.rules.groove_mm)
    if frame is not None and frame.mount in ("grooved", "drilled") and not values["groove_mm"]:
        doubt = replace(doubt, groove_mm=0.0)  # the lens edge itself is seen
    return optics.View(**values), doubt


def result_of(photograph: Photograph, case: Case) -> optics.Result:
    """What the saved points say. Raises OpticsError where they say nothing."""
    return result(photograph, points_of(photograph), stated_of(photograph), case)


def result(photograph: Photograph, points: Mapping[str, tuple[float, float]], stated: Stated, case: Case) -> optics.Result:
    """What points and statements would say, with notes where they disagree with the frame's own figures."""
    view, doubt = view_of(photograph, stated, case)
    found = optics.measure(points, view, doubt)
    return replace(found, notes=(*found.notes, *_against_frame(found, stated, case)))


def _against_frame(found: optics.Result, stated: Stated, case: Case) -> list[str]:
    """The frame's own figures are a second reference that costs nothing."""
    frame = case.frame
    if frame is None:
        return []
    seen = [("a", 0.5 * (found.a_right.value + found.a_left.value), frame.a)]
    if frame.b is not None:
        seen.append(("b", 0.5 * (found.b_right.value + found.b_left.value), frame.b))
    seen.append(("distance between lenses", found.dbl.value, frame.dbl))
    notes = []
    for name, value, known in seen:
        if known is not None and abs(value - known) > max(1.0, 0.025 * known):
            notes.append(
                f"The picture has {name} {value:.1f} mm, the frame {known:g}: "
                + (
                    "a rim point is off."
                    if stated.reference_kind == Photograph.Kind.FRAME
                    else "scale or a rim point is off."
                )
            )
    return notes


def why_no_readings(photograph: Photograph, dispense: Dispense) -> str:
    """Why nothing can be taken from this picture for this dispense as it is now; empty when it can."""
    if photograph.removed_at is not None:
        return "The picture is removed: what it says can no longer be looked at."
    identity = dispense.frame.get("identity", "")
    if not identity:
        return "Choose the frame first: PD and height are read on a frame."
    if photograph.frame_identity != identity:
        return "The frame was changed since this picture. Take a new one on the frame that is chosen."
    if dispense.fit_confirmed_at is not None and photograph.added_at < dispense.fit_confirmed_at:
        return "The final fit was confirmed after this picture was added. Take a new one in the final fit."
    return ""


def faults(photograph: Photograph, points: Mapping[str, tuple[float, float]], stated: Stated) -> dict[str, str]:
    """Why this cannot be saved, by field; empty when it can."""
    errors: dict[str, str] = {}
    for name, (x, y) in points.items():
        if name not in optics.POINTS:
            errors[f"points.{name[:40]}"] = "No such point."
        elif not (0 <= x <= photograph.width and 0 <= y <= photograph.height):
            errors[f"points.{name}"] = f"Outside the picture, which is {photograph.width} × {photograph.height} pixels."
    for name, (least, most, _) in STATED.items():
        value = getattr(stated, name)
        if value is not None and not (value.is_finite() and least <= value <= most):
            errors[name] = f"{least} to {most}.".replace("-", "−")
    if stated.reference_kind not in Photograph.Kind.values:
        errors["reference_kind"] = "A card, the frame, or another known length."
    if stated.looking not in LOOKING:
        errors["looking"] = "Into the camera, or far."
    if stated.mark not in MARKS:
        errors["mark"] = "Pupil centres, or reflexes."
    return errors


def points_of(photograph: Photograph) -> dict[str, tuple[float, float]]:
    return {name: (float(x), float(y)) for name, (x, y) in photograph.points.items()}


def height_quantity(case: Case) -> str:
    """What the height of a pupil is recorded as: where the lens has a segment, "height" is that of its top."""
    return "pupil" if case.lens.design is not None and case.lens.design.family in SEGMENTED else "height"


def field_of(wrong: OpticsError) -> str:
    """The field a fault of the optics belongs to."""
    name = {"reference": "reference.1", "ahead_mm": "reference_ahead_mm"}.get(wrong.argument, wrong.argument)
    return f"points.{name}" if name in optics.POINTS else name


def tenth(value: float) -> Decimal:
    """Millimetres to one decimal, ties away from zero."""
    return Decimal(repr(value)).quantize(Decimal("0.1"), ROUND_HALF_UP)


def vars_of(stated: Stated) -> dict[str, Any]:
    return {name: getattr(stated, name) for name in Stated.__dataclass_fields__}


def _plain(stated: Stated) -> dict[str, Any]:
    """As the audit trail holds it: 1000.00 and 1000 are one figure."""
    return {
        k: None if v is None else f"{v.normalize():f}" if isinstance(v, Decimal) else str(v)
        for k, v in vars_of(stated).items()
    }


def _locked(actor: Staff, dispense: Dispense) -> Dispense:
    row = lock(dispense)
    access.require(actor, "dispense.change", branch=row.branch, subject=row)
    refuse_closed(row)
    return row


def _again(photograph: Photograph) -> Photograph:
    """The row as it is now, without its bytes; the dispense's lock guards it."""
    return Photograph.objects.defer("image").select_related("dispense", "placed_by").get(pk=photograph.pk)


def _audit(
    actor: Staff, dispense: Dispense, row: Photograph, action: str, before: Mapping[str, Any], after: Mapping[str, Any]
) -> None:
    audit.record(
        actor=actor,
        action=action,
        subject=f"photograph {row.pk} of {dispense.reference}",
        group=dispense.group,
        branch=dispense.branch,
        client=dispense.client,
        before=before,
        after=after,
    )
