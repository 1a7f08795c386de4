"""Checks of the chosen lens against frame, heights and powers: can it be made, and does its design fit in."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, SEGMENTED, Eye
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import OTHER, View
from dispensing.checks.words import eye_word, mm

_MINIMA = "the maker's own minimum; generic minima of power-variation lenses, common practice"
_RANGE = "the maker's stated range"
_TEACHING = "dispensing teaching"
_LONGEST = 17.0  # mm; beyond it the eye has to turn too far down to read
_VARYING = frozenset({"progressive", "degressive"})


@check(
    "lens.height-under-minimum",
    "stop",
    "The fitting height is under the minimum of the design",
    family="lens",
    source=_MINIMA,
    confidence="common practice",
    needs=("measurements.right.height", "lens.design"),
    explains=("lens.corridor-cut",),
)
def height_under_minimum(v: View, found: Finder) -> Iterator[Finding]:
    """Why: below the design's minimum the reading area is cut off by the rim.
    Fires: minimum 18, fitting height 14.
    Silent: minimum 14, fitting height 14.
    """
    design = v.design
    if design is None or design.min_height_mm is None:
        return
    for eye in EYES:
        height = v.in_box(eye)
        if height is None or height >= design.min_height_mm:
            continue
        short = design.min_height_mm - height
        change = f"A design with a minimum of {mm(height)} or less"
        if design.corridor_mm is not None:
            change += f" (corridor about {mm(max(design.corridor_mm - short, 0))})"
        yield found(
            f"{eye_word(eye)} fitting height {mm(height)} is under the minimum of {mm(design.min_height_mm)}.",
            f"measurements.{eye}.height",
            "lens.design",
            seen=(
                (f"{eye_word(eye)} height", round(height, 1), "mm"),
                ("Minimum of the design", design.min_height_mm, "mm"),
            ),
            limit=f"at least {mm(design.min_height_mm)}",
            consequence=f"{mm(short)} of the reading area would be cut off.",
            resolution=_first_the_height(v, eye, height) + f"{change}, or a frame {mm(short)} deeper below the pupil.",
        )


def _first_the_height(v: View, eye: Eye, height: float) -> str:
    other = v.in_box(OTHER[eye])
    if other is None or abs(other - height) <= v.limit["height.unequal"] or v.explained:
        return ""
    return f"The {OTHER[eye]} height is {mm(other)}: measure this one again first. "


@check(
    "lens.room-above",
    "stop",
    "Too little lens above the fitting cross",
    family="lens",
    source="10 mm wanted, 8 at least; makers' minima",
    confidence="common practice",
    needs=("frame.b", "frame.outline", "measurements.right.height", "lens.design"),
)
def room_above(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the distance area lies above the fitting cross; too little of it and the client looks over the rim.
    Fires: 7 mm above the cross with a minimum of 10 (asks); 5 mm (stop).
    Silent: 12 mm.
    """
    design = v.design
    if design is None or v.family not in _VARYING or (v.family == "degressive" and design.min_above_mm is None):
        return
    wanted = design.min_above_mm if design.min_above_mm is not None else v.limit["lens.above"]
    frame = v.frame
    for eye in EYES:
        room = v.figures.of(eye).room_above
        if room is None and frame is not None and frame.b is not None and (height := v.in_box(eye)) is not None:
            room = frame.b - height
        if room is None or room >= wanted or room < 0:
            continue
        yield found(
            f"{eye_word(eye)} fitting cross has {mm(room)} of lens above it.",
            f"measurements.{eye}.height",
            "lens.design",
            seen=(("Room above", round(room, 1), "mm"),),
            limit=f"{mm(wanted)}",
            severity="stop" if room < min(v.limit["lens.above_least"], wanted) else "confirm",
            consequence="The distance area would be narrow or cut away.",
            resolution=f"A frame {mm(wanted - room)} deeper above the pupil, or look at the height.",
        )


@check(
    "lens.corridor-cut",
    "confirm",
    "The corridor leaves too little reading area",
    family="lens",
    source="corridor = fitting height minus 4 to 5 mm, US trade press 2015",
    confidence="common practice",
    needs=("measurements.right.height", "lens.design"),
)
def corridor_cut(v: View, found: Finder) -> Iterator[Finding]:
    """Why: below the end of the corridor at least 4 mm are needed to read through.
    Fires: corridor 15, fitting height 17.
    Silent: corridor 13, fitting height 18; a design that states a minimum of its own, which is used instead.
    """
    design = v.design
    if design is None or v.family not in _VARYING or design.corridor_mm is None or design.min_height_mm is not None:
        return
    least = v.limit["lens.below_corridor"]
    for eye in EYES:
        height = v.in_box(eye)
        if height is not None and height - design.corridor_mm < least:
            yield found(
                f"{eye_word(eye)} reading area is {mm(max(height - design.corridor_mm, 0))} deep below the corridor.",
                f"measurements.{eye}.height",
                "lens.design",
                seen=((f"{eye_word(eye)} height", round(height, 1), "mm"), ("Corridor", design.corridor_mm, "mm")),
                limit=f"at least {mm(least)}",
                resolution=f"A corridor of {mm(max(height - least, 0))} or less, or a deeper frame.",
            )


