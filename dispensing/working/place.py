"""Workings of where the lens goes: PDs, decentration, heights, the blank, near."""

from __future__ import annotations

from dispensing.case import SEGMENTED
from dispensing.figures.place import cross_above, rotation_mm
from dispensing.figures.powers import near_only
from dispensing.figures.usual import SEGMENT_BELOW_BLANK_CENTRE_MM, WORKING_MM, number
from dispensing.optics import boxing, heights, near
from dispensing.working.values import Input, Rule, Sums, Working, known, less, n, plus

BOXING = "Boxing system, ISO 8624; terms ISO 13666."
REFERENCE_WORDS = {
    "box": "above the lower box tangent",
    "rim_below_pupil": "above the rim straight below the pupil",
    "visible_rim": "above the visible rim straight below the pupil",
    "datum": "above the datum line",
}


def _working_mm(s: Sums) -> float:
    found = number(s.case.needs.working_distance_mm)
    return WORKING_MM if found is None else found


def _adopted(quantity: str) -> Rule:
    def rule(s: Sums) -> Working:
        value = known(getattr(s.adopted, quantity))
        readings = [r for r in s.case.measurements.readings if r.quantity == quantity and r.eye == s.eye]
        return Working(
            formula="the value adopted from the readings",
            inputs=tuple(Input(f"reading {i}", r.value, "mm") for i, r in enumerate(readings, 1)),
            steps=(f"{n(value)} mm adopted from {len(readings)} readings" if readings else f"{n(value)} mm adopted",),
            result=value,
            unit="mm",
            source="Measured; chosen by the dispenser and recorded.",
            caution="A PD belongs to the face, a height to this frame in this fit.",
        )

    return rule


def near_pd_computed(s: Sums) -> Working:
    far, w, r = known(s.own.far_pd), _working_mm(s), rotation_mm(s.case)
    inset = near.inset(far, w, 0.0, r)
    return Working(
        formula="near PD = PD − PD / (1 + w/s)",
        inputs=(
            Input("far PD", far, "mm"),
            Input("working distance w", w, "mm"),
            Input("lens to centre of rotation s", r, "mm"),
        ),
        steps=(f"inset {n(far)} / (1 + {n(w, 0)}/{n(r, 1)}) = {n(inset)}", f"{n(far)} − {n(inset)} = {n(far - inset)}"),
        result=far - inset,
        unit="mm",
        source="Lines of sight through the centres of rotation, straight-line geometry; table form: Jalie (from memory).",
        caution="Without a lens before the eye. A client who converges unusually needs the near PD measured.",
    )


def near_inset(s: Sums) -> Working:
    design = s.case.lens.design
    if design is not None and design.near_inset_mm is not None:
        return Working(
            formula="as the design has it",
            inputs=(Input("inset of the design", design.near_inset_mm, "mm"),),
            steps=(f"{n(design.near_inset_mm)} mm fixed by the design",),
            result=design.near_inset_mm,
            unit="mm",
            source="The maker's statement, from the lens catalogue.",
        )
    far, w, r = known(s.own.far_pd), _working_mm(s), rotation_mm(s.case)
    near_pair = near_only(s.case.needs, s.case.lens)
    power = 0.0 if near_pair else s.power.horizontal
    below = 1.0 + w * (1.0 / r - power / 1000.0)
    return Working(
        formula="inset = PD / (1 + w (1/s − F))",
        inputs=(
            Input("far PD", far, "mm"),
            Input("working distance w", w, "mm"),
            Input("lens to centre of rotation s", r, "mm"),
            Input("power F along the horizontal", power, "D"),
        ),
        steps=(
            f"1 + {n(w, 0)} (1/{n(r, 1)} {less(power / 1000, 5)}) = {n(below, 3)}",
            f"{n(far)} / {n(below, 3)} = {n(far / below)}",
        ),
        result=far / below,
        unit="mm",
        source="Ellerbrock 1948, as reported in Brooks & Borish (from memory); the same by an exact ray trace.",
        caution="Thin lens. A real lens of +10.00 D needs 0.2 mm more, a minus lens no more than 0.02 mm."
        if not near_pair
        else "A near pair is centred at the near point, so its power does not count.",
    )


