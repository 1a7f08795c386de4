"""Workings of what the lens does to seeing, and of how exact the measurements have to be."""

from __future__ import annotations

import math

from dispensing.case import SEGMENTED
from dispensing.figures.place import rotation_mm
from dispensing.figures.usual import GAZE_DEG, POSITION_MM, READING_DROP_MM, number
from dispensing.optics import consequence, magnification, tolerance
from dispensing.optics.vertex import curve_in_index
from dispensing.working.values import Input, Rule, Sums, Working, known, lens_text, n, plus


def chromatic_blur(s: Sums) -> Working:
    material = s.case.lens.material
    assert material is not None
    power, r = s.power.strongest.power, rotation_mm(s.case)
    away = r * math.tan(math.radians(GAZE_DEG))
    prism = abs(power) * away / 10
    return Working(
        formula="prism / Abbe number, prism = F × s tan(gaze) / 10",
        inputs=(
            Input("stronger principal power", power, "D"),
            Input("lens to centre of rotation s", r, "mm"),
            Input("gaze", GAZE_DEG, "°"),
            Input(f"Abbe number of {material.name}", material.abbe),
        ),
        steps=(
            f"{n(r, 1)} × tan {n(GAZE_DEG, 0)}° = {n(away)} mm from the optical centre",
            f"{n(abs(power))} × {n(away)} / 10 = {n(prism)} Δ",
            f"{n(prism)} / {n(material.abbe, 1)} = {n(prism / material.abbe, 3)} Δ",
        ),
        result=prism / material.abbe,
        unit="Δ",
        source="Transverse chromatic aberration P/V; noticed from about 0.1 Δ (Jalie, from memory). Gaze: common practice.",
        caution="An exact trace of a plus lens gives up to 40 % more far from the centre.",
    )


def magnification_percent(s: Sums) -> Working:
    material, own = s.case.lens.material, s.own
    assert material is not None
    front = curve_in_index(known(own.front_curve), material.nd)
    centre, vertex = known(own.centre_thickness), known(number(s.case.fit.vertex_mm))
    power = s.power
    found = magnification.lens_magnification(power, front=front, thickness_mm=centre, index=material.nd, vertex_mm=vertex)
    a, b = found.along, found.across
    to_pupil = vertex + magnification.PUPIL_BEHIND_CORNEA_MM
    return Working(
        formula="1/(1 − (t/n) F1) × 1/(1 − d F′v), mean of both principal meridians",
        inputs=(
            Input("front power F1 in this material", front, "D"),
            Input("centre thickness t", centre, "mm"),
            Input("index n", material.nd),
            Input("back vertex to entrance pupil d", to_pupil, "mm"),
            Input("power", lens_text(power)),
        ),
        steps=(
            f"shape {n(a.shape, 4)}",
            f"power {n(a.power, 4)} along the axis, {n(b.power, 4)} across it",
            f"√({n(a.total, 4)} × {n(b.total, 4)}) = {n(math.sqrt(a.total * b.total), 4)}",
        ),
        result=(math.sqrt(a.total * b.total) - 1.0) * 100.0,
        unit="%",
        source="Keating; Fannin & Grosvenor; Jalie (from memory). Entrance pupil 3 mm behind the cornea.",
    )


def image_jump(s: Sums) -> Working:
    design, order = s.case.lens.design, s.own.ordered
    assert design is not None
    assert order is not None
    add, below = known(order.add), known(design.segment_centre_below_top_mm)
    return Working(
        formula="addition × segment top to its optical centre / 10",
        inputs=(Input("addition", add, "D"), Input("top to optical centre", below, "mm")),
        steps=(f"{n(add)} × {n(below)} / 10 = {n(add * below / 10)}",),
        result=add * below / 10.0,
        unit="Δ",
        source="Textbook Ophthalmic Lenses, ch. 10, p. 114: D segment, 5 mm, +2.00: 1 Δ. Base down where the centre lies below the top.",
    )


def limits(s: Sums) -> tolerance.PairTolerance:
    """The pair's tolerance, worked out again from the two powers."""
    right, left = s.power_of_eye("right"), s.power_of_eye("left")
    some = right or left
    assert some is not None
    return tolerance.pair_prism_tolerance(
        right or some,
        left or some,
        ordered_horizontal=s.figures.net_prism_h or 0.0,
        ordered_vertical=s.figures.net_prism_v or 0.0,
        standard=s.case.rules.tolerance_standard,
        kind=kind(s),
    )


def kind(s: Sums) -> tolerance.Kind:
    family = s.case.lens.design.family if s.case.lens.design else "single_vision"
    if family in SEGMENTED:
        return "multifocal"
    return "progressive" if family in ("progressive", "degressive") else "single vision"


