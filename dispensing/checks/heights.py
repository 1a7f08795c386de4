"""Checks of fitting and segment heights: possible in this lens, and in agreement with everything else that is known of them."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, MULTIFOCAL, SEGMENTED
from dispensing.checks.consequence import of_height_error
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, mm

_BOXING = "ISO 8624:2011 boxing; fitting height is above the lower box tangent"
_TEACHING = "dispensing teaching"
_REFERENCE = {
    "box": "the lower box tangent",
    "rim_below_pupil": "the rim below the pupil",
    "datum": "the datum line",
    "visible_rim": "the visible rim",
}


@check(
    "height.outside-box",
    "stop",
    "The height is beyond the depth of the lens",
    family="measurements",
    source=_BOXING,
    confidence="derived",
    needs=("frame.b", "measurements.right.height", "earlier"),
    explains=(
        "pd.outside-lens",
        "height.pupil-position",
        "height.unequal",
        "lens.room-above",
        "height.as-before",
        "lens.height-under-minimum",
        "lens.blank-too-small",
    ),
)
def outside_box(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a height of 34 in a lens 30 deep lies above it. It is of another frame, or the depth is wrong.
    Fires: b 30, height 34; height −2.
    Silent: b 38, height 22.
    """
    b = v.frame.b if v.frame else None
    for eye in EYES:
        height = v.in_box(eye)
        if height is None or (height > 0 and (b is None or height < b)):
            continue
        earlier = v.earlier_pair_with("height")
        old = earlier is not None and earlier.height.of(eye) == height
        yield found(
            f"{eye_word(eye)} height {mm(height)} is not inside a lens {mm(b)} deep." if b is not None else f"{eye_word(eye)} height {mm(height)}.",
            f"measurements.{eye}.height",
            "frame.b",
            seen=((f"{eye_word(eye)} height", height, "mm"), ("b", b if b is not None else "not given", "mm")),
            limit=f"between 0 and {mm(b)}" if b is not None else "above 0",
            consequence="The client would look past the lens.",
            resolution="This is the height of the earlier pair: measure on this frame." if old else "Measure again on this frame, and look at b.",
        )  # fmt: skip


@check(
    "height.from-datum-line",
    "stop",
    "The height was taken from the datum line",
    family="measurements",
    source=_BOXING,
    confidence="derived",
    needs=("frame.b", "measurements.right.height", "measurements.right.height_reference", "lens.design"),
    explains=("lens.height-under-minimum", "height.pupil-position", "height.as-before", "lens.room-above", "segment.reading-depth", "lens.corridor-cut",
              "segment.position", "height.unequal", "height.rim-not-lowest", "lens.blank-too-small"),
)  # fmt: skip
def from_datum_line(v: View, found: Finder) -> Iterator[Finding]:
    """Why: 4 mm above the datum line and 4 mm above the lower box tangent are half a lens apart.
    Fires: heights 4.0 and 4.5 with b 34, stated as above the lower box tangent.
    Silent: 21 with b 34; 4.0 stated as above the datum line.
    """
    b = v.frame.b if v.frame else None
    if b is None:
        return
    # a segment top sits lower than a pupil does
    lowest = v.limit["height.datum_lowest"] - (6.0 if v.family in SEGMENTED else 0.0)
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        height = v.in_box(eye)
        if (
            height is None
            or adopted.height is None
            or adopted.height_reference == "datum"
            or not 0 < height < b / 2 + lowest
        ):
            continue
        likely = height <= v.limit["height.datum_most"]
        yield found(
            f"{eye_word(eye)} height {mm(height)} is {mm(b / 2 - height)} below the middle of the lens"
            + (": a height above the datum line?" if likely else "."),
            f"measurements.{eye}.height",
            seen=((f"{eye_word(eye)} height", height, "mm"), ("b", b, "mm")),
            limit=f"at least {mm(b / 2 + lowest)}",
            consequence=f"The lens would be made {mm(b / 2)} too low." if likely else of_height_error(v, eye, b / 2 - height),
            resolution=f"{mm(b / 2 + height)} above the lower box tangent?" if likely else "Measure again from the lower box tangent.",
        )  # fmt: skip


@check(
    "height.pupil-position",
    "confirm",
    "The pupil sits unusually in the lens",
    family="measurements",
    source="pupil 2 to 6 mm above the datum line, in deep frames up to 8; dispensing teaching",
    confidence="common practice",
    needs=(
        "person.notes",
        "frame.b",
        "measurements.right.height",
        "measurements.right.pupil_height",
        "measurements.reason",
        "lens.design",
    ),
)
def pupil_position(v: View, found: Finder) -> Iterator[Finding]:
    """Why: in a frame that fits, the pupil is a few millimetres above the middle of the lens. Elsewhere the height was misread,
    or the frame sits badly.
    Fires: progressive, b 40, height 32: 12 mm above the datum line.
    Silent: progressive, b 40, height 24; a bifocal, whose segment top is lower.
    """
    b = v.frame.b if v.frame else None
    if b is None or v.explained:
        return
    least, most = v.limit["height.datum_least"], v.limit["height.datum_most"]
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        height = adopted.pupil_height if v.family in SEGMENTED else v.in_box(eye)
        if height is None or not 0 < height < b:
            continue
        above = height - b / 2
        if not least <= above <= most:
            yield found(
                f"{eye_word(eye)} pupil {mm(abs(above))} {'above' if above > 0 else 'below'} the datum line.",
                f"measurements.{eye}.height",
                seen=((f"{eye_word(eye)} height", round(height, 1), "mm"), ("Above the datum line", round(above, 1), "mm")),
                limit=f"{mm(least)} to {mm(most)}",
                consequence=of_height_error(v, eye, above - (most if above > most else least)),
                resolution="Look how the frame sits and measure again; which reference was it read against?",
            )


