"""Workings of powers: prescribed, ordered, at the eye, wanted; prism."""

from __future__ import annotations

from typing import Any

from dispensing.case import OrderedPower
from dispensing.figures.place import cross_above
from dispensing.figures.powers import near_only, prescribed_power, worn_at
from dispensing.figures.usual import Notes, thinning
from dispensing.optics import tilt, vertex
from dispensing.optics.power import Power
from dispensing.optics.prism import prism_at
from dispensing.working.values import Input, Rule, Sums, Working, d, lens_text, n, order_text, plus, power_of

COMPENSATION = (
    "Vertex distance: F/(1 − xF) in each principal meridian. Tilts: matrix form, face form measured in the plane of the tilted front "
    "(Keating 1995; Blendowske 2002; Harris 2002); checked by an exact ray trace."
)


def ordered(s: Sums) -> Working:
    stated = s.case.lens.ordered(s.eye)
    order = s.own.ordered
    assert order is not None
    if stated is not None:
        who = {"none": "", "practice": " (compensated by the practice)", "maker": " (compensated by the maker)"}
        steps = (f"stated for the order{who[s.case.lens.compensation]}: {order_text(stated)}",)
        return Working(
            formula="as stated for the order",
            inputs=(Input("stated", order_text(stated)),),
            steps=steps,
            result=stated,
            source="Recorded with the lens. Tolerances hold for what is ordered (ISO 21987).",
        )
    assert s.case.prescription is not None
    rx = s.case.prescription.of(s.eye)
    power = s.prescribed
    steps = (f"as prescribed: {order_text(order)}",)
    inputs = [Input("prescribed", lens_text(Power(rx.sphere or 0.0, rx.cylinder or 0.0, rx.axis or 180.0)))]
    if near_only(s.case.needs, s.case.lens):
        extra = power.sphere - (rx.sphere or 0.0)
        inputs.append(Input("addition for this distance", extra, "D"))
        steps = (f"near pair: {d(rx.sphere)} {plus(extra)} = {d(power.sphere)} sphere; {order_text(order)}",)
    return Working(
        formula="the prescription" + (" with its near addition" if len(inputs) > 1 else ""),
        inputs=tuple(inputs),
        steps=steps,
        result=OrderedPower(
            sphere=power.sphere,
            cylinder=power.cylinder,
            axis=power.axis if power.cylinder else None,
            prism_in=order.prism_in,
            prism_up=order.prism_up,
            add=order.add,
        ),
        source="The prescription as written.",
        caution="Nothing is compensated: see the power this fit asks for.",
    )


def _fit_inputs(how: dict[str, Any]) -> tuple[Input, ...]:
    return (
        Input("vertex distance of the test", how["tested_vertex_mm"], "mm"),
        Input("vertex distance as worn", how["fitted_vertex_mm"], "mm"),
        Input("pantoscopic angle", how["pantoscopic"], "°"),
        Input("face form angle", how["face_form"], "°"),
        Input("refractive index", how["index"]),
    )


def _how(s: Sums, *powers: Power) -> dict[str, Any]:
    how, _ = worn_at(s.case, s.eye, max(abs(p.strongest.power) for p in powers), Notes())
    assert how is not None
    return how


def _as_order(power: Power, like: OrderedPower) -> OrderedPower:
    return OrderedPower(
        sphere=power.sphere,
        cylinder=power.cylinder,
        axis=power.axis if power.cylinder else None,
        prism_in=like.prism_in,
        prism_up=like.prism_up,
        add=like.add,
    )


def at_eye(s: Sums) -> Working:
    order = s.own.ordered
    assert order is not None
    lens = power_of(order)
    asked = prescribed_power(s.case, s.eye)
    how = _how(s, lens, asked) if asked else _how(s, lens)
    worn = tilt.as_worn(lens, how["pantoscopic"], how["face_form"], how["index"], s.eye)
    moved = vertex.compensate(worn, how["fitted_vertex_mm"], how["tested_vertex_mm"])
    return Working(
        formula="ordered power → tilted as worn → stated at the vertex distance of the test",
        inputs=(Input("ordered", lens_text(lens)), *_fit_inputs(how)),
        steps=(
            f"tilted by {n(tilt.total_tilt(how['pantoscopic'], how['face_form']), 1)}° in all: {lens_text(worn)}",
            f"from {n(how['fitted_vertex_mm'], 1)} to {n(how['tested_vertex_mm'], 1)} mm: {lens_text(moved)}",
        ),
        result=_as_order(moved, order),
        source=COMPENSATION,
        caution="Straight ahead, thin lens; prism is left as ordered. Hold it against the prescription.",
    )