def decentration_in(s: Sums) -> Working:
    c = known(s.front.c)
    near_pair = near_only(s.case.needs, s.case.lens)
    own = s.own
    pd = own.far_pd
    label = "monocular PD"
    if near_pair:
        pd = own.near_pd if own.near_pd is not None else own.near_pd_computed
        label = "near monocular PD"
    pd = known(pd)
    a = known(s.front.a)
    return Working(
        formula="(a + d)/2 − PD",
        inputs=(Input("a", a, "mm"), Input("distance between lenses d", c - a, "mm"), Input(label, pd, "mm")),
        steps=(f"({n(a)} + {n(c - a)})/2 = {n(c / 2)}", f"{n(c / 2)} − {n(pd)} = {n(c / 2 - pd)}"),
        result=0.5 * c - pd,
        unit="mm",
        source=BOXING,
        caution="Positive: inwards. More than 5 mm an eye is worth a narrower frame (common practice).",
    )


def decentration_up(s: Sums) -> Working:
    height, b = known(s.own.height_box), known(s.front.b)
    return Working(
        formula="height − b/2",
        inputs=(Input("height above the lower box tangent", height, "mm"), Input("b", b, "mm")),
        steps=(f"{n(height)} − {n(b)}/2 = {n(height - b / 2)}",),
        result=height - 0.5 * b,
        unit="mm",
        source=BOXING,
    )


def height_box(s: Sums) -> Working:
    value, reference = known(s.adopted.height), s.adopted.height_reference
    inputs = [Input(f"height {REFERENCE_WORDS[reference]}", value, "mm")]
    steps, total = [f"{n(value)} mm as read"], value
    if reference == "datum":
        b = known(s.front.b)
        inputs.append(Input("b", b, "mm"))
        total = value + 0.5 * b
        steps.append(f"{n(value)} + {n(b)}/2 = {n(total)}")
    elif reference != "box":
        assert s.front.shape is not None
        x = known(s.own.decentration_in)
        rim = heights.rim_above_tangent(s.front.shape, x)
        inputs += [Input("pupil nasal of the boxed centre", x, "mm"), Input("rim there above the lower tangent", rim, "mm")]
        total = value + rim
        line = f"{n(value)} + {n(rim)}"
        if reference == "visible_rim":
            inputs.append(Input("groove", s.front.groove, "mm"))
            total += s.front.groove
            line += f" + {n(s.front.groove)}"
        steps.append(f"{line} = {n(total)}")
    formula = {
        "box": "as read: the box is its reference",
        "datum": "height + b/2",
        "rim_below_pupil": "height + rim below the pupil above the lower tangent",
        "visible_rim": "height + rim below the pupil above the lower tangent + groove",
    }[reference]
    return Working(
        formula=formula,
        inputs=tuple(inputs),
        steps=tuple(steps),
        result=total,
        unit="mm",
        source=BOXING + " Rim by the outline, exactly. Groove allowance: common practice.",
        caution="The lab reads heights from the box. A height to the rim below the pupil is less on a shaped rim.",
    )


def height_rim(s: Sums) -> Working:
    height, x = known(s.own.height_box), known(s.own.decentration_in)
    assert s.front.shape is not None
    rim = heights.rim_above_tangent(s.front.shape, x)
    return Working(
        formula="height − rim below the pupil above the lower tangent",
        inputs=(
            Input("height above the lower box tangent", height, "mm"),
            Input("pupil nasal of the boxed centre", x, "mm"),
            Input("rim there above the lower tangent", rim, "mm"),
        ),
        steps=(f"{n(height)} − {n(rim)} = {n(height - rim)}",),
        result=height - rim,
        unit="mm",
        source=BOXING + " The vertical through the pupil is cut with the outline.",
    )


