"""Readings taken at the fitting desk, and the values adopted from them: a recorded choice."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import get_args

from dispensing import case as c
from dispensing.gather import current_adoptions
from dispensing.models import Adoption, Dispense, Reading
from dispensing.record.base import Saved, changing, now
from practice.errors import Invalid, Refused
from practice.models import Staff

QUANTITIES: tuple[str, ...] = get_args(c.Quantity)
METHODS: tuple[str, ...] = get_args(c.Method)
REFERENCES: tuple[str, ...] = get_args(c.HeightReference)
# What a height read by this method is measured from, unless said otherwise (common practice).
METHOD_REFERENCE: dict[str, str] = {
    "marked_lens": "datum",
    "clip_scale": "visible_rim",
    "rule": "visible_rim",
    "levelled_gauge": "box",
    "target_gauge": "visible_rim",
    "photograph": "box",
}
HEIGHT_METHODS = (
    "marked_lens",
    "clip_scale",
    "rule",
    "levelled_gauge",
    "target_gauge",
    "photograph",
    "earlier_record",
    "other",
)
PD_METHODS = ("pupillometer", "rule", "marked_lens", "photograph", "earlier_record", "other")
# what a face can be at all, mm; checks say what is unusual
BOUNDS: dict[tuple[str, bool], tuple[int, int]] = {
    ("far_pd", False): (12, 50),
    ("near_pd", False): (12, 50),
    ("far_pd", True): (30, 100),
    ("near_pd", True): (30, 100),
    ("height", False): (-40, 60),
    ("pupil", False): (-40, 60),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NewReading:
    """One measurement as it was read, mm. A height from the datum line may be negative; every other value is positive."""

    quantity: str
    eye: str  # right, left; both for a binocular PD
    value: Decimal
    method: str
    reference: str = ""  # heights: box, rim_below_pupil, datum, visible_rim; empty = what the method reads
    as_typed: str = ""
    observer_level: bool | None = None
    observer_above_mm: Decimal | None = None
    observer_distance_mm: Decimal | None = None
    instrument: str = ""  # which one, where a practice has several
    entry: str = ""  # made where it was typed: sent twice, it is one reading


def clip_scale_refusal(mount: str | None) -> str:
    """Why a clip-on height scale cannot be used on this mount, or nothing."""
    if mount not in ("grooved", "drilled"):
        return ""
    return (
        f"A clip-on scale hangs on the lower rim, and a {mount} mount has none: it would read from the cord or the lens edge. "
        "Mark the demonstration lens instead."
    )


def add_readings(*, actor: Staff, dispense: Dispense, readings: Sequence[NewReading]) -> Saved:
    """Record several readings at once. Adding overwrites nothing, so no version is asked for.

    A reading whose `entry` is on record already is passed over. Raises Invalid with `readings.<n>.<field>` paths.
    """
    with changing(actor=actor, dispense=dispense, part="readings", version=None, action="dispense.readings") as change:
        row = change.dispense
        complete = complete_readings(readings, row)
        entries = [r.entry for r in complete if r.entry]
        known = set(row.readings.filter(entry__in=entries).values_list("entry", flat=True)) if entries else set()
        identity = row.frame.get("identity", "")
        moment = now()
        added = Reading.objects.bulk_create(
            Reading(
                dispense=row,
                quantity=r.quantity,
                eye=r.eye,
                value=r.value,
                as_typed=r.as_typed[:40],
                method=r.method,
                reference=r.reference if r.quantity in c.HEIGHTS else "",
                frame_identity=identity,
                observer_level=r.observer_level,
                observer_above_mm=r.observer_above_mm,
                observer_distance_mm=r.observer_distance_mm,
                instrument=r.instrument[:60],
                by=actor,
                at=moment,
                entry=r.entry,
            )
            for r in complete
            if r.entry not in known
        )
        if added:
            change.note("added", [], [_described(r) for r in added])
        if len(added) < len(complete):
            change.said.append(f"{len(complete) - len(added)} of these were on record already.")
        if row.fit_confirmed_at is None:
            change.said.append("The final fit is not confirmed yet: these cannot be adopted before it is.")
    return change.saved()


def complete_readings(readings: Sequence[NewReading], dispense: Dispense) -> list[NewReading]:
    """The readings with the reference their method has; Invalid names every one that cannot be."""
    errors = faults(readings, dispense)
    if not readings:
        errors["readings"] = "There is no reading to save."
    if errors:
        raise Invalid(errors)
    return [_with_reference(r) for r in readings]


def faults(readings: Sequence[NewReading], dispense: Dispense) -> dict[str, str]:
    """Why these cannot be recorded on this dispense, by `readings.<n>.<field>`; empty when they can."""
    errors: dict[str, str] = {}
    for i, reading in enumerate(readings):
        for name, message in _faults(reading, dispense.frame.get("mount"), bool(dispense.frame)).items():
            errors[f"readings.{i}.{name}"] = message
        if reading.quantity in c.HEIGHTS and not _with_reference(reading).reference:
            errors.setdefault(f"readings.{i}.reference", "Say what this height was read from.")
    return errors


def _with_reference(reading: NewReading) -> NewReading:
    if reading.quantity not in c.HEIGHTS or reading.reference:
        return reading
    return replace(reading, reference=METHOD_REFERENCE.get(reading.method, ""))


def _faults(reading: NewReading, mount: str | None, has_frame: bool) -> dict[str, str]:
    faults: dict[str, str] = {}
    if reading.quantity not in QUANTITIES:
        return {"quantity": "Far PD, near PD, height or pupil height."}
    if reading.eye not in ("right", "left", "both") or (reading.eye == "both" and reading.quantity in c.HEIGHTS):
        return {"eye": "Right or left; both only for a PD."}
    if reading.method not in METHODS:
        faults["method"] = "Say how it was measured."
    low, high = BOUNDS[(reading.quantity, reading.eye == "both")]
    if not reading.value.is_finite() or not low <= reading.value <= high:
        faults["value"] = f"That cannot be a {_NAMES[reading.quantity]} in millimetres: {low} to {high}."
        if reading.eye != "both" and reading.quantity not in c.HEIGHTS and 45 <= reading.value <= 85:
            faults["value"] = "That looks like the whole PD. Enter it under “both eyes”, or each eye by itself."
        elif Decimal("2") <= reading.value < Decimal("9") and reading.quantity not in c.HEIGHTS:
            faults["value"] = "That looks like centimetres. Enter millimetres."
    if reading.quantity in c.HEIGHTS:
        if reading.reference and reading.reference not in REFERENCES:
            faults["reference"] = "Box, rim below the pupil, datum line or visible rim."
        if reading.reference not in ("datum", "") and reading.value < 0:
            faults["value"] = "Only a height from the datum line can be negative."
        if not has_frame:
            faults["value"] = "Choose the frame first: a height is read on a frame."
        if reading.method == "pupillometer":
            faults["method"] = "A pupillometer reads no heights."
    elif reading.method in ("clip_scale", "levelled_gauge", "target_gauge"):
        faults["method"] = "That method reads heights, not PDs."
    if reading.method == "clip_scale" and (refusal := clip_scale_refusal(mount)):
        faults["method"] = refusal
    for name in ("observer_above_mm", "observer_distance_mm"):
        value = getattr(reading, name)
        low, high = (-600, 600) if name == "observer_above_mm" else (100, 6000)
        if value is not None and not low <= value <= high:
            faults[name] = f"{low} to {high} mm."
    return faults


_NAMES = {"far_pd": "far PD", "near_pd": "near PD", "height": "height", "pupil": "pupil height"}


def _described(reading: Reading) -> str:
    reference = f" from {reading.reference}" if reading.reference else ""
    return f"{reading.quantity} {reading.eye} {reading.value}{reference} ({reading.method})"


def strike_out_reading(*, actor: Staff, dispense: Dispense, reading: Reading, reason: str) -> Saved:
    """Leave a reading out of everything, with the reason; it stays on record. Nothing adopted changes by this."""
    reason = reason.strip()
    if not reason:
        raise Invalid({"readings.reason": "Say why it is left out."})
    if reading.dispense_id != dispense.pk:
        raise Refused("That reading belongs to another dispense.")
    with changing(
        actor=actor, dispense=dispense, part="readings", version=None, action="dispense.reading_struck_out"
    ) as change:
        row = Reading.objects.get(pk=reading.pk)
        if row.struck_out_at is None:
            row.struck_out_at = now()
            row.struck_out_reason = reason[:200]
            row.save(update_fields=["struck_out_at", "struck_out_reason"])
            change.note("struck_out", None, f"{_described(row)}: {row.struck_out_reason}")
    return change.saved()


def adopt_value(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    quantity: str,
    eye: str,
    value: Decimal | None,
    reference: str = "",
    how: str = "chosen",
) -> Saved:
    """Choose the value that counts for one quantity and eye, mm as read; None withdraws it.

    Refused before the final fit is confirmed on the frame that is chosen. `how`: "only reading", "median", "chosen", ...
    """
    errors = {}
    if quantity not in QUANTITIES or eye not in ("right", "left", "both") or (quantity in c.HEIGHTS and eye == "both"):
        errors["readings.quantity"] = "Far PD, near PD, height or pupil height, of the right or left eye."
    elif value is not None:
        low, high = BOUNDS[(quantity, eye == "both")]
        if not value.is_finite() or not low <= value <= high:
            errors[f"measurements.{eye}.{quantity}"] = f"That cannot be: {low} to {high} mm."
        if quantity in c.HEIGHTS and reference not in REFERENCES:
            errors[f"measurements.{eye}.height_reference"] = "Say what this height is measured from."
    if errors:
        raise Invalid(errors)
    with changing(
        actor=actor, dispense=dispense, part="readings", version=version, action="dispense.value_adopted"
    ) as change:
        row = change.dispense
        identity = row.frame.get("identity", "")
        if value is not None and row.fit_confirmed_at is None:
            raise Refused("Confirm the final fit first: a value measured before it belongs to another place on the face.")
        current = current_adoptions(row.adoptions.all()).get((quantity, eye))
        was = None if current is None else (current.value, current.reference, current.in_doubt)
        wanted = None if value is None else (value, reference if quantity in c.HEIGHTS else "", False)
        if was != wanted:
            Adoption.objects.create(
                dispense=row,
                quantity=quantity,
                eye=eye,
                value=value,
                reference=reference if quantity in c.HEIGHTS else "",
                how=how[:20],
                by=actor,
                at=now(),
                frame_identity=identity,
            )
            change.note(f"{quantity}.{eye}", was and was[0], value)
            change.after["how"] = how
    return change.saved()


def save_measurement_reason(*, actor: Staff, dispense: Dispense, version: int, reason: str) -> Saved:
    """Why something unusual about the measurements is right for this client."""
    with changing(
        actor=actor, dispense=dispense, part="readings", version=version, action="dispense.measurement_reason"
    ) as change:
        change.put(measurement_reason=reason)
    return change.saved()


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A value that could be adopted, mm as read, and why."""

    value: Decimal
    reference: str
    how: str
    reason: str


def suggestion(readings: Iterable[Reading], quantity: str, eye: str) -> Suggestion | None:
    """The median of the readings that stand: not struck out, not in doubt; heights of one reference only, that of the last.

    The median is the middle one, or halfway between the middle two: one slip among three does not move it.
    """
    standing = [
        r for r in readings if r.quantity == quantity and r.eye == eye and r.struck_out_at is None and not r.in_doubt
    ]
    if not standing:
        return None
    reference = standing[-1].reference
    values = sorted(r.value for r in standing if r.reference == reference)
    n = len(values)
    middle = (values[(n - 1) // 2] + values[n // 2]) / 2
    listed = ", ".join(f"{v:.1f}" for v in values)
    if n == 1:
        return Suggestion(middle, reference, "only reading", "the only reading that stands")
    return Suggestion(middle, reference, "median", f"the middle of {n} readings: {listed}")
