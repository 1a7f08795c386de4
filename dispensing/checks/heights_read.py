"""Checks of heights against the readings they come from, the earlier pair, and the way they were read."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, MULTIFOCAL, SEGMENTED, Eye
from dispensing.checks.consequence import of_height_error, of_heights_exchanged
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.heights import _BOXING
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, mm


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
            consequence=of_heights_exchanged(v, right - left),
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
    explains=(
        "height.unequal",
        "height.pupil-position",
        "height.rim-not-lowest",
        "segment.above-middle",
        "lens.corridor-cut",
    ),
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
                    (
                        "Exactness needed",
                        round(figures.height_need_mm, 1) if figures.height_need_mm is not None else "",
                        "mm",
                    ),
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
    """Why: looking from above makes a height read too high, from below too low, by the vertex distance times the slope.
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
                resolution="Sit level with the client and measure again"
                + (f"; about {mm(reading.value - error)} would be expected." if error is not None else "."),
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
    Fires: the lowest point of the shape lies 2 mm below the rim under the pupil (worth knowing); and both pupils seem 2 mm lower in
    the lens than is usual, or 1.5 mm lower than in the earlier pair (asks).
    Silent: a shape whose lowest point is under the pupil; single vision. A height that is as high as usual is only worth knowing.
    """
    frame = v.frame
    if v.family not in MULTIFOCAL or frame is None or frame.b is None:
        return
    known = [
        (lens.height_box - lens.height_rim, _expected_above_datum(v, eye) - (lens.height_box - frame.b / 2), eye)
        for eye in EYES
        if (lens := v.figures.of(eye)).height_box is not None and lens.height_rim is not None
    ]
    if not known or max(known)[0] < 1.0:
        return
    _, _, eye = max(known)
    lens = v.figures.of(eye)
    height, rim = lens.height_box or 0.0, lens.height_rim or 0.0
    # both eyes are read against one line: together they tell it better than either
    off, short = (sum(values) / len(known) for values in zip(*[(o, s) for o, s, _ in known], strict=True))
    before = v.earlier_pair_with("height") is not None
    # an earlier pair says where this pupil sits within a millimetre; the usual place is a wider guess
    least, share = (1.0, "height.rim_share_known") if before else (v.limit["height.rim_off"], "height.rim_share")
    in_box = all(v.case.measurements.of(e).height_reference == "box" for _, _, e in known)
    asks = in_box and off >= least and short > v.limit[share] * off
    yield found(
        f"The rim below the {eye} pupil is {mm(height - rim)} above the lower box tangent"
        + (
            f", and the heights are {mm(short)} less than {'in the earlier pair' if before else 'is usual'}: "
            "measured from the rim below the pupil?"
            if asks
            else "."
        ),
        f"measurements.{eye}.height",
        seen=(
            ("In the box", round(height, 1), "mm"),
            ("Above the rim", round(rim, 1), "mm"),
            ("Less than expected, both eyes", round(short, 1), "mm"),
        ),
        limit=f"less than expected by up to {mm(v.limit[share] * off)}",
        severity="confirm" if asks and not v.explained else "note",
        consequence=of_height_error(v, eye, height - rim),
        resolution=f"Make sure that {mm(height)} is from the lower box tangent; from the rim it would be {mm(2 * height - rim)} in the box.",
    )


def _expected_above_datum(v: View, eye: Eye) -> float:
    """Fitting point above the datum line to be expected: as in the earlier pair of this kind, else the usual place."""
    for pair in v.case.earlier:
        height = pair.height.of(eye)
        if height is not None and pair.frame is not None and pair.frame.b is not None and pair.family in (None, v.family):
            return height - pair.frame.b / 2
    return v.limit["height.datum_usual"] - (5.5 if v.family in SEGMENTED else 0.0)