def _prism_per_mm(horizontal: bool) -> Rule:
    def rule(s: Sums) -> Working:
        power = s.power
        make = consequence.prism_of_pd_error if horizontal else consequence.prism_of_height_error
        made = make(power, 1.0, s.eye)
        return Working(
            formula="F × 1 mm / 10, both parts of the power matrix",
            inputs=(Input("power", lens_text(power)),),
            steps=(
                f"{n(abs(made.base_in))} Δ horizontal, {n(abs(made.base_up))} Δ vertical",
                f"resultant {n(made.amount)} Δ",
            ),
            result=made.amount,
            unit="Δ",
            source="Prentice's rule by the full power matrix (Long 1976).",
        )

    return rule


def _shift_need(horizontal: bool) -> Rule:
    def rule(s: Sums) -> Working:
        limit, power = limits(s), s.power
        make = consequence.prism_of_pd_error if horizontal else consequence.prism_of_height_error
        made = make(power, 1.0, s.eye)
        reach = [
            allowed / abs(part)
            for part, allowed in ((made.base_in, limit.horizontal), (made.base_up, limit.vertical))
            if abs(part) > 1e-12
        ]
        found = min([*reach, consequence.SHIFT_MATTERS_MM])
        steps = [
            f"allowed: {n(limit.horizontal)} Δ horizontal, {n(limit.vertical)} Δ vertical",
            f"1 mm makes {n(abs(made.base_in))} Δ horizontal and {n(abs(made.base_up))} Δ vertical",
            f"{n(found)} mm until the first is reached"
            if found < consequence.SHIFT_MATTERS_MM
            else "no error that can happen reaches it",
        ]
        what = kind(s)
        if (horizontal and what == "progressive") or (not horizontal and what != "single vision"):
            found = min(found, POSITION_MM)
            steps.append(
                f"and no more than {n(POSITION_MM, 1)} mm for the place of the fitting cross or segment: {n(found)} mm"
            )
        return Working(
            formula="tolerance / prism made by 1 mm",
            inputs=(Input("power", lens_text(power)), Input("standard", s.case.rules.tolerance_standard)),
            steps=tuple(steps),
            result=found,
            unit="mm",
            source=f"{limit.source.text} ({limit.source.confidence}).",
            caution="For an error of this one measurement while all else is right.",
        )

    return rule


def vertex_need_mm(s: Sums) -> Working:
    power, fitted = s.power, number(s.case.fit.vertex_mm)
    at = 13.0 if fitted is None else fitted
    standard, what = s.case.rules.tolerance_standard, kind(s)
    allowed = tolerance.power_tolerance(power, standard, what)
    far = consequence.vertex_need(power, at, standard, what)
    found = consequence.VERTEX_MATTERS_MM if far is None else far
    change = consequence.power_of_vertex_error(power, at, found) if far is not None else None
    steps = [f"allowed: {n(allowed.principal)} D in each principal power, {n(allowed.cylinder)} D of cylinder"]
    steps.append(
        f"{n(found)} mm more makes {lens_text(change)}" if change is not None else "no error that can happen reaches it"
    )
    return Working(
        formula="greatest error that changes no principal power and no cylinder beyond its tolerance",
        inputs=(Input("power", lens_text(power)), Input("vertex distance", at, "mm"), Input("standard", standard)),
        steps=tuple(steps),
        result=found,
        unit="mm",
        source=f"{allowed.source.text} ({allowed.source.confidence}). Change of power: x F², exactly F/(1 − xF).",
    )


# --- of the pair -----------------------------------------------------------------------------------------------------


def _sum_of(name: str, unit: str, source: str) -> Rule:
    def rule(s: Sums) -> Working:
        r, left = known(getattr(s.figures.right, name)), known(getattr(s.figures.left, name))
        return Working(
            formula="right + left",
            inputs=(Input("right", r, unit), Input("left", left, unit)),
            steps=(f"{n(r)} + {n(left)} = {n(r + left)}",),
            result=r + left,
            unit=unit,
            source=source,
        )

    return rule


def box_centre_distance(s: Sums) -> Working:
    a, c = known(s.front.a), known(s.front.c)
    return Working(
        formula="a + d",
        inputs=(Input("a", a, "mm"), Input("distance between lenses d", c - a, "mm")),
        steps=(f"{n(a)} + {n(c - a)} = {n(c)}",),
        result=c,
        unit="mm",
        source="ISO 8624.",
    )