@check(
    "lens.corridor-spare",
    "note",
    "A longer corridor would fit",
    family="lens",
    source=_TEACHING,
    confidence="common practice",
    needs=("measurements.right.height", "lens.design"),
)
def corridor_spare(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a short corridor has a narrower channel. Where there is room, a longer one is easier to get used to.
    Fires: corridor 9, fitting height 22.
    Silent: corridor 13, fitting height 20; corridor 16, fitting height 28, since a longer one puts the reading area too low.
    """
    design = v.design
    if design is None or v.family != "progressive" or design.corridor_mm is None:
        return
    heights = [h for eye in EYES if (h := v.in_box(eye)) is not None]
    if not heights or not 0 < min(heights) < 40:
        return
    spare = min(heights) - design.corridor_mm
    longest = min(min(heights) - v.limit["lens.below_corridor"] - 1, _LONGEST)
    if spare > v.limit["lens.corridor_spare"] and longest >= design.corridor_mm + 2:
        yield found(
            f"There are {mm(spare)} below a corridor of {mm(design.corridor_mm)}.",
            "lens.design",
            seen=(("Lower height", round(min(heights), 1), "mm"), ("Corridor", design.corridor_mm, "mm")),
            limit=f"{mm(v.limit['lens.corridor_spare'])}",
            resolution=f"A corridor of up to {mm(longest)} would fit.",
        )


@check(
    "lens.corridor-unknown",
    "note",
    "The design states neither corridor nor minimum height",
    family="lens",
    source=_MINIMA,
    confidence="common practice",
    needs=("lens.design",),
)
def corridor_unknown(v: View, found: Finder) -> Iterator[Finding]:
    """Why: without the maker's minimum nobody can tell whether the reading area fits in.
    Fires: a progressive with no minimum height and no corridor on record.
    Silent: a progressive with a minimum of 17.
    """
    design = v.design
    if design is not None and v.family in _VARYING and design.min_height_mm is None and design.corridor_mm is None:
        yield found(
            f"{design.name or 'This design'} states no minimum fitting height.",
            "lens.design",
            resolution="Look it up with the maker; 18 mm is usual for an ordinary corridor.",
        )


# --- segments ---------------------------------------------------------------------------------------------------------


@check(
    "segment.position",
    "confirm",
    "The segment top is unusually placed against the pupil",
    family="lens",
    source="adult 5 to 7 mm below the pupil, mainly near 3 to 4; child at the pupil; dispensing teaching",
    confidence="common practice",
    needs=(
        "person.age_years",
        "person.notes",
        "prescription.remark",
        "measurements.right.height",
        "measurements.right.pupil_height",
        "measurements.reason",
        "lens.design",
    ),
)
def segment_position(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a segment above an adult's pupil is in the way when walking; one far below it cannot be reached.
    Fires: adult, segment top 1 mm above the pupil.
    Silent: adult, 6 mm below; a child of five with the top at the pupil; a trifocal, whose intermediate top is higher.
    """
    if v.family not in SEGMENTED or v.explained or v.rx_explained:
        return
    least, most = v.limit["segment.below_least"], v.limit["segment.below_most"]
    if not v.adult:
        least = -3.0
    for eye in EYES:
        below = v.figures.of(eye).segment_top_below_pupil
        if below is not None and not least <= below <= most:
            yield found(
                f"{eye_word(eye)} segment top is {mm(abs(below))} {'below' if below >= 0 else 'above'} the pupil.",
                f"measurements.{eye}.height",
                seen=(("Segment top below the pupil", round(below, 1), "mm"),),
                limit=f"{mm(least)} to {mm(most)} below",
                resolution="Look which height was measured, to the pupil or to the lower lid.",
            )


@check(
    "segment.above-middle",
    "confirm",
    "The segment top is high in the lens",
    family="lens",
    source="segment top about 2 to 5 mm below the middle of the lens; dispensing teaching",
    confidence="common practice",
    needs=(
        "person.age_years",
        "person.notes",
        "prescription.remark",
        "frame.b",
        "measurements.right.height",
        "measurements.right.pupil_height",
        "measurements.reason",
        "lens.design",
    ),
)
def segment_above_middle(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an adult's segment top lies below the middle of the lens. Above it, the pupil height was probably typed.
    Fires: adult's bifocal, b 36, height 23.
    Silent: b 36, height 14; a child of five; a trifocal.
    """
    b = v.frame.b if v.frame else None
    if v.family not in ("round_bifocal", "flat_top_bifocal") or b is None or not v.adult or v.explained or v.rx_explained:
        return
    most = v.limit["segment.above_middle"]
    for eye in EYES:
        height = v.in_box(eye)
        if height is None or v.figures.of(eye).segment_top_below_pupil is not None or not b / 2 + most < height < b:
            continue
        yield found(
            f"{eye_word(eye)} segment top {mm(height)} is {mm(height - b / 2)} above the middle of the lens.",
            f"measurements.{eye}.height",
            seen=((f"{eye_word(eye)} height", round(height, 1), "mm"), ("b", b, "mm")),
            limit=f"up to {mm(b / 2 + most)} in an adult, {mm(most)} above the middle",
            resolution=f"Was the pupil measured? A segment top is about 5 to 7 mm lower: {mm(height - 6)}?",
        )


@check(
    "segment.reading-depth",
    "confirm",
    "Little reading area is left below the segment top",
    family="lens",
    source=_TEACHING,
    confidence="common practice",
    needs=("measurements.right.height", "lens.design"),
)
def segment_reading_depth(v: View, found: Finder) -> Iterator[Finding]:
    """Why: with less than 10 mm of segment in the frame, reading is through a slot.
    Fires: segment height 8.
    Silent: segment height 15.
    """
    if v.family not in SEGMENTED:
        return
    least = v.limit["segment.depth"]
    for eye in EYES:
        height = v.in_box(eye)
        if height is not None and 0 < height < least:
            yield found(
                f"{eye_word(eye)} segment is {mm(height)} deep in this frame.",
                f"measurements.{eye}.height",
                seen=((f"{eye_word(eye)} height", round(height, 1), "mm"),),
                limit=f"at least {mm(least)}",
                resolution=f"A frame {mm(least - height)} deeper below the segment top, or look at the height.",
            )
