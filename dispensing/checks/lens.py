"""Checks of the chosen lens against frame, heights and powers: can it be made, and does its design fit in."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, SEGMENTED, Eye
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import dioptres, eye_word, mm, signed

_MINIMA = "the maker's own minimum; generic minima of power-variation lenses, common practice"
_RANGE = "the maker's stated range"
_TEACHING = "dispensing teaching"
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
            resolution=f"{change}, or a frame {mm(short)} deeper below the pupil.",
        )


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
    Silent: corridor 13, fitting height 20.
    """
    design = v.design
    if design is None or v.family != "progressive" or design.corridor_mm is None:
        return
    heights = [h for eye in EYES if (h := v.in_box(eye)) is not None]
    if not heights or not 0 < min(heights) < 40:
        return
    spare = min(heights) - design.corridor_mm
    if spare > v.limit["lens.corridor_spare"]:
        yield found(
            f"There are {mm(spare)} below a corridor of {mm(design.corridor_mm)}.",
            "lens.design",
            seen=(("Lower height", round(min(heights), 1), "mm"), ("Corridor", design.corridor_mm, "mm")),
            limit=f"{mm(v.limit['lens.corridor_spare'])}",
            resolution=f"A corridor of up to {mm(min(heights) - v.limit['lens.below_corridor'] - 1)} would fit.",
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
    for eye in EYES:
        height = v.in_box(eye)
        if height is None or v.figures.of(eye).segment_top_below_pupil is not None or not b / 2 + 1.0 < height < b:
            continue
        yield found(
            f"{eye_word(eye)} segment top {mm(height)} is {mm(height - b / 2)} above the middle of the lens.",
            f"measurements.{eye}.height",
            seen=((f"{eye_word(eye)} height", round(height, 1), "mm"), ("b", b, "mm")),
            limit=f"up to {mm(b / 2 + 1)} in an adult",
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


# --- what is made -----------------------------------------------------------------------------------------------------


@check(
    "lens.power-range",
    "stop",
    "The power is outside what is made",
    family="lens",
    source=_RANGE,
    confidence="published",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "lens.compensation",
        "lens.design",
        "lens.ordered_right",
    ),
)
def power_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: outside its range the design is not made in this material. The sphere of the minus-cylinder form is held against it.
    Fires: made to −8.00, ordered −9.25.
    Silent: made to −12.00, ordered −9.25.
    """
    design = v.design
    if design is None:
        return
    for eye in EYES:
        ordered = v.figures.of(eye).ordered
        if ordered is None:
            continue
        sphere = ordered.sphere + max(ordered.cylinder, 0.0)
        low, high = design.sphere_min, design.sphere_max
        if (low is not None and sphere < low - 0.001) or (high is not None and sphere > high + 0.001):
            off = low - sphere if low is not None and sphere < low else sphere - (high or 0.0)
            yield found(
                f"{eye_word(eye)} sphere {dioptres(sphere)} is not made in this lens.",
                "lens.design",
                f"prescription.{eye}.sphere",
                seen=((f"{eye_word(eye)} sphere", sphere, "D"),),
                limit=f"{dioptres(low) if low is not None else 'any'} to {dioptres(high) if high is not None else 'any'}",
                resolution=f"A design or material made {off:.2f} D further.",
            )
        size = abs(ordered.cylinder)
        if design.cylinder_max is not None and size > design.cylinder_max + 0.001:
            yield found(
                f"{eye_word(eye)} cylinder {signed(ordered.cylinder)} is not made in this lens.",
                "lens.design",
                f"prescription.{eye}.cylinder",
                seen=((f"{eye_word(eye)} cylinder", ordered.cylinder, "D"),),
                limit=f"up to {design.cylinder_max:.2f} D",
                resolution=f"A design made to a cylinder of {size:.2f} D.",
            )


@check(
    "lens.add-range",
    "stop",
    "The addition is not made",
    family="lens",
    source=_RANGE,
    confidence="published",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.add",
        "prescription.right.balance",
        "lens.compensation",
        "lens.design",
        "lens.ordered_right",
    ),
)
def add_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: outside its range the design is not made with this addition.
    Fires: made +1.00 to +3.00, ordered +3.50.
    Silent: made +0.75 to +3.50, ordered +2.00.
    """
    design = v.design
    if design is None or v.family == "single_vision":
        return
    for eye, lens, _ in v.lenses():
        ordered = v.figures.of(eye).ordered
        add = ordered.add if ordered is not None and ordered.add is not None else lens.add
        if not add or lens.balance:
            continue
        low, high = design.add_min, design.add_max
        if (low is not None and add < low - 0.001) or (high is not None and add > high + 0.001):
            yield found(
                f"{eye_word(eye)} addition {signed(add)} is not made in this lens.",
                "lens.design",
                f"prescription.{eye}.add",
                seen=((f"{eye_word(eye)} addition", add, "D"),),
                limit=f"{signed(low) if low is not None else 'any'} to {signed(high) if high is not None else 'any'}",
                resolution="Another design; or look at the addition.",
            )


@check(
    "lens.prism-range",
    "stop",
    "The prism is beyond what is made",
    family="lens",
    source=_RANGE,
    confidence="published",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.prism_h",
        "lens.compensation",
        "lens.design",
        "lens.ordered_right",
        "lens.prism_thinning_down",
    ),
)
def prism_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: prism beyond the range cannot be surfaced on this blank. Prescribed prism and prism thinning count together.
    Fires: made to 5 Δ, ordered 6 Δ base out.
    Silent: made to 6 Δ, ordered 2 Δ.
    """
    design = v.design
    if design is None or design.prism_max is None:
        return
    thinning = v.case.lens.prism_thinning_down
    for eye in EYES:
        ordered = v.figures.of(eye).ordered
        if ordered is None:
            continue
        size = (ordered.prism_in**2 + (ordered.prism_up - thinning) ** 2) ** 0.5
        if size > design.prism_max + 0.005:
            yield found(
                f"{eye_word(eye)} prism {size:.2f} Δ is not made in this lens.",
                "lens.design",
                f"prescription.{eye}.prism_h",
                seen=((f"{eye_word(eye)} prism", round(size, 2), "Δ"),),
                limit=f"up to {design.prism_max:.2f} Δ",
                resolution="Split the prism between the eyes, leave out prism thinning, or choose another design.",
            )


@check(
    "lens.blank-too-small",
    "stop",
    "The blank does not cover the lens shape",
    family="lens",
    source="exact from the outline; rule of thumb: effective diameter + 2 × decentration + 2 mm",
    confidence="derived",
    needs=(
        "frame.a",
        "frame.dbl",
        "frame.ed",
        "frame.outline",
        "measurements.right.far_pd",
        "lens.blank_diameter_mm",
        "lens.design",
    ),
    explains=("pd.decentration",),
)
def blank_too_small(v: View, found: Finder) -> Iterator[Finding]:
    """Why: with the optical centre before the eye, the blank has to reach the far corner of the frame. Otherwise it will not cut out.
    Fires: boxed centres 76, PD 58, effective diameter 62, blank 75: 82 is needed.
    Silent: boxed centres 70, PD 64, effective diameter 54, blank 65.
    """
    lens = v.case.lens
    design = v.design
    sizes = design.blank_diameters if design else ()
    have = lens.blank_diameter_mm or (max(sizes) if sizes else None)
    if have is None:
        return
    exact = v.frame is not None and bool(v.frame.outline)
    worst: tuple[float, Eye] | None = None
    for eye in EYES:
        figures = v.figures.of(eye)
        needed = figures.blank_needed
        if needed is None or not exact:
            # without an outline the shape is only supposed; the rule of thumb errs on the safe side
            needed = max(needed or 0.0, figures.blank_rule or 0.0) or None
        if needed is not None and (worst is None or needed > worst[0]):
            worst = (needed, eye)
    if worst is None or worst[0] + v.limit["blank.margin"] <= have + 0.05:
        return
    needed, eye = worst
    short = needed - have
    larger = [d for d in sorted(sizes) if d >= needed]
    narrower = f"a frame whose boxed centres are {mm(short)} closer"
    yield found(
        f"{eye_word(eye)} lens needs a blank of {mm(needed)}; "
        + (f"chosen is {mm(have)}." if lens.blank_diameter_mm else f"the largest made is {mm(have)}."),
        "lens.blank_diameter_mm" if lens.blank_diameter_mm else "lens.design",
        f"measurements.{eye}.far_pd",
        "frame.a",
        seen=(
            ("Blank needed", round(needed, 1), "mm"),
            ("Blank", have, "mm"),
            ("Decentration", round(v.figures.of(eye).decentration_in or 0.0, 1), "mm"),
        ),
        limit=f"at least {mm(needed)}" + ("" if exact else ", by the rule of thumb"),
        # the rule of thumb holds 2 mm in reserve: short of that, only an outline can tell
        severity="stop" if exact or short > 2 else "confirm",
        consequence="The lens will not cut out." if exact or short > 2 else "The lens may not cut out.",
        resolution=(
            f"The {mm(larger[0])} blank, or {narrower}." if larger else f"{narrower.capitalize()}, or look at PD and box."
        ),
    )


@check(
    "lens.blank-not-listed",
    "confirm",
    "The blank diameter is not one that is made",
    family="lens",
    source=_RANGE,
    confidence="published",
    needs=("lens.blank_diameter_mm", "lens.design"),
)
def blank_not_listed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a diameter that is not in the list was mistyped, or is of another lens.
    Fires: 72 where 65, 70 and 75 are made.
    Silent: 70.
    """
    design, chosen = v.design, v.case.lens.blank_diameter_mm
    if design is not None and design.blank_diameters and chosen is not None and chosen not in design.blank_diameters:
        yield found(
            f"A blank of {mm(chosen)} is not in the list of this lens.",
            "lens.blank_diameter_mm",
            seen=(("Blank", chosen, "mm"),),
            limit=", ".join(f"{d:g}" for d in design.blank_diameters) + " mm",
            resolution=f"{mm(min(design.blank_diameters, key=lambda d: abs(d - chosen)))}?",
        )


