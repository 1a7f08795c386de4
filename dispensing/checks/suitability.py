"""Checks of the chosen lens against the person, the mount and the use: material, tint, design, and how one will see through it."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, MULTIFOCAL, SEGMENTED
from dispensing.checks.findings import Finder, Finding, Severity
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, mm, signed

_MATERIALS = "suitability of lens materials, dispensing teaching and US lab advice"
_ROAD = "ISO 12312-1:2013 and ISO 8980-3; College of Optometrists guidance on tints and driving"
_DRIVING = frozenset({"driving_day", "driving_night"})


@check(
    "material.drilled",
    "stop",
    "The material is not for a drilled mount",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("frame.mount", "lens.material"),
)
def material_drilled(v: View, found: Finder) -> Iterator[Finding]:
    """Why: hard resin and glass crack at the holes of a drilled mount.
    Fires: drilled mount in glass (stop); in 1.74 resin (asks).
    Silent: drilled mount in 1.60 resin; hard resin in a full rim.
    """
    yield from _mount(v, found, "drilled")


@check(
    "material.grooved",
    "stop",
    "The material is not for a grooved mount",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("frame.mount", "lens.material"),
)
def material_grooved(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a groove cut into glass or a brittle resin chips.
    Fires: grooved mount in glass (stop).
    Silent: grooved mount in 1.60 resin.
    """
    yield from _mount(v, found, "grooved")


def _mount(v: View, found: Finder, mount: str) -> Iterator[Finding]:
    material, frame = v.case.lens.material, v.frame
    if material is None or frame is None or frame.mount != mount:
        return
    fitness = "no" if material.glass else getattr(material, mount)
    if fitness in ("no", "poor"):
        yield found(
            f"{material.name} is {'not' if fitness == 'no' else 'poorly'} suited to a {mount} mount.",
            "lens.material",
            "frame.mount",
            seen=(("Material", material.name, ""), ("Mount", mount, "")),
            severity="stop" if fitness == "no" else "confirm",
            consequence="The lens may crack at the holes." if mount == "drilled" else "The groove may chip.",
            resolution="A 1.60 or urethane-based resin or polycarbonate, or a frame with a full rim.",
        )


@check(
    "material.child",
    "stop",
    "The material is not for a child",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("person.age_years", "lens.material"),
)
def material_child(v: View, found: Finder) -> Iterator[Finding]:
    """Why: children fall. Glass breaks into the eye; weak resins break too.
    Fires: glass at 9 years (stop); a low-impact resin at 9 years (asks).
    Silent: polycarbonate at 9 years; glass at 40.
    """
    material = v.case.lens.material
    if material is None or v.age is None or v.age >= 16:
        return
    if material.glass or material.impact == "low":
        yield found(
            f"{material.name} for a child of {v.age:.0f} years.",
            "lens.material",
            "person.age_years",
            seen=(("Material", material.name, ""), ("Age", int(v.age), "years")),
            severity="stop" if material.glass else "confirm",
            consequence="A broken lens can injure the eye.",
            resolution="Polycarbonate or a urethane-based resin.",
        )


@check(
    "material.one-useful-eye",
    "stop",
    "The material does not protect the only useful eye",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("person.useful_eye", "lens.material"),
)
def material_one_eye(v: View, found: Finder) -> Iterator[Finding]:
    """Why: whoever has one useful eye cannot afford to lose it to a broken lens.
    Fires: one useful eye, glass (stop); hard resin (asks).
    Silent: one useful eye, polycarbonate; two useful eyes.
    """
    material = v.case.lens.material
    if (
        material is None
        or v.single_eye is None
        or material.impact == "high"
        or (material.impact == "good" and not material.glass)
    ):
        return
    yield found(
        f"{material.name} before the only useful eye.",
        "lens.material",
        "person.useful_eye",
        seen=(("Material", material.name, ""), ("Impact resistance", "glass" if material.glass else material.impact, "")),
        severity="stop" if material.glass else "confirm",
        consequence="A broken lens can blind the client.",
        resolution="Polycarbonate or a urethane-based resin, in both lenses.",
    )


