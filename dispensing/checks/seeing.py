"""Checks of what the client will see and carry: prism differences, colour, image size, weight."""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import atan2, degrees

from dispensing.case import EYES, MULTIFOCAL, SEGMENTED, Eye
from dispensing.checks.findings import Finder, Finding, Severity
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, mm
from dispensing.figures import near_only

_FLAT_TOP_CENTRE = 5.0  # mm, usual for a segment 28 wide
_NAMED: dict[Eye, re.Pattern[str]] = {
    "right": re.compile(r"\b(?:(?i:right|o\.?d)|R\.?E?)\b"),
    "left": re.compile(r"\b(?:(?i:left|o\.?s)|L\.?E?)\b"),
}


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
    Silent: R −1.00, L −1.75; slab-off ordered; the earlier pair had the same and is worn; single vision for distance. A near pair, whose
    centres can lie where one reads, only tells it.
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
    near_pair = near_only(v.case.needs, v.case.lens)
    asks = size >= ask and not used and not near_pair and not v.rx_explained and not v.case.lens.remark
    severity: Severity = "confirm" if asks else "note"
    yield found(
        f"{size:.2f} Δ between the eyes at the reading level.",
        "lens.slab_off",
        "lens.design",
        seen=(
            ("Vertical imbalance 10 mm down", round(size, 2), "Δ"),
            ("Right vertical power", round(v.figures.right.vertical_power or 0.0, 2), "D"),
            ("Left vertical power", round(v.figures.left.vertical_power or 0.0, 2), "D"),
        ),
        limit=f"{v.limit['imbalance.note']:.1f} Δ for comfort; asked about from {ask:.1f} Δ",
        severity=severity,
        consequence="Reading may tire or double.",
        resolution=_against_imbalance(v, size, near_pair),
    )


def _against_imbalance(v: View, size: float, near_pair: bool) -> str:
    if near_pair:
        comfort = v.limit["imbalance.note"]
        lower = 10 * (1 - comfort / size)
        return (
            f"Optical centres {mm(lower)} below the pupil leave {comfort:.1f} Δ at the reading level; at 10 mm below, none."
        )
    if v.family not in MULTIFOCAL:
        # what lowered centres take away where one reads they bring where one looks far
        return (
            f"A pair of its own for near, with its centres lowered. In this pair centres 5 mm below the pupil would leave {size / 2:.1f} Δ "
            f"where one reads, and make as much where one looks far."
        )
    text = _slab_off_on(v, size)
    if v.family == "round_bifocal":
        text += ", round segments of unequal size"
    return text + ", or a single-vision pair for near."


@check(
    "seeing.slab-off",
    "confirm",
    "Slab-off without its lens, on the other lens, or with hardly anything to undo",
    family="lens",
    source="slab-off is base up, on the lens of least plus or most minus vertical power, from 1.5 Δ; dispensing teaching, US",
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "lens.remark",
        "lens.slab_off",
    ),
)
def slab_off(v: View, found: Finder) -> Iterator[Finding]:
    """Why: slab-off is ground on one lens. On the other it doubles what it should undo, and without a word the lab cannot know which.
    Fires: slab-off and no remark, or one that says neither right nor left; R −1.00, L −4.50 and "slab-off right 3.5"; slab-off with
    0.5 Δ to undo.
    Silent: R −1.00, L −4.50 and "slab-off left 3.5 Δ, line at the segment top"; no slab-off.
    """
    lens = v.case.lens
    if not lens.slab_off:
        return
    value = v.figures.vertical_imbalance_near
    usual = (
        f"{_slab_off_on(v, abs(value))}; the line at the segment top."
        if value is not None
        else "Name lens, amount and line."
    )
    seen = (("At the reading level", round(abs(value), 2), "Δ"),) if value is not None else ()
    named = {eye for eye, words in _NAMED.items() if words.search(lens.remark)}
    if not named:
        yield found(
            "Slab-off, and no word which lens it is for.",
            "lens.remark",
            "lens.slab_off",
            seen=(*seen, ("Remark", lens.remark.strip()[:80] or "none", "")),
            consequence="The lab has to ask, or guesses.",
            resolution=f"Say it in the remark. {usual}",
            for_lab=True,
        )
        return
    if value is None:
        return
    if abs(value) < v.limit["imbalance.note"]:
        yield found(
            f"Slab-off, with {abs(value):.2f} Δ between the eyes at the reading level.",
            "lens.slab_off",
            seen=seen,
            limit=f"worth undoing from {v.limit['imbalance.note']:.1f} Δ",
            resolution="Take it out, or look at the powers.",
            for_lab=True,
        )
        return
    weaker = _less_plus(v)
    if len(named) == 1 and weaker not in named:
        yield found(
            f"The remark names the {named.pop()} lens for slab-off; the {weaker} one has the less plus or more minus power.",
            "lens.remark",
            "lens.slab_off",
            seen=(*seen, ("Remark", lens.remark[:80], "")),
            consequence=f"Base up on the other lens would make {2 * abs(value):.1f} Δ out of {abs(value):.1f}.",
            resolution=f"{usual} Only a moulded one, base down, goes on the other lens.",
            for_lab=True,
        )


def _less_plus(v: View) -> Eye:
    if v.figures.vertical_imbalance_near:  # what an oblique cylinder adds beside the middle is in it
        return "left" if v.figures.vertical_imbalance_near > 0 else "right"
    return min(EYES, key=lambda eye: v.figures.of(eye).vertical_power or 0.0)


def _slab_off_on(v: View, size: float) -> str:
    return f"Slab-off of about {size:.1f} Δ on the {_less_plus(v)} lens (the less plus or more minus one)"


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
    add = max((lens.add or 0.0 for _, lens, _ in v.lenses()), default=0.0)
    if values and max(values) > 2.0:
        yield found(
            f"The image jumps by {max(values):.2f} Δ at the segment top.",
            "lens.design",
            seen=(("Image jump", round(max(values), 2), "Δ"),),
            limit="2 Δ",
            resolution=f"A flat top with its centre {mm(_FLAT_TOP_CENTRE)} below the top jumps by {_FLAT_TOP_CENTRE / 10 * add:.2f} Δ; "
            "a progressive not at all.",
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
            f"A corridor of {mm(v.design.corridor_mm)}: the eye turns about {degrees(atan2(v.design.corridor_mm, 27)):.0f}° down to read.",
            "lens.design",
            seen=(("Corridor", v.design.corridor_mm, "mm"),),
            limit="17 mm",
            resolution="A corridor of 13 to 15 mm, unless the client is used to a long one.",
        )