def height_datum(s: Sums) -> Working:
    found = decentration_up(s)
    return Working(
        formula=found.formula,
        inputs=found.inputs,
        steps=found.steps,
        result=found.result,
        unit="mm",
        source=BOXING,
    )


def _cuts(s: Sums) -> tuple[tuple[float, ...], float, float]:
    assert s.front.shape is not None
    x, y = known(s.own.decentration_in), known(s.own.decentration_up)
    return boxing.vertical_cuts(s.front.shape, x), x, y


def point_inside(s: Sums) -> Working:
    cuts, x, y = _cuts(s)
    inside = sum(cut > y for cut in cuts) % 2 == 1
    where = f"the outline is met at {', '.join(n(c) for c in cuts)}" if cuts else "the line passes beside the outline"
    return Working(
        formula="the vertical through the point meets the outline once above it",
        inputs=(Input("fitting point nasal", x, "mm"), Input("fitting point up", y, "mm")),
        steps=(f"at {n(x)} mm nasal {where} mm; the point is at {n(y)}", "inside" if inside else "outside"),
        result=inside,
        source="Geometry of the outline.",
    )


def room_above(s: Sums) -> Working:
    cuts, _, y = _cuts(s)
    edge = min(cut for cut in cuts if cut > y)
    return Working(
        formula="outline straight above − fitting point",
        inputs=(
            Input("outline above, from the datum line", edge, "mm"),
            Input("fitting point, from the datum line", y, "mm"),
        ),
        steps=(f"{n(edge)} {less(y)} = {n(edge - y)}",),
        result=edge - y,
        unit="mm",
        source="Geometry of the outline.",
    )


def room_below(s: Sums) -> Working:
    cuts, _, y = _cuts(s)
    edge = max(cut for cut in cuts if cut <= y)
    return Working(
        formula="fitting point − outline straight below",
        inputs=(
            Input("fitting point, from the datum line", y, "mm"),
            Input("outline below, from the datum line", edge, "mm"),
        ),
        steps=(f"{n(y)} {less(edge)} = {n(y - edge)}",),
        result=y - edge,
        unit="mm",
        source="Geometry of the outline.",
    )


def reference_x(s: Sums) -> Working:
    x = known(s.own.decentration_in)
    return Working(
        formula="decentration in",
        inputs=(Input("decentration in", x, "mm"),),
        steps=(f"{n(x)} mm",),
        result=x,
        unit="mm",
        source="Optical centre, or prism reference point, before the pupil (ISO 13666).",
    )


def reference_y(s: Sums) -> Working:
    up, design = s.own.decentration_up, s.case.lens.design
    family = design.family if design else "single_vision"
    if up is None:
        return Working(
            formula="on the datum line, no height being on record",
            steps=("0.00 mm",),
            result=0.0,
            unit="mm",
            source="Common practice: the lab's usual height.",
        )
    offset, word = 0.0, ""
    if family in ("progressive", "degressive") and design is not None:
        offset, word = -cross_above(design), "fitting cross above the prism reference point"
    elif family in SEGMENTED:
        offset, word = SEGMENT_BELOW_BLANK_CENTRE_MM, "segment top below the blank's centre"
    inputs = [Input("fitting point above the datum line", up, "mm")]
    if offset:
        inputs.append(Input(word, abs(offset), "mm"))
    return Working(
        formula="fitting point above the datum line" + (f" {'−' if offset < 0 else '+'} {word}" if offset else ""),
        inputs=tuple(inputs),
        steps=(f"{n(up)} {plus(offset)} = {n(up + offset)}" if offset else f"{n(up)} mm",),
        result=up + offset,
        unit="mm",
        source="The maker's sheet for the design; the segment's place in the blank is common practice.",
    )