def expected(s: Sums) -> Working:
    found = s.own.expected
    assert found is not None
    asked = s.prescribed
    how = _how(s, asked, s.power)
    moved = vertex.compensate(asked, how["tested_vertex_mm"], how["fitted_vertex_mm"])
    order = tilt.to_order(moved, how["pantoscopic"], how["face_form"], how["index"], s.eye)
    return Working(
        formula="prescription → moved to the vertex distance as worn → compensated for the tilts",
        inputs=(Input("prescribed", lens_text(asked)), *_fit_inputs(how)),
        steps=(
            f"from {n(how['tested_vertex_mm'], 1)} to {n(how['fitted_vertex_mm'], 1)} mm: {lens_text(moved)}",
            f"for {n(tilt.total_tilt(how['pantoscopic'], how['face_form']), 1)}° of tilt in all: {lens_text(order)}",
        ),
        result=_as_order(order, found),
        source=COMPENSATION,
        caution="Order it only where the maker does not compensate too: never both. Where the maker states values, those come first.",
    )


def principal_max(s: Sums) -> Working:
    power = s.power
    a, b = power.sphere, power.sphere + power.cylinder
    best = power.strongest.power
    return Working(
        formula="of sphere and sphere + cylinder, the greater in size",
        inputs=(Input("sphere", power.sphere, "D"), Input("cylinder", power.cylinder, "D")),
        steps=(f"{d(a)} along the axis, {d(b)} across it", d(best)),
        result=a if abs(a) >= abs(b) else b,
        unit="D",
        source="ISO 21987 looks up its tolerances by it.",
    )


def vertical_power(s: Sums) -> Working:
    power = s.power
    f22 = power.vertical
    return Working(
        formula="S + C cos² A",
        inputs=(Input("sphere", power.sphere, "D"), Input("cylinder", power.cylinder, "D"), Input("axis", power.axis, "°")),
        steps=(f"{d(power.sphere)} + ({d(power.cylinder)}) cos² {n(power.axis, 1)}° = {d(f22)}",),
        result=f22,
        unit="D",
        source="Sine-squared law; f22 of the dioptric power matrix (Long 1976).",
    )


def _prism(s: Sums, upright: bool) -> Working:
    order, design = s.own.ordered, s.case.lens.design
    assert order is not None
    word = "up" if upright else "in"
    total = order.prism_up if upright else order.prism_in
    inputs = [Input(f"ordered prism, base {word}", total, "Δ")]
    steps = [f"{n(total)} Δ ordered"]
    thinned = thinning(s.case) if upright else 0.0
    if thinned:
        inputs.append(Input("prism thinning, base down", thinned, "Δ"))
        steps.append(f"{n(total)} − {n(thinned)} = {n(total - thinned)}")
        total -= thinned
    if design is not None and design.family in ("progressive", "degressive"):
        up = cross_above(design)
        made = prism_at(s.power, 0.0, up, s.eye)
        here = made.base_up if upright else made.base_in
        inputs += [Input("fitting cross above the prism reference point", up, "mm"), Input("power", lens_text(s.power))]
        steps.append(f"the power makes {n(here)} Δ base {word} {n(up, 1)} mm above the prism reference point")
        steps.append(f"{n(total)} {plus(here)} = {n(total + here)}")
        total += here
    return Working(
        formula="ordered" + (" − thinning" if thinned else "") + (" + F·d/10" if len(inputs) > 2 else ""),
        inputs=tuple(inputs),
        steps=tuple(steps),
        result=total,
        unit="Δ",
        source="Prentice's rule by the full power matrix (Long 1976).",
        caution="Of a lens made and mounted without error.",
    )


def prism_in(s: Sums) -> Working:
    return _prism(s, False)


def prism_up(s: Sums) -> Working:
    return _prism(s, True)


RULES: dict[str, Rule] = {
    "ordered": ordered,
    "at_eye": at_eye,
    "expected": expected,
    "principal_max": principal_max,
    "vertical_power": vertical_power,
    "prism_in": prism_in,
    "prism_up": prism_up,
}
