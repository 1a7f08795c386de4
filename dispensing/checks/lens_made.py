"""Checks of the chosen lens against what is made: powers, additions, prism, blanks."""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot

from dispensing.case import EYES, Eye
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.lens import _RANGE
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import dioptres, eye_word, mm, signed


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
    explains=("lens.front-curve-table",),
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
                resolution=f"A design made with {signed(add)}; or look at the addition.",
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
                resolution=_less_prism(v, design.prism_max, size),
            )


def _less_prism(v: View, most: float, size: float) -> str:
    thinning, orders = v.case.lens.prism_thinning_down, [o for eye in EYES if (o := v.figures.of(eye).ordered) is not None]
    alone = max(hypot(o.prism_in, o.prism_up) for o in orders)
    if thinning and alone <= most + 0.005:
        return f"Without prism thinning it is {alone:.2f} Δ."
    if len(orders) == 2:
        right, left = orders
        # bases that turn both eyes one way are not prism between them, and sharing would lose it
        one_way = right.prism_in * left.prism_in < 0 or right.prism_up * left.prism_up > 0
        each = hypot((right.prism_in + left.prism_in) / 2, abs(right.prism_up - left.prism_up) / 2 + abs(thinning))
        if not one_way and each <= most + 0.005:
            return f"Split between the eyes it is {each:.2f} Δ in each."
    return f"A design made with {size:.2f} Δ, or a smaller prism from the prescriber."


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
    explains=("pd.decentration", "lens.blank-not-listed"),
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
