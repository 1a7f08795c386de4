"""Checks of fitting and segment heights: possible in this lens, and in agreement with everything else that is known of them."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, MULTIFOCAL, SEGMENTED, Eye
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
        "lens.room-above",
        "height.as-before",
        "lens.height-under-minimum",
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
              "segment.position"),
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
    off = right - left
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


@check(
    "height.off-readings",
    "stop",
    "The height that is to be used is none that was measured",
    family="measurements",
    source="comparison with the readings",
    confidence="derived",
    needs=("measurements.right.height", "measurements.right.height_reference", "measurements.readings"),
)
def off_readings(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the value used is one of the readings or lies between them. Otherwise a digit changed on the way.
    Fires: readings 21 and 21.5, adopted 12 (stop).
    Silent: adopted 21; readings against another reference, which have to be converted.
    """
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        values = [r.value for r in v.readings("height", eye) if r.reference in (None, adopted.height_reference)]
        if adopted.height is None or not values:
            continue
        off = max(min(values) - adopted.height, adopted.height - max(values))
        if off > 0.3:
            middle = sorted(values)[len(values) // 2]
            yield found(
                f"{eye_word(eye)} height {mm(adopted.height)} was not measured.",
                f"measurements.{eye}.height",
                seen=(
                    (f"{eye_word(eye)} height", adopted.height, "mm"),
                    ("Least reading", min(values), "mm"),
                    ("Greatest reading", max(values), "mm"),
                ),
                limit="one of the readings, or between them",
                consequence=of_height_error(v, eye, off),
                resolution=f"{mm(middle)}?",
                severity="stop" if off >= 1.0 else "confirm",
            )


@check(
    "height.exchanged",
    "stop",
    "Right and left height are exchanged",
    family="measurements",
    source="comparison with the readings",
    confidence="derived",
    needs=("measurements.right.height", "measurements.right.height_reference", "measurements.readings"),
    explains=("height.off-readings",),
)
def exchanged(v: View, found: Finder) -> Iterator[Finding]:
    """Why: when unequal heights change places, one lens is too high and the other too low by the whole difference.
    Fires: readings R 20, L 22, adopted R 22, L 20.
    Silent: adopted as read.
    """
    m = v.case.measurements
    right, left = m.right.height, m.left.height
    if right is None or left is None or abs(right - left) < 0.75:
        return
    rr = [r.value for r in v.readings("height", "right") if r.reference in (None, m.right.height_reference)]
    rl = [r.value for r in v.readings("height", "left") if r.reference in (None, m.left.height_reference)]
    if not rr or not rl:
        return
    r0, l0 = sum(rr) / len(rr), sum(rl) / len(rl)
    if abs(r0 - left) <= 0.5 and abs(l0 - right) <= 0.5 and abs(r0 - right) > 0.7:
        yield found(
            f"Right and left height look exchanged: the readings were right {mm(r0)}, left {mm(l0)}.",
            "measurements.right.height",
            "measurements.left.height",
            seen=(("Right height", right, "mm"), ("Left height", left, "mm")),
            consequence=of_height_error(v, "right", right - left),
            resolution=f"Right {mm(left)}, left {mm(right)}?",
        )


@check(
    "height.repeats-disagree",
    "confirm",
    "Repeated height readings disagree",
    family="measurements",
    source="ISO 21987:2017 fitting cross ±1.0 mm; two readings further apart cannot both serve",
    confidence="from memory",
    needs=("measurements.right.height", "measurements.right.height_reference", "measurements.readings"),
)
def repeats_disagree(v: View, found: Finder) -> Iterator[Finding]:
    """Why: heights have to be right to 1 mm. Two readings that are further apart leave open which.
    Fires: 21 and 23.
    Silent: 21 and 21.5; three readings of which two agree with the value used.
    """
    limit = v.limit["height.repeat"]
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        by_reference: dict[str, list[float]] = {}
        for reading in v.readings("height", eye):
            by_reference.setdefault(reading.reference or adopted.height_reference, []).append(reading.value)
        for values in by_reference.values():
            values.sort()
            if len(values) < 2 or values[-1] - values[0] <= limit:
                continue
            used = adopted.height
            if len(values) >= 3 and used is not None and sum(abs(x - used) <= limit / 2 for x in values) >= 2:
                continue
            yield found(
                f"{eye_word(eye)} height was read as {mm(values[0])} and as {mm(values[-1])}.",
                f"measurements.{eye}.height",
                seen=(("Least height", values[0], "mm"), ("Greatest height", values[-1], "mm")),
                limit=f"within {mm(limit)}",
                consequence=of_height_error(v, eye, values[-1] - values[0]),
                resolution="Measure once more; two readings that agree decide.",
            )


@check(
    "height.single-reading",
    "confirm",
    "One height reading where this lens needs two",
    family="measurements",
    source="a single reading is good to about ±1 mm; ISO 21987:2017 vertical tolerance 0.50 Δ",
    confidence="derived",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "measurements.right.height",
        "measurements.readings",
        "measurements.reason",
        "lens.design",
    ),
)
def single_reading(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a strong multifocal lens is out of tolerance within a millimetre of height, so one reading alone proves too little.
    Fires: progressive −8.00 with +2.00, height read once.
    Silent: the same read twice; a progressive of −1.00; single vision.
    """
    if v.family not in MULTIFOCAL or v.explained:
        return
    limit = v.limit["repeat.prism"]
    for eye in EYES:
        figures = v.figures.of(eye)
        per_mm = figures.prism_per_mm_v
        if per_mm is not None and per_mm >= limit and len(v.readings("height", eye)) == 1:
            yield found(
                "Height was read once, and with these lenses a millimetre matters.",
                f"measurements.{eye}.height",
                seen=(
                    ("Prism of one millimetre", round(per_mm, 2), "Δ"),
                    ("Exactness needed", figures.height_need_mm if figures.height_need_mm is not None else "", "mm"),
                    ("Readings", 1, ""),
                ),
                limit=f"two readings from {limit:.2f} Δ a millimetre",
                consequence=of_height_error(v, eye, 1.0),
                resolution="Read it once more, by another person or method if possible.",
            )
            return


@check(
    "height.as-before",
    "confirm",
    "The heights are exactly those of the earlier pair, in another frame",
    family="measurements",
    source="comparison with the earlier pair",
    confidence="derived",
    needs=("frame.b", "frame.name", "measurements.right.height", "earlier"),
)
def as_before(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a height belongs to one frame on one face. The same figures in a frame of another depth were copied.
    Fires: last pair b 34 with R 21 L 21.5, now b 42 with R 21 L 21.5.
    Silent: the same frame; other heights.
    """
    earlier = v.earlier_pair_with("height")
    frame = v.frame
    if earlier is None or frame is None or frame.b is None or earlier.frame is None or earlier.frame.b is None:
        return
    right, left = v.in_box("right"), v.in_box("left")
    if right is None or left is None or (earlier.height.right, earlier.height.left) != (right, left):
        return
    deeper = frame.b - earlier.frame.b
    was_in = earlier.frame.name != frame.name or not frame.name
    expected = right + deeper / 2
    # level eyes in whole millimetres may agree by chance when the frames are nearly as deep
    if was_in and abs(deeper) >= 2:
        yield found(
            "Both heights are exactly those of the earlier frame, which had another depth.",
            "measurements.right.height",
            "measurements.left.height",
            seen=(("Right height", right, "mm"), ("Left height", left, "mm"), ("b", frame.b, "mm"), ("b of the earlier frame", earlier.frame.b, "mm")),
            consequence=of_height_error(v, "right", deeper / 2),
            resolution=f"Measure on this frame; about {mm(expected)} would be expected.",
        )  # fmt: skip


@check(
    "height.observer-not-level",
    "confirm",
    "The observer's eye was not level with the client's",
    family="measurements",
    source="parallax by similar triangles; half the ISO 21987 height tolerance",
    confidence="derived",
    needs=("fit.vertex_mm", "measurements.right.height", "measurements.readings"),
)
def observer_not_level(v: View, found: Finder) -> Iterator[Finding]:
    """Why: looking from above makes a height read too low, from below too high, by the vertex distance times the slope.
    Fires: observer 60 mm above at 400 mm, 14 mm vertex distance: 2 mm out.
    Silent: observer level; a gauge that removes parallax; 10 mm above at 400 mm.
    """
    limit = v.limit["observer.error"]
    for eye in EYES:
        for reading in v.readings("height", eye):
            if reading.method in ("levelled_gauge", "target_gauge") or reading.observer_level is True:
                continue
            above, distance = reading.observer_above_mm, reading.observer_distance_mm
            depth = (v.case.fit.vertex_mm or 13.0) + 3.0  # lens to entrance pupil of the eye
            error = above / distance * depth if above is not None and distance else None
            if error is not None and abs(error) <= limit:
                continue
            if error is None and reading.observer_level is None:
                continue
            yield found(
                f"{eye_word(eye)} height was read from {'above' if (above or 0) >= 0 else 'below'} the client's eye level."
                if above
                else f"{eye_word(eye)} height was not read at the client's eye level.",
                f"measurements.{eye}.height",
                seen=(
                    ("Reading", reading.value, "mm"),
                    ("Observer above the client", above if above is not None else "not level", "mm"),
                    ("Error", round(error, 1) if error is not None else "not known", "mm"),
                ),
                limit=f"{mm(limit)} of parallax",
                consequence=of_height_error(v, eye, error) if error is not None else "20 mm at 400 mm makes about 0.8 mm.",
                resolution="Sit level with the client and measure again.",
            )
            break


@check(
    "height.clip-scale-without-rim",
    "confirm",
    "A clip-on scale was used where there is no full rim",
    family="measurements",
    source="a clip-on height scale rests on the lower rim",
    confidence="common practice",
    needs=("frame.mount", "measurements.right.height", "measurements.readings"),
)
def clip_scale_without_rim(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a clip-on scale finds its zero at the lower rim; on a grooved or drilled lens it has none.
    Fires: drilled mount, height read with a clip-on scale.
    Silent: full rim with a clip-on scale; drilled mount with a marked lens.
    """
    if v.frame is None or v.frame.mount not in ("grooved", "drilled"):
        return
    for eye in EYES:
        if any(r.method == "clip_scale" for r in v.readings("height", eye)):
            yield found(
                f"The height scale needs a full rim; this mount is {v.frame.mount}.",
                f"measurements.{eye}.height",
                seen=(("Mount", v.frame.mount, ""),),
                resolution="Mark the demonstration lens, or use a gauge.",
            )
            return


@check(
    "height.visible-rim",
    "note",
    "A height above the visible rim: the groove is added",
    family="measurements",
    source="bevel apex about 0.5 mm beyond the visible rim",
    confidence="common practice",
    needs=("measurements.right.height", "measurements.right.height_reference"),
)
def visible_rim(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the box runs to the bevel apex, so a height read at the visible rim is short by the groove. It is added here.
    Fires: 20.5 above the visible rim.
    Silent: 21 above the lower box tangent.
    """
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        height = v.figures.of(eye).height_box
        if adopted.height is not None and adopted.height_reference == "visible_rim" and height is not None:
            yield found(
                f"{eye_word(eye)} height {mm(adopted.height)} at the visible rim is {mm(height)} in the box.",
                f"measurements.{eye}.height",
                seen=((f"{eye_word(eye)} height", adopted.height, "mm"), ("In the box", round(height, 1), "mm")),
                resolution="Nothing to do, unless the groove was added already.",
            )


@check(
    "height.rim-not-lowest",
    "confirm",
    "The height may be to the rim below the pupil, which is not the lowest point of the shape",
    family="measurements",
    source=_BOXING,
    confidence="derived",
    needs=(
        "person.notes",
        "frame.b",
        "measurements.right.height",
        "measurements.right.height_reference",
        "measurements.reason",
        "lens.design",
        "earlier",
    ),
)
def rim_not_lowest(v: View, found: Finder) -> Iterator[Finding]:
    """Why: on such a shape a height above the rim is short of the height in the box, and the lens would be made too low by the
    difference.
    Fires: the lowest point of the shape lies 2 mm below the rim under the pupil (worth knowing); and the pupil seems 2 mm lower in
    the lens than in the earlier pair, or than is usual (asks).
    Silent: a shape whose lowest point is under the pupil.
    """
    if v.family not in MULTIFOCAL:
        return
    frame = v.frame
    for eye in EYES:
        lens = v.figures.of(eye)
        if lens.height_box is None or lens.height_rim is None or frame is None or frame.b is None:
            continue
        off = lens.height_box - lens.height_rim
        if off < 1.0:
            continue
        said = v.case.measurements.of(eye).height_reference == "box"
        short = _expected_above_datum(v, eye) - (lens.height_box - frame.b / 2)
        # an earlier pair says where this pupil sits within a millimetre; the usual place is a wider guess
        asks = said and short > off * (0.5 if v.earlier_pair_with("height") else 0.75)
        yield found(
            f"The rim below the {eye} pupil is {mm(off)} above the lower box tangent"
            + (f", and the height is {mm(short)} less than expected." if asks else "."),
            f"measurements.{eye}.height",
            seen=(
                ("In the box", round(lens.height_box, 1), "mm"),
                ("Above the rim", round(lens.height_rim, 1), "mm"),
                ("Short of what is expected", round(short, 1), "mm"),
            ),
            severity="confirm" if asks and not v.explained else "note",
            consequence=of_height_error(v, eye, off),
            resolution=f"Make sure that {mm(lens.height_box)} is from the lower box tangent; "
            f"from the rim it would be {mm(lens.height_box + off)} in the box.",
        )
        return


def _expected_above_datum(v: View, eye: Eye) -> float:
    """Fitting point above the datum line to be expected: as in the earlier pair of this kind, else the usual place."""
    for pair in v.case.earlier:
        height = pair.height.of(eye)
        if height is not None and pair.frame is not None and pair.frame.b is not None and pair.family in (None, v.family):
            return height - pair.frame.b / 2
    return v.limit["height.datum_usual"] - (5.5 if v.family in SEGMENTED else 0.0)