def blank_needed(s: Sums) -> Working:
    assert s.front.shape is not None
    x, y = known(s.own.reference_x), known(s.own.reference_y)
    uncut = boxing.minimum_uncut(s.front.shape, x, y)
    away = 0.5 * uncut.diameter
    return Working(
        formula="2 × greatest distance from the lens's centre to the outline",
        inputs=(
            Input("centre nasal", x, "mm"),
            Input("centre up", y, "mm"),
            Input("farthest outline point nasal", uncut.at_x, "mm"),
            Input("farthest outline point up", uncut.at_y, "mm"),
        ),
        steps=(
            f"√(({n(uncut.at_x)} {less(x)})² + ({n(uncut.at_y)} {less(y)})²) = {n(away)}",
            f"2 × {n(away)} = {n(uncut.diameter)}",
        ),
        result=uncut.diameter,
        unit="mm",
        source="Geometry of the outline, exact. No allowance for edging is in it.",
        caution="A round blank centred at the lens's centre is assumed. Add what the lab needs for edging, commonly 1 to 2 mm.",
    )


def blank_rule(s: Sums) -> Working:
    ed, x = known(s.front.ed), known(s.own.reference_x)
    total = boxing.blank_rule(ed, x)
    return Working(
        formula="effective diameter + 2 × decentration + 2",
        inputs=(Input("effective diameter", ed, "mm"), Input("decentration, either way", abs(x), "mm")),
        steps=(f"{n(ed)} + 2 × {n(abs(x))} + 2 = {n(total)}",),
        result=total,
        unit="mm",
        source="Common practice.",
        caution="It knows neither the shape nor a vertical decentration: up to several millimetres out either way.",
    )


def blank_needs_at_deg(s: Sums) -> Working:
    assert s.front.shape is not None
    uncut = boxing.minimum_uncut(s.front.shape, known(s.own.reference_x), known(s.own.reference_y))
    return Working(
        formula="direction of the farthest outline point from the boxed centre",
        inputs=(Input("point nasal", uncut.at_x, "mm"), Input("point up", uncut.at_y, "mm")),
        steps=(f"0° nasal, 90° up, 180° temporal: {n(uncut.at_deg, 1)}°",),
        result=uncut.at_deg,
        unit="°",
        source="Geometry of the outline.",
    )


def segment_top_below_pupil(s: Sums) -> Working:
    pupil, top = known(s.adopted.pupil_height), known(s.own.height_box)
    return Working(
        formula="pupil height − segment top height",
        inputs=(Input("pupil above the lower box tangent", pupil, "mm"), Input("segment top above it", top, "mm")),
        steps=(f"{n(pupil)} − {n(top)} = {n(pupil - top)}",),
        result=pupil - top,
        unit="mm",
        source="Both heights from the box, ISO 8624. Usual: 5 to 7 mm in an adult, common practice.",
    )


def corridor_end_height(s: Sums) -> Working:
    design = s.case.lens.design
    assert design is not None
    height, corridor = known(s.own.height_box), known(design.corridor_mm)
    return Working(
        formula="fitting height − corridor",
        inputs=(Input("fitting height", height, "mm"), Input("corridor", corridor, "mm")),
        steps=(f"{n(height)} − {n(corridor)} = {n(height - corridor)}",),
        result=height - corridor,
        unit="mm",
        source="The maker's corridor length; a usable reading area needs some 4 to 5 mm below it (common practice).",
    )


RULES: dict[str, Rule] = {
    "far_pd": _adopted("far_pd"),
    "near_pd": _adopted("near_pd"),
    "near_pd_computed": near_pd_computed,
    "height_box": height_box,
    "height_rim": height_rim,
    "height_datum": height_datum,
    "decentration_in": decentration_in,
    "decentration_up": decentration_up,
    "point_inside": point_inside,
    "room_above": room_above,
    "room_below": room_below,
    "reference_x": reference_x,
    "reference_y": reference_y,
    "blank_needed": blank_needed,
    "blank_rule": blank_rule,
    "blank_needs_at_deg": blank_needs_at_deg,
    "near_inset": near_inset,
    "segment_top_below_pupil": segment_top_below_pupil,
    "corridor_end_height": corridor_end_height,
}