@check(
    "material.hazard",
    "stop",
    "The material is not for this hazard",
    family="lens",
    source="EN 166; ANSI Z87.1 summaries; dispensing teaching",
    confidence="common practice",
    needs=("needs.uses", "lens.material"),
)
def material_hazard(v: View, found: Finder) -> Iterator[Finding]:
    """Why: where something may fly into the eye, the lens has to stand it. Safety at work also needs a marked frame.
    Fires: use "safety" in glass or low-impact resin (stop); "sport" in hard resin (asks).
    Silent: use "safety" in polycarbonate; an office in hard resin.
    """
    material = v.case.lens.material
    uses = [u for u in v.uses if u in ("safety", "sport")]
    if material is None or not uses or material.impact == "high" or (material.impact == "good" and not material.glass):
        return
    weak = material.glass or material.impact == "low"
    yield found(
        f"{material.name} for {' and '.join(uses)}.",
        "lens.material",
        "needs.uses",
        seen=(("Material", material.name, ""), ("Impact resistance", "glass" if material.glass else material.impact, "")),
        severity="stop" if weak and "safety" in uses else "confirm",
        consequence="A broken lens can injure the eye.",
        resolution="Polycarbonate or a urethane-based resin; for work, lenses and frame marked by the safety standard.",
    )


# --- tints ------------------------------------------------------------------------------------------------------------


