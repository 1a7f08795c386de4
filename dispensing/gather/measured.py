"""What was read and what was adopted of it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, cast

from dispensing import case as c
from dispensing.gather.parts import number
from dispensing.models import Adoption, Reading
from dispensing.optics import boxing
from dispensing.optics.errors import OpticsError
from dispensing.optics.heights import to_box


def in_box(frame: c.Frame | None, groove_mm: float, value: float, reference: str, from_nose: float | None) -> float | None:
    """A height as read, above the lower box tangent, mm. None where b, outline or PD is missing for the conversion.

    `groove_mm` is the branch's, where the frame has none of its own; `from_nose` the PD of that eye, mm.
    """
    if reference in ("box", ""):
        return value
    if frame is None or frame.b is None:
        return None
    if reference == "datum":
        return value + frame.b / 2
    if not frame.outline or frame.c is None or from_nose is None:
        return None
    groove = frame.groove(groove_mm)  # as the figures have it
    at: Literal["visible_rim", "rim_below_pupil"] = "visible_rim" if reference == "visible_rim" else "rim_below_pupil"
    try:
        return to_box(boxing.box(frame.outline), frame.c / 2 - from_nose, value, at, groove)
    except OpticsError:
        return None


def measurements_of(
    readings: Iterable[Reading],
    adoptions: Iterable[Adoption],
    reason: str,
    *,
    frame: c.Frame | None = None,
    groove_mm: float = 0.0,
) -> c.Measurements:
    """What was read and adopted. `frame` and `groove_mm` turn the pupil's height, kept as read, into one in the box."""
    current = current_adoptions(adoptions)
    whole_pd = value_of(current.get(("far_pd", "both")))

    def pupil(eye: str) -> float | None:
        row = current.get(("pupil", eye))
        value = value_of(row)
        if row is None or value is None:
            return None
        pd = value_of(current.get(("far_pd", eye)))
        return in_box(frame, groove_mm, value, row.reference, pd if pd is not None else whole_pd and whole_pd / 2)

    def adopted(eye: str) -> c.Adopted:
        height = current.get(("height", eye))
        return c.Adopted(
            far_pd=value_of(current.get(("far_pd", eye))),
            near_pd=value_of(current.get(("near_pd", eye))),
            height=value_of(height),
            height_reference=cast("c.HeightReference", (height.reference if height else "") or "box"),
            pupil_height=pupil(eye),
        )

    rows = list(readings)
    return c.Measurements(
        readings=tuple(reading_of(r) for r in rows),
        right=adopted("right"),
        left=adopted("left"),
        binocular_far_pd=value_of(current.get(("far_pd", "both"))),
        binocular_near_pd=value_of(current.get(("near_pd", "both"))),
        in_doubt=any(a.in_doubt for a in current.values()) or (not current and any(r.in_doubt for r in rows)),
        reason=reason,
    )


def current_adoptions(adoptions: Iterable[Adoption]) -> dict[tuple[str, str], Adoption]:
    """The newest decision of each quantity and eye; one that was withdrawn is left out. Rows come oldest first."""
    newest = {(a.quantity, a.eye): a for a in adoptions}
    return {key: a for key, a in newest.items() if a.value is not None}


def value_of(adoption: Adoption | None) -> float | None:
    return None if adoption is None else number(adoption.value)


def reading_of(row: Reading) -> c.Reading:
    return c.Reading(
        quantity=cast("c.Quantity", row.quantity),
        eye=cast("Literal['right', 'left', 'both']", row.eye),
        value=float(row.value),
        method=cast("c.Method | None", row.method or None),
        reference=cast("c.HeightReference | None", row.reference or None),
        by=row.by.display_name,
        at=row.at,
        frame_identity=row.frame_identity,
        observer_level=row.observer_level,
        observer_above_mm=number(row.observer_above_mm),
        observer_distance_mm=number(row.observer_distance_mm),
        in_doubt=row.in_doubt,
    )
