"""Checks of near PDs against far ones."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES
from dispensing.checks.consequence import of_pd_error
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.pd import _NEAR, _binocular
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, mm


@check(
    "pd.near-not-less",
    "stop",
    "The near PD is not less than the far PD",
    family="measurements",
    source=_NEAR,
    confidence="published",
    needs=(
        "person.notes",
        "person.useful_eye",
        "prescription.remark",
        "measurements.right.far_pd",
        "measurements.right.near_pd",
        "measurements.binocular_far_pd",
        "measurements.binocular_near_pd",
        "measurements.reason",
    ),
    explains=("pd.near-difference", "pd.near-off"),
)
def near_not_less(v: View, found: Finder) -> Iterator[Finding]:
    """Why: eyes converge to read, so near is less. More means that the two were exchanged; equal happens with a divergent squint
    or one useful eye.
    Fires: far 61, near 64 (stop); far 62, near 62, nothing recorded (asks).
    Silent: far 64, near 60.5; equal with the note "divergent squint".
    """
    far, near = _binocular(v, "far_pd"), _binocular(v, "near_pd")
    if far is None or near is None or near < far - 0.25:
        return
    seen = (("Far PD", far, "mm"), ("Near PD", near, "mm"))
    if near > far + 0.25:
        yield found(
            f"Near PD {mm(near)} is more than far PD {mm(far)}.",
            "measurements.right.near_pd",
            "measurements.right.far_pd",
            seen=seen,
            limit="near below far",
            resolution=f"Exchanged? Far {mm(near)}, near {mm(far)}."
            if near - far <= v.limit["pd.near.most"]
            else "Measure both again.",
        )
    elif not v.explained and not v.rx_explained and v.single_eye is None:
        yield found(
            f"Near PD equals far PD, {mm(far)}.",
            "measurements.right.near_pd",
            "measurements.right.far_pd",
            seen=seen,
            limit="near below far",
            severity="confirm",
            consequence=of_pd_error(v, "right", 2.0),
            resolution="Measure near, or record what keeps the eyes from converging.",
        )


@check(
    "pd.near-difference",
    "confirm",
    "Far and near PD differ by an unusual amount",
    family="measurements",
    source=_NEAR,
    confidence="derived",
    needs=(
        "person.notes",
        "person.useful_eye",
        "needs.working_distance_mm",
        "measurements.right.far_pd",
        "measurements.right.near_pd",
        "measurements.binocular_far_pd",
        "measurements.binocular_near_pd",
        "measurements.reason",
    ),
    explains=("pd.near-off",),
)
def near_difference(v: View, found: Finder) -> Iterator[Finding]:
    """Why: at ordinary reading distances near is 2 to 6 mm less. More or less is a slip in one of them, or an unusual distance.
    Fires: far 64, near 55; far 64, near 63 at 40 cm.
    Silent: far 64, near 60; far 64, near 62.5 for a task at 80 cm.
    """
    far, near = _binocular(v, "far_pd"), _binocular(v, "near_pd")
    if far is None or near is None or near >= far - 0.25 or v.explained or v.single_eye:
        return
    least, most = v.limit["pd.near.least"], v.limit["pd.near.most"]
    distance = v.case.needs.working_distance_mm
    if distance is not None and distance > 450:
        least = max(least * 400 / distance - 0.5, 0.25)
    elif distance is not None and distance < 330:
        most = most * 330 / max(distance, 100)
    if far - near < least or far - near > most:
        yield found(
            f"Far and near PD differ by {mm(far - near)}.",
            "measurements.right.near_pd",
            "measurements.right.far_pd",
            seen=(("Far PD", far, "mm"), ("Near PD", near, "mm")),
            limit=f"{mm(least)} to {mm(most)}",
            consequence=of_pd_error(v, "right", (far - near) / 2 - 2),
            resolution="Measure both again, and look at the working distance.",
        )


@check(
    "pd.near-off",
    "confirm",
    "The near PD of one eye is far from what its far PD gives",
    family="measurements",
    source=_NEAR,
    confidence="derived",
    needs=(
        "person.notes",
        "person.useful_eye",
        "needs.working_distance_mm",
        "measurements.right.far_pd",
        "measurements.right.near_pd",
        "measurements.reason",
    ),
)
def near_off(v: View, found: Finder) -> Iterator[Finding]:
    """Why: each eye turns in by 2 to 2.5 mm to read. One eye that turns in by 5 and the other by none was misread or exchanged.
    Fires: far R 33 L 31, near R 29 L 31.
    Silent: far R 33 L 31, near R 31 L 29; near as far in both eyes, which is asked about once.
    """
    if v.explained or v.single_eye:
        return
    far, near = _binocular(v, "far_pd"), _binocular(v, "near_pd")
    if far is not None and near is not None and near >= far - 0.25:
        return  # of both eyes together: another question
    limit = v.limit["pd.near.off"]
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        computed = v.figures.of(eye).near_pd_computed
        if adopted.near_pd is None or computed is None or abs(adopted.near_pd - computed) <= limit:
            continue
        yield found(
            f"{eye_word(eye)} near PD {mm(adopted.near_pd)}; its far PD gives about {mm(computed)}.",
            f"measurements.{eye}.near_pd",
            f"measurements.{eye}.far_pd",
            seen=((f"{eye_word(eye)} near PD", adopted.near_pd, "mm"), ("Computed", round(computed, 1), "mm")),
            limit=f"within {mm(limit)}",
            resolution="Measure this eye again, far and near.",
        )