@check(
    "tint.road",
    "stop",
    "The tint is too dark for the road",
    family="lens",
    source=_ROAD,
    confidence="standard",
    needs=("needs.uses", "lens.tint"),
)
def tint_road(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a filter of category 4, under 8 % luminous transmittance, is not for driving at any time.
    Fires: 6 % with the use "driving by day".
    Silent: 12 % with the same use; 6 % for the glacier alone.
    """
    tint = v.case.lens.tint
    if tint is None or not _DRIVING & set(v.uses):
        return
    limit = v.limit["tint.road"]
    if tint.transmittance_dark < limit:
        yield found(
            f"{tint.name} lets {tint.transmittance_dark:g} % through: not for driving.",
            "lens.tint",
            "needs.uses",
            seen=(("Luminous transmittance, darkest", tint.transmittance_dark, "%"),),
            limit=f"at least {limit:g} %",
            resolution="A paler tint, or a second pair for driving.",
        )


@check(
    "tint.night",
    "stop",
    "The tint is too dark for driving at night",
    family="lens",
    source=_ROAD,
    confidence="standard",
    needs=("needs.uses", "lens.tint"),
)
def tint_night(v: View, found: Finder) -> Iterator[Finding]:
    """Why: below 75 % luminous transmittance a lens is not for driving in twilight or at night. A photochromic lens is judged clear.
    Fires: a fixed tint of 50 % with the use "driving at night".
    Silent: a photochromic lens with 88 % when clear; 50 % for driving by day.
    """
    tint = v.case.lens.tint
    if tint is None or "driving_night" not in v.uses:
        return
    limit = v.limit["tint.night"]
    if tint.transmittance_clear < limit:
        yield found(
            f"{tint.name} lets {tint.transmittance_clear:g} % through: not for driving at night.",
            "lens.tint",
            "needs.uses",
            seen=(("Luminous transmittance, palest", tint.transmittance_clear, "%"),),
            limit=f"at least {limit:g} %",
            resolution="An untinted lens with an anti-reflection coating, or a second pair.",
        )


@check(
    "tint.figures",
    "stop",
    "The transmittance is impossible",
    family="lens",
    source="ISO 8980-3",
    confidence="standard",
    needs=("lens.tint",),
)
def tint_figures(v: View, found: Finder) -> Iterator[Finding]:
    """Why: transmittance is between 0 and 100 %, and a photochromic lens is darker in its dark state.
    Fires: 0.85, a part of one, where 85 % is meant; darker when clear than when dark.
    Silent: 85 % clear, 12 % dark.
    """
    tint = v.case.lens.tint
    if tint is None:
        return
    clear, dark = tint.transmittance_clear, tint.transmittance_dark
    if not 0 < dark <= 100 or not 0 < clear <= 100 or dark > clear + 0.5 or clear <= 1:
        yield found(
            f"{tint.name}: {clear:g} % clear and {dark:g} % dark cannot be.",
            "lens.tint",
            seen=(("Clear", clear, "%"), ("Dark", dark, "%")),
            limit="0 to 100 %, dark below clear",
            resolution="Correct the tint in the catalogue; write per cent, not a part of one.",
        )


@check(
    "tint.all-round",
    "note",
    "A dark tint for all-round wear",
    family="lens",
    source=_ROAD,
    confidence="common practice",
    needs=("needs.uses", "lens.tint"),
)
def tint_all_round(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a fixed tint of category 2 or darker is too dark indoors and for driving at night; the client should know.
    Fires: 15 % fixed tint for all-round wear.
    Silent: a photochromic lens; 15 % for the sun.
    """
    tint = v.case.lens.tint
    if tint is not None and not tint.photochromic and tint.transmittance_clear <= 43 and "all_round" in v.uses:
        yield found(
            f"{tint.name} stays at {tint.transmittance_clear:g} % indoors and at night.",
            "lens.tint",
            "needs.uses",
            seen=(("Luminous transmittance", tint.transmittance_clear, "%"),),
            limit="43 %, filter category 2",
            resolution="A photochromic lens, or a second pair. Tell the client: not for driving at night.",
        )


# --- design and use ---------------------------------------------------------------------------------------------------


@check(
    "design.use",
    "confirm",
    "The lens does not serve the use",
    family="lens",
    source="what lens families are made for, dispensing teaching",
    confidence="common practice",
    needs=("needs.uses", "lens.design"),
)
def design_use(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a degressive lens blurs the distance, so it is not for driving; a single-vision lens at the distance power does not read
    for a presbyope.
    Fires: degressive with the use "driving by day"; single vision, addition +2.00, uses distance and near.
    Silent: degressive for screens; progressive for everything.
    """
    uses = set(v.uses)
    if not v.design or not uses:
        return
    far = uses & {"distance", "driving_day", "driving_night", "all_round"}
    if v.family == "degressive" and far:
        yield found(
            "A degressive lens is not for the distance.",
            "lens.design",
            "needs.uses",
            seen=(("Uses", ", ".join(sorted(far)), ""),),
            consequence="Distance would be blurred by most of the degression.",
            resolution="A progressive lens, or a second pair for the distance.",
        )
    elif v.family == "single_vision" and far & {"distance", "all_round"} and uses & {"near"} and v.rx is not None:
        add = max(v.rx.right.add or 0.0, v.rx.left.add or 0.0)
        if add >= 1.0:
            yield found(
                f"Single vision for distance and near, with an addition of {signed(add)}.",
                "lens.design",
                "needs.uses",
                seen=(("Addition", add, "D"),),
                consequence="One of the two would be blurred.",
                resolution="A multifocal lens, or two pairs.",
            )


@check(
    "design.add-unused",
    "note",
    "The addition is not used by this lens",
    family="lens",
    source="what lens families are made for",
    confidence="common practice",
    needs=("needs.uses", "lens.design"),
)
def add_unused(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an addition on the prescription and a single-vision distance pair may be meant, or the wrong lens was picked.
    Fires: addition +2.00, single vision, use "driving by day".
    Silent: the same with a progressive; a near pair.
    """
    if v.family != "single_vision" or v.rx is None or not v.uses or set(v.uses) & {"near", "screens", "intermediate"}:
        return
    add = max(v.rx.right.add or 0.0, v.rx.left.add or 0.0)
    if add > 0:
        yield found(
            f"The addition {signed(add)} is not used: a distance pair.",
            "lens.design",
            seen=(("Addition", add, "D"),),
            resolution="Nothing to do if a distance pair is meant.",
        )


@check(
    "design.thinning",
    "confirm",
    "Prism thinning that does not belong here",
    family="lens",
    source="0.6 to 0.67 of the addition, base down in both; progressive lenses only",
    confidence="common practice",
    needs=("prescription.right.add", "lens.design", "lens.prism_thinning_down"),
)
def thinning(v: View, found: Finder) -> Iterator[Finding]:
    """Why: equal base-down prism thins a progressive lens and does no harm. In another lens, or more of it than the addition, it is
    a prism in the wrong field.
    Fires: 1.5 Δ down with single vision; 3 Δ down with addition +2.00.
    Silent: 1.25 Δ down with a progressive of +2.00.
    """
    down = v.case.lens.prism_thinning_down
    if not down or not v.family:
        return
    add = max((lens.add or 0.0 for _, lens, _ in v.lenses()), default=0.0)
    most = v.limit["thinning.most"] * add
    if v.family != "progressive" or down < 0 or (add and down > most):
        yield found(
            f"{down:.2f} Δ base down in both lenses of a {v.family.replace('_', ' ')} pair.",
            "lens.prism_thinning_down",
            seen=(("Prism thinning", down, "Δ"), ("Addition", add, "D")),
            limit=f"up to {most:.2f} Δ" if v.family == "progressive" else "progressive lenses only",
            resolution=f"About {0.65 * add:.2f} Δ." if v.family == "progressive" and add else "Take it out.",
        )


@check(
    "design.first-progressive",
    "note",
    "A first progressive with a high addition or a short corridor",
    family="lens",
    source="adaptation, dispensing teaching",
    confidence="common practice",
    needs=("needs.first_progressive", "prescription.right.add", "lens.design"),
)
def first_progressive(v: View, found: Finder) -> Iterator[Finding]:
    """Why: swimming edges grow with the addition and with a shorter corridor; a first wearer should be told and shown.
    Fires: first progressive, addition +2.50.
    Silent: first progressive, addition +1.25, corridor 13.
    """
    if not v.case.needs.first_progressive or v.family != "progressive" or v.design is None:
        return
    add = max((lens.add or 0.0 for _, lens, _ in v.lenses()), default=0.0)
    short = v.design.corridor_mm is not None and v.design.corridor_mm < 11
    if add >= 2.25 or short:
        yield found(
            "A first progressive"
            + (f" with {signed(add)}" if add >= 2.25 else "")
            + (" with a short corridor." if short else "."),
            "needs.first_progressive",
            "lens.design",
            seen=(
                ("Addition", add, "D"),
                ("Corridor", v.design.corridor_mm if v.design.corridor_mm is not None else "not stated", "mm"),
            ),
            resolution="Explain the side areas; consider a longer corridor or a second pair for long reading.",
        )


# --- seeing -----------------------------------------------------------------------------------------------------------


@check(
    "seeing.imbalance",
    "confirm",
    "Unequal vertical powers pull the eyes apart at the reading level",
    family="lens",
    source="differential prism of about 1 Δ not long tolerated, McCarthy, Optician C7205; slab-off from 1.5 Δ",
    confidence="published",
    needs=(
        "person.notes",
        "person.useful_eye",
        "needs.uses",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.remark",
        "measurements.right.height",
        "lens.design",
        "lens.remark",
        "lens.slab_off",
        "earlier",
    ),
)
def imbalance(v: View, found: Finder) -> Iterator[Finding]:
    """Why: looking down through unequal vertical powers makes vertical prism between the eyes, which few tolerate beyond 1 Δ.
    Fires: R −1.00, L −4.50 as a progressive: 3.5 Δ at 10 mm down (asks); 1.5 Δ is worth knowing.
    Silent: R −1.00, L −1.75; slab-off ordered; the earlier pair had the same and is worn; single vision for distance.
    """
    value = v.figures.vertical_imbalance_near
    if value is None or v.case.lens.slab_off or v.single_eye or not v.design:
        return
    if v.rx is not None and (v.rx.right.balance or v.rx.left.balance):
        return
    if v.family not in MULTIFOCAL and "near" not in v.uses:
        return
    size = abs(value)
    ask = v.limit["imbalance.ask"]
    if size < v.limit["imbalance.note"]:
        return
    # somebody who has worn unequal lenses of this kind is used to it
    before_r, before_l = v.powers_before["right"], v.powers_before["left"]
    used = (
        v.earlier_rx_pair is not None
        and before_r is not None
        and before_l is not None
        and abs(before_r.vertical - before_l.vertical) >= 0.7 * size
    )
    severity: Severity = "confirm" if size >= ask and not used and not v.rx_explained and not v.case.lens.remark else "note"
    yield found(
        f"{size:.2f} Δ between the eyes at the reading level.",
        "lens.slab_off",
        "lens.design",
        seen=(
            ("Vertical imbalance 10 mm down", round(size, 2), "Δ"),
            ("Right vertical power", round(v.figures.right.vertical_power or 0.0, 2), "D"),
            ("Left vertical power", round(v.figures.left.vertical_power or 0.0, 2), "D"),
        ),
        limit=f"{v.limit['imbalance.note']:.1f} Δ for comfort",
        severity=severity,
        consequence="Reading may tire or double.",
        resolution="Slab-off, unequal round segments, a single-vision pair for near, or lowered optical centres.",
    )


@check(
    "seeing.chromatic-blur",
    "note",
    "Coloured edges at the usual gaze angle",
    family="lens",
    source="transverse chromatic aberration, threshold 0.1 Δ, Jalie (from memory)",
    confidence="from memory",
    needs=("prescription.right.sphere", "prescription.right.cylinder", "prescription.right.axis", "lens.material"),
)
def chromatic_blur(v: View, found: Finder) -> Iterator[Finding]:
    """Why: away from the centre a strong lens of low Abbe number splits colours and blurs.
    Fires: −8.00 in a material of Abbe 30.
    Silent: −2.00 in the same; −8.00 in a material of Abbe 58.
    """
    limit = v.limit["blur.note"]
    values = [(b, eye) for eye in EYES if (b := v.figures.of(eye).chromatic_blur) is not None]
    if values and max(values)[0] > limit:
        blur, eye = max(values)
        material = v.case.lens.material
        yield found(
            f"{eye_word(eye)} chromatic blur {blur:.2f} Δ at the usual gaze angle.",
            "lens.material",
            seen=(("Chromatic blur", round(blur, 2), "Δ"), ("Abbe number", material.abbe if material else "", "")),
            limit=f"{limit:.2f} Δ",
            resolution=f"An Abbe number of {(material.abbe if material else 30) * blur / limit:.0f} or more would stay below it.",
        )


@check(
    "seeing.image-size",
    "note",
    "The images of the two eyes differ in size",
    family="lens",
    source="trouble from 3 to 5 %, textbook (from memory)",
    confidence="from memory",
    needs=(
        "person.useful_eye",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "fit.vertex_mm",
        "lens.design",
        "lens.material",
    ),
)
def image_size(v: View, found: Finder) -> Iterator[Finding]:
    """Why: unequal magnification strains or breaks binocular vision.
    Fires: R +1.00, L +6.00.
    Silent: R −2.00, L −3.00.
    """
    value = v.figures.magnification_difference_percent
    if value is None or abs(value) < v.limit["magnification.note"] or v.single_eye:
        return
    yield found(
        f"Images differ by {abs(value):.1f} % in size.",
        "lens.design",
        seen=(("Difference of magnification", round(abs(value), 1), "%"),),
        limit=f"{v.limit['magnification.note']:g} %",
        resolution="Match front curves and centre thicknesses, shorten the vertex distance, or think of contact lenses.",
    )


@check(
    "seeing.image-jump",
    "note",
    "The image jumps at the segment top",
    family="lens",
    source="jump = addition × distance from segment top to its optical centre",
    confidence="published",
    needs=("prescription.right.add", "lens.design"),
)
def image_jump(v: View, found: Finder) -> Iterator[Finding]:
    """Why: crossing into a segment moves the image; a flat top moves it less than a round one.
    Fires: round segment 24 with +2.50: 3 Δ.
    Silent: flat top 28 with +2.00: 1 Δ; a progressive.
    """
    if v.family not in SEGMENTED:
        return
    values = [abs(j) for eye in EYES if (j := v.figures.of(eye).image_jump) is not None]
    if values and max(values) > 2.0:
        yield found(
            f"The image jumps by {max(values):.2f} Δ at the segment top.",
            "lens.design",
            seen=(("Image jump", round(max(values), 2), "Δ"),),
            limit="2 Δ",
            resolution="A flat-top segment jumps less; a progressive not at all.",
        )


@check(
    "seeing.weight",
    "note",
    "Heavy lenses",
    family="lens",
    source="dispensing teaching",
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "frame.outline",
        "lens.material",
    ),
)
def weight(v: View, found: Finder) -> Iterator[Finding]:
    """Why: heavy lenses slide, and a fitting height slides with them.
    Fires: 55 g for both lenses.
    Silent: 22 g.
    """
    mass, limit = v.figures.mass_g, v.limit["weight.note"]
    if mass is not None and mass > limit:
        yield found(
            f"Both lenses weigh {mass:.0f} g.",
            "lens.material",
            seen=(("Both lenses", round(mass, 1), "g"),),
            limit=f"{limit:g} g",
            resolution="A smaller frame, a higher index, or resin instead of glass.",
        )


@check(
    "seeing.centre-depth",
    "note",
    "The near area lies low in the frame",
    family="lens",
    source="the eye turns down about 25 to 30° to read",
    confidence="common practice",
    needs=("lens.design",),
)
def near_low(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a long corridor in a deep frame puts the reading area where the eye hardly reaches.
    Fires: corridor 18 mm.
    Silent: corridor 13 mm.
    """
    if (
        v.family == "progressive"
        and v.design is not None
        and v.design.corridor_mm is not None
        and v.design.corridor_mm > 17
    ):
        yield found(
            f"A corridor of {mm(v.design.corridor_mm)}: the eye turns about {v.design.corridor_mm / 27 * 57.3:.0f}° down to read.",
            "lens.design",
            seen=(("Corridor", v.design.corridor_mm, "mm"),),
            limit="17 mm",
            resolution="A corridor of 13 to 15 mm, unless the client is used to a long one.",
        )