def _net(upright: bool) -> Rule:
    def rule(s: Sums) -> Working:
        right, left = s.figures.right.ordered, s.figures.left.ordered
        assert right is not None
        assert left is not None
        r, other = (right.prism_up, left.prism_up) if upright else (right.prism_in, left.prism_in)
        total = r - other if upright else r + other
        return Working(
            formula="right up − left up" if upright else "right in + left in",
            inputs=(Input(f"right, base {'up' if upright else 'in'}", r, "Δ"), Input("left", other, "Δ")),
            steps=(f"{n(r)} {'−' if upright else '+'} {n(other) if other >= 0 else f'({n(other)})'} = {n(total)}",),
            result=total,
            unit="Δ",
            source="ISO 21987 judges the pair: in adds to in, up against up cancels.",
        )

    return rule


def vertical_imbalance_near(s: Sums) -> Working:
    right, left_power = s.power_of_eye("right"), s.power_of_eye("left")
    assert right is not None
    assert left_power is not None
    insets = [e.near_inset or 0.0 for e in (s.figures.right, s.figures.left)]
    found = magnification.vertical_imbalance(
        right, left_power, READING_DROP_MM, right_inset_mm=insets[0], left_inset_mm=insets[1]
    )
    r, left = found.right.base_up, found.left.base_up
    return Working(
        formula="right − left vertical prism, F·d/10 at the reading point",
        inputs=(
            Input("right power", lens_text(right)),
            Input("left power", lens_text(left_power)),
            Input("reading level below the distance centres", READING_DROP_MM, "mm"),
            Input("near inset right", insets[0], "mm"),
            Input("near inset left", insets[1], "mm"),
        ),
        steps=(f"right {n(r)} Δ up, left {n(left)} Δ up", f"{n(r)} {plus(-left)} = {n(r - left)}"),
        result=r - left,
        unit="Δ",
        source="Prentice's rule by the full matrix. About 1 Δ is the most that is long borne (McCarthy, Optician CET).",
        caution="Prescribed prism is not in it. A client who lowers the chin uses a lesser drop; a slab-off lens takes it away.",
    )


def magnification_difference_percent(s: Sums) -> Working:
    r, left = known(s.figures.right.magnification_percent), known(s.figures.left.magnification_percent)
    total = ((1 + r / 100) / (1 + left / 100) - 1) * 100
    return Working(
        formula="100 × ((1 + R/100)/(1 + L/100) − 1)",
        inputs=(Input("right", r, "%"), Input("left", left, "%")),
        steps=(f"100 × ({n(1 + r / 100, 4)} / {n(1 + left / 100, 4)} − 1) = {n(total)} %",),
        result=total,
        unit="%",
        source="Ratio of spectacle magnifications; trouble from 3 to 5 % (from memory).",
        caution="Of spectacles against no spectacles. What the retina and the brain make of it differs.",
    )


def _tolerance(upright: bool) -> Rule:
    def rule(s: Sums) -> Working:
        limit = limits(s)
        value, basis = (limit.vertical, limit.vertical_basis) if upright else (limit.horizontal, limit.horizontal_basis)
        net = s.figures.net_prism_v if upright else s.figures.net_prism_h
        return Working(
            formula="from the table of the standard",
            inputs=(
                Input("right", lens_text(s.figures.right.ordered)),
                Input("left", lens_text(s.figures.left.ordered)),
                Input("prism ordered for the pair", net or 0.0, "Δ"),
                Input("standard", s.case.rules.tolerance_standard),
            ),
            steps=(basis, f"±{n(value)} Δ"),
            result=value,
            unit="Δ",
            source=f"{limit.source.text} ({limit.source.confidence}).",
            caution="The weaker lens of an unequal pair is taken; the standard's text was not at hand.",
        )

    return rule


RULES: dict[str, Rule] = {
    "chromatic_blur": chromatic_blur,
    "magnification_percent": magnification_percent,
    "image_jump": image_jump,
    "pd_need_mm": _shift_need(True),
    "height_need_mm": _shift_need(False),
    "vertex_need_mm": vertex_need_mm,
    "prism_per_mm_h": _prism_per_mm(True),
    "prism_per_mm_v": _prism_per_mm(False),
}
PAIR_RULES: dict[str, Rule] = {
    "binocular_far_pd": _sum_of("far_pd", "mm", "Sum of the adopted monocular values."),
    "binocular_near_pd": _sum_of("near_pd", "mm", "Sum of the adopted monocular values."),
    "box_centre_distance": box_centre_distance,
    "net_prism_h": _net(False),
    "net_prism_v": _net(True),
    "vertical_imbalance_near": vertical_imbalance_near,
    "magnification_difference_percent": magnification_difference_percent,
    "prism_tolerance_h": _tolerance(False),
    "prism_tolerance_v": _tolerance(True),
    "mass_g": _sum_of("mass_g", "g", "Sum of the two lenses, edged, without the frame."),
}