@check(
    "height.unequal",
    "confirm",
    "The heights of the two eyes differ",
    family="measurements",
    source="0 to 1 mm usual, above 2 look at the frame's level, above 4 a reason on record; dispensing teaching",
    confidence="common practice",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "measurements.right.height",
        "measurements.reason",
        "earlier",
    ),
)
def unequal(v: View, found: Finder) -> Iterator[Finding]:
    """Why: eyes are mostly level within 1 mm. More says that the frame is not level, or that one mark was misread.
    Fires: R 17, L 23, nothing recorded.
    Silent: R 20, L 21.5; 4 mm apart with "past orbital fracture"; the earlier pair differed by as much.
    """
    right, left = v.in_box("right"), v.in_box("left")
    if right is None or left is None or v.explained:
        return
    off = round(right - left, 6)
    if abs(off) <= v.limit["height.unequal"]:
        return
    earlier = v.earlier_pair_with("height")
    if earlier is not None and abs((earlier.height.right or 0) - (earlier.height.left or 0) - off) <= 1.0:
        return
    yield found(
        f"Heights differ by {mm(abs(off))}.",
        "measurements.right.height",
        "measurements.left.height",
        seen=(("Right height", right, "mm"), ("Left height", left, "mm")),
        limit=f"{mm(v.limit['height.unequal'])} without a reason"
        + (
            f"; hardly any face has {mm(v.limit['height.unequal_far'])}"
            if abs(off) >= v.limit["height.unequal_far"]
            else ""
        ),
        consequence=of_height_error(v, "right" if v.figures.right.prism_per_mm_v else "left", off),
        resolution="Level the frame on the face and measure both again, or record the reason.",
        for_lab=True,
    )


@check(
    "height.references-mixed",
    "stop",
    "A height is held against another reference than it was read from",
    family="measurements",
    source=_BOXING,
    confidence="standard",
    needs=("measurements.right.height", "measurements.right.height_reference", "measurements.readings"),
    explains=("height.off-readings",),
)
def references_mixed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the same figure above the rim below the pupil and above the lower box tangent can be 3 mm apart on a shaped rim, half a lens
    apart from the datum line.
    Fires: reading 4.5 above the datum line, adopted as 4.5 above the lower box tangent.
    Silent: both above the lower box tangent.
    """
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        readings = v.readings("height", eye)
        if adopted.height is None or not readings or any(r.reference in (None, adopted.height_reference) for r in readings):
            continue
        reading = min(readings, key=lambda r: abs(r.value - (adopted.height or 0)))
        if abs(reading.value - adopted.height) > 0.6 or reading.reference is None:
            continue
        yield found(
            f"{eye_word(eye)} height was read against {_REFERENCE[reading.reference]} and is used as above {_REFERENCE[adopted.height_reference]}.",
            f"measurements.{eye}.height",
            seen=((f"{eye_word(eye)} height", adopted.height, "mm"), ("Reading", reading.value, "mm")),
            resolution=f"Adopt it as a height above {_REFERENCE[reading.reference]}, or measure above {_REFERENCE[adopted.height_reference]}.",
        )


@check(
    "height.eyes-by-different-references",
    "confirm",
    "The two heights have different references",
    family="measurements",
    source=_BOXING,
    confidence="common practice",
    needs=("measurements.right.height",),
)
def different_references(v: View, found: Finder) -> Iterator[Finding]:
    """Why: both eyes are measured in one go, against one line. Two references mean that one was chosen by mistake.
    Fires: right above the lower box tangent, left above the datum line.
    Silent: both above the lower box tangent.
    """
    right, left = v.case.measurements.right, v.case.measurements.left
    if right.height is None or left.height is None or right.height_reference == left.height_reference:
        return
    yield found(
        f"Right height is above {_REFERENCE[right.height_reference]}, left above {_REFERENCE[left.height_reference]}.",
        "measurements.right.height",
        "measurements.left.height",
        seen=(("Right height", right.height, "mm"), ("Left height", left.height, "mm")),
        resolution="Look which line both were measured from.",
    )


@check(
    "height.rim-without-outline",
    "confirm",
    "A height above the rim below the pupil, on a shape that is not known",
    family="measurements",
    source="rim below the pupil and lower tangent differ on shaped rims, dispensing teaching",
    confidence="common practice",
    needs=("frame.outline", "measurements.right.height", "lens.design"),
)
def rim_without_outline(v: View, found: Finder) -> Iterator[Finding]:
    """Why: only on a shape whose lowest point is below the pupil are the two the same. Without an outline nobody can convert it.
    Fires: progressive, height above the rim below the pupil, no outline.
    Silent: the same with the outline of the frame; a height above the lower box tangent.
    """
    if v.frame is None or v.frame.outline or v.family not in MULTIFOCAL:
        return
    eyes = [
        eye
        for eye in EYES
        if (a := v.case.measurements.of(eye)).height is not None and a.height_reference == "rim_below_pupil"
    ]
    if eyes:
        eye = eyes[0]
        yield found(
            "Heights are above the rim below the pupil, and the outline is not known.",
            f"measurements.{eye}.height",
            "frame.outline",
            seen=((f"{eye_word(eye)} height", v.case.measurements.of(eye).height or 0.0, "mm"),),
            consequence="On a shaped rim the lower box tangent can be 1 to 4 mm lower.",
            resolution="Measure above the lower box tangent, or give the outline.",
        )