# --- substance --------------------------------------------------------------------------------------------------------


@check(
    "lens.edge-too-thin",
    "stop",
    "The edge is too thin for the mount",
    family="lens",
    source="drilled 2.0, at the hole 1.8; grooved 1.5 to 1.6; US trade press 1999 to 2006; full rim 0.8 to 1.0",
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "frame.a",
        "frame.dbl",
        "frame.mount",
        "frame.outline",
        "measurements.right.far_pd",
        "lens.blank_diameter_mm",
        "lens.material",
        "lens.min_edge_mm",
    ),
)
def edge_too_thin(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a drilled edge under 1.8 mm breaks at the hole, a groove under 1.5 mm breaks out, a full rim under 0.8 mm chips.
    Fires: drilled mount, edge 1.0 mm.
    Silent: drilled mount, 2.0 mm; full rim, 1.0 mm.
    """
    mount = v.frame.mount if v.frame else None
    if mount is None:
        return
    least = v.limit[{"drilled": "edge.drilled", "grooved": "edge.grooved", "full_rim": "edge.full"}[mount]]
    asked = v.case.lens.min_edge_mm
    thin: list[tuple[float, str, str]] = []
    if asked is not None and asked < least - 0.005:
        thin.append((asked, "Edge asked for", "lens.min_edge_mm"))
    for eye in EYES:
        figures = v.figures.of(eye)
        edge = figures.edge_thinnest
        if mount == "drilled" and figures.edge_at_drill_points:
            edge = min(figures.edge_at_drill_points)
        if edge is not None and edge < least - 0.05:
            thin.append((edge, f"{eye_word(eye)} thinnest edge", "lens.min_edge_mm"))
    if thin:
        value, label, path = min(thin)
        yield found(
            f"{label} {mm(value)} on a {mount.replace('_', ' ')} mount.",
            path,
            "frame.mount",
            seen=((label, round(value, 2), "mm"),),
            limit=f"at least {mm(least)}",
            consequence="The lens would break or chip at the mount.",
            resolution=f"Ask for an edge of at least {mm(least)}, or choose a frame with a full rim.",
        )


@check(
    "lens.edge-too-thick",
    "confirm",
    "The edge is too thick for a drilled mount",
    family="lens",
    source="about 5 mm at the mount, US trade press 2003, 2006",
    confidence="common practice",
    needs=("frame.mount", "lens.material"),
)
def edge_too_thick(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the screws of a drilled mount reach through about 5 mm.
    Fires: −9.00 in 1.50 resin, 7 mm at the drill point.
    Silent: −3.00, 3 mm; a full rim.
    """
    if v.frame is None or v.frame.mount != "drilled":
        return
    most = v.limit["edge.drilled_most"]
    for eye in EYES:
        points = v.figures.of(eye).edge_at_drill_points
        if points and max(points) > most:
            yield found(
                f"{eye_word(eye)} lens is {mm(max(points))} thick at a drill point.",
                "lens.material",
                "frame.mount",
                seen=((f"{eye_word(eye)} at the drill point", round(max(points), 1), "mm"),),
                limit=f"about {mm(most)}",
                resolution=_higher_index(v),
            )
            return


def _higher_index(v: View) -> str:
    material = v.case.lens.material
    if material is None or material.nd >= 1.7:
        return "A smaller frame, or boxed centres nearer to the PD."
    return "A higher index, a smaller frame, or boxed centres nearer to the PD."


@check(
    "lens.edge-thick",
    "note",
    "A thick edge",
    family="lens",
    source=_TEACHING,
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "frame.a",
        "frame.dbl",
        "frame.outline",
        "measurements.right.far_pd",
        "lens.material",
    ),
)
def edge_thick(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the client should know before the order what the edge will look like.
    Fires: an edge of 10 mm.
    Silent: an edge of 5 mm.
    """
    most = v.limit["edge.thick"]
    thick = [(t, eye) for eye in EYES if (t := v.figures.of(eye).edge_thickest) is not None and t > most]
    if thick:
        value, eye = max(thick)
        yield found(
            f"{eye_word(eye)} lens is {mm(value)} thick at its thickest edge.",
            "lens.material",
            seen=(("Thickest edge", round(value, 1), "mm"),),
            limit=f"{mm(most)}",
            resolution=_higher_index(v),
        )


@check(
    "lens.centre-too-thin",
    "stop",
    "The centre is too thin",
    family="lens",
    source="resin 1.0 to 2.2 mm by material, toughened glass 2.0; dispensing teaching",
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "lens.material",
        "lens.min_centre_mm",
    ),
)
def centre_too_thin(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a minus lens under 1 mm at its centre bends and breaks; glass needs twice that to stand the impact test.
    Fires: centre 0.6 mm; glass 1.2 mm.
    Silent: 1.3 mm in 1.60 resin; 2.0 mm in glass.
    """
    lens = v.case.lens
    glass = lens.material is not None and lens.material.glass
    least = v.limit["centre.glass" if glass else "centre.resin"]
    thin = [(t, f"{eye_word(eye)} centre") for eye in EYES if (t := v.figures.of(eye).centre_thickness) is not None]
    if lens.min_centre_mm is not None:
        thin.append((lens.min_centre_mm, "Centre asked for"))
    thin = [(t, label) for t, label in thin if t < least - 0.05]
    if thin:
        value, label = min(thin)
        yield found(
            f"{label} {mm(value)}" + (" in glass." if glass else "."),
            "lens.min_centre_mm",
            "lens.material",
            seen=((label, round(value, 2), "mm"),),
            limit=f"at least {mm(least)}",
            resolution=f"Ask for a centre of at least {mm(least)}.",
        )


@check(
    "lens.front-curve",
    "confirm",
    "The front curve does not go with the frame",
    family="lens",
    source="lens and frame curve within 1 to 2 D; dress 4 to 6, wrap 8 to 9",
    confidence="common practice",
    needs=("frame.front_curve", "lens.front_curve"),
)
def front_curve(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a lens much flatter or steeper than its rim springs out or bends the front.
    Fires: front curve 2 asked for in a front of 8; −8.00 in a wrap.
    Silent: 4 in a front of 4.5; a strong plus whose curve is steep in an ordinary front.
    """
    frame = v.frame
    if frame is None or frame.front_curve is None:
        return
    limit = v.limit["frame.curve_match"]
    stated = v.case.lens.front_curve
    if stated is not None:
        if abs(stated - frame.front_curve) > limit:
            yield _curve_finding(found, stated, frame.front_curve, limit, "Front curve asked for")
        return
    if frame.front_curve < 7:
        return
    for eye in EYES:
        computed = v.figures.of(eye).front_curve
        if computed is not None and frame.front_curve - computed > limit:
            yield _curve_finding(found, computed, frame.front_curve, limit, f"{eye_word(eye)} usual front curve")
            return


def _curve_finding(found: Finder, curve: float, frame: float, limit: float, label: str) -> Finding:
    return found(
        f"{label} {curve:.2f} D in a front of {frame:.2f} D.",
        "lens.front_curve",
        "frame.front_curve",
        seen=((label, round(curve, 2), "D"), ("Front curve of the frame", frame, "D")),
        limit=f"within {limit:.1f} D",
        consequence="The lens would not sit in the rim.",
        resolution=f"A front curve of {frame - limit:.1f} to {frame + limit:.1f} D, or a flatter frame.",
    )


@check(
    "lens.front-curves-differ",
    "note",
    "The two lenses have different front curves",
    family="lens",
    source="more than 1 to 2 D between right and left is seen; dispensing teaching",
    confidence="common practice",
    needs=("lens.front_curve",),
)
def front_curves_differ(v: View, found: Finder) -> Iterator[Finding]:
    """Why: unlike curves are seen, and add to the difference in image size.
    Fires: R +5.00, L plano.
    Silent: R −2.00, L −2.75.
    """
    right, left = v.figures.right.front_curve, v.figures.left.front_curve
    if right is not None and left is not None and abs(right - left) > 2.0:
        yield found(
            f"Front curves {right:.1f} and {left:.1f} D.",
            "lens.front_curve",
            seen=(("Right front curve", round(right, 2), "D"), ("Left front curve", round(left, 2), "D")),
            limit="2 D apart",
            resolution="Ask the lab to match the curves.",
        )
