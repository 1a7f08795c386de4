"""Workings of the lens's substance: curves, thickness, volume, mass."""

from __future__ import annotations

import math

from dispensing.figures.curves import from_table, minus_sphere
from dispensing.figures.substance import minima
from dispensing.figures.usual import Notes, number
from dispensing.optics import boxing, thickness
from dispensing.working.values import Input, Rule, Sums, Working, known, lens_text, n, plus, signed

SOURCE = "Exact sags r − √(r² − y²), back vertex power, true torus; worked examples and an independent optical design package agree."
CAUTION = "Spherical front and plain surfaces: an aspheric or progressive lens is thinner in places. The maker's own figures come first."


def front_curve(s: Sums) -> Working:
    given = number(s.case.lens.front_curve)
    if given is not None:
        return Working(
            formula="as stated",
            inputs=(Input("front curve stated", given, "D"),),
            steps=(f"{signed(given)} D",),
            result=given,
            unit="D",
            source="Recorded with the lens, in n = 1.53.",
        )
    power, design = s.power, s.case.lens.design
    steps = design.front_curves if design is not None else ()
    at = minus_sphere(power.sphere, power.cylinder)
    step = from_table(steps, at) if steps else None
    if step is not None and s.own.front_curve_by == "maker":
        return Working(
            formula="maker's table, by the sphere of the minus-cylinder form",
            inputs=(Input("sphere", at, "D"), Input("power", lens_text(power))),
            steps=(f"from {signed(step.sphere_from)} to {signed(step.sphere_to)} D: {signed(step.curve)} D",),
            result=step.curve,
            unit="D",
            source="The maker's table in the catalogue, for this design in this material. In n = 1.53.",
            caution="A power on the border of two steps is taken to the one that begins there; the lab may choose the other.",
        )
    mean = power.mean_sphere
    found = thickness.base_curve(power.sphere, power.cylinder)
    half = mean if mean > 0 else mean / 2
    return Working(
        formula="mean sphere + 6 (plus lens), half the mean sphere + 6 (minus lens)",
        inputs=(Input("mean sphere", mean, "D"),),
        steps=(
            f"{signed(half)} + 6 = {signed(half + 6)}",
            f"on the series of 0.25 between 0.50 and 12.00: {signed(found)} D",
        ),
        result=found,
        unit="D",
        source="Vogel's rule, from memory; common practice. In n = 1.53.",
        caution="The maker's own series decides, and the frame's curve.",
    )


def centre_thickness(s: Sums) -> Working:
    assert s.front.shape is not None
    least_centre, least_edge = minima(s.case, Notes())
    lens = s.lens
    edge = thickness.edge(lens, s.front.shape)
    inside = thickness.thinnest_inside(lens)
    by_edge = edge.thinnest - least_edge < inside - least_centre
    lens = thickness.least_lenses(
        [s.spec], s.front.shape.x, s.front.shape.y, min_centre=[least_centre], min_edge=[least_edge], extra=holes(s)
    )[0]
    return Working(
        formula="the least at which neither the centre nor the edge is under its minimum",
        inputs=(
            Input("least centre", least_centre, "mm"),
            Input("least edge", least_edge, "mm"),
            Input("power", lens_text(s.power)),
            Input("index", s.spec.index),
            Input("front curve", s.spec.front_curve, "D"),
        ),
        steps=(
            f"with {n(lens.centre)} mm at the centre the edge is {n(edge.thinnest)} mm at its thinnest",
            f"the {'edge' if by_edge else 'centre'} decides",
        ),
        result=lens.centre,
        unit="mm",
        source=SOURCE,
        caution=CAUTION,
    )


def holes(s: Sums) -> list[tuple[float, float]]:
    frame = s.case.frame
    if frame is None or frame.mount != "drilled":
        return []
    return [(p.x, p.y) for p in frame.drill_points if number(p.x) is not None and number(p.y) is not None]


def _at_point(s: Sums, x: float, y: float) -> tuple[tuple[Input, ...], tuple[str, ...], float]:
    lens = s.lens
    dx, dy = x - lens.at_x, y - lens.at_y
    away = math.hypot(dx, dy)
    front = thickness.sag(lens.front, away)
    wedge = lens.wedge_x * dx + lens.wedge_y * dy
    total = thickness.thickness_at(lens, x, y)
    back = total - lens.centre - wedge + front
    inputs = (
        Input("centre thickness", lens.centre, "mm"),
        Input("distance from the lens's centre", away, "mm"),
        Input("front radius", 1.0 / lens.front if lens.front else "plane", "mm" if lens.front else ""),
        Input("back radius along the axis", 1.0 / lens.back_along if lens.back_along else "plane", "mm"),
        Input("back radius across it", 1.0 / lens.back_across if lens.back_across else "plane", "mm"),
    )
    line = f"{n(lens.centre)} {plus(back)} {plus(-front)}" + (f" {plus(wedge)}" if wedge else "")
    steps = [f"front sag {n(front)} mm, back sag {n(back)} mm"]
    if wedge:
        steps.append(f"the prism adds {n(wedge)} mm there")
    steps.append(f"{line} = {n(total)}")
    return inputs, tuple(steps), total


def _edge(s: Sums, thick: bool) -> tuple[float, float, float]:
    assert s.front.shape is not None
    table = thickness.profiles([s.lens], s.front.shape.x, s.front.shape.y)[0]
    at = int(table.argmax() if thick else table.argmin())
    x, y = float(s.front.shape.x[at]), float(s.front.shape.y[at])
    return x, y, boxing.direction_deg(x, y)


def _extreme(thick: bool) -> Rule:
    def rule(s: Sums) -> Working:
        x, y, at = _edge(s, thick)
        inputs, steps, total = _at_point(s, x, y)
        return Working(
            formula="centre + back sag − front sag" + (" + wedge" if s.lens.wedge_x or s.lens.wedge_y else ""),
            inputs=inputs,
            steps=(f"at {n(at, 0)}° (0 nasal, 90 up), {n(x)} mm nasal and {n(y)} mm up of the boxed centre", *steps),
            result=total,
            unit="mm",
            source=SOURCE,
            caution=CAUTION,
        )

    return rule


def _where(thick: bool) -> Rule:
    def rule(s: Sums) -> Working:
        x, y, at = _edge(s, thick)
        return Working(
            formula="direction of that outline point from the boxed centre",
            inputs=(Input("point nasal", x, "mm"), Input("point up", y, "mm")),
            steps=(f"0° nasal, 90° up, 180° temporal: {n(at, 1)}°",),
            result=at,
            unit="°",
            source="The greatest and least of the thickness over every outline point.",
        )

    return rule


def edge_profile(s: Sums) -> Working:
    assert s.front.shape is not None
    table = thickness.profiles([s.lens], s.front.shape.x, s.front.shape.y)[0]
    low, high = float(table.min()), float(table.max())
    return Working(
        formula="centre + back sag − front sag, at every outline point",
        inputs=(Input("outline points", float(table.size)), Input("centre thickness", s.lens.centre, "mm")),
        steps=(f"from {n(low)} to {n(high)} mm",),
        result=tuple(table.tolist()),
        unit="mm",
        source=SOURCE,
        caution=CAUTION,
    )


def edge_at_drill_points(s: Sums) -> Working:
    found = [(x, y, _at_point(s, x, y)) for x, y in holes(s)]
    return Working(
        formula="centre + back sag − front sag, at each hole",
        inputs=tuple(Input(f"hole {i}: nasal, up", f"{n(x)}, {n(y)}", "mm") for i, (x, y, _) in enumerate(found, 1)),
        steps=tuple(f"hole {i}: {point[1][-1]} mm" for i, (_, _, point) in enumerate(found, 1)),
        result=tuple(point[2] for _, _, point in found),
        unit="mm",
        source=SOURCE + " Drilled lenses: 2.0 mm or more at the hole (common practice).",
        caution=CAUTION,
    )


def volume_mm3(s: Sums) -> Working:
    assert s.front.shape is not None
    size, total = boxing.area(s.front.shape), thickness.volume(s.lens, s.front.shape)
    return Working(
        formula="thickness summed over the area of the outline",
        inputs=(Input("area of the outline", size, "mm²"), Input("centre thickness", s.lens.centre, "mm")),
        steps=(f"mean thickness {n(total / size)} mm × {n(size, 0)} mm² = {n(total, 0)} mm³",),
        result=total,
        unit="mm³",
        source="Gauss quadrature over the outline; agrees with adaptive integration within 1 mm³.",
        caution=CAUTION,
    )


def mass_g(s: Sums) -> Working:
    material = s.case.lens.material
    assert material is not None
    volume = thickness.volume(s.lens, s.front.shape) if s.front.shape is not None else known(s.own.volume_mm3)
    total = volume * material.density / 1000
    return Working(
        formula="volume × density / 1000",
        inputs=(Input("volume", volume, "mm³"), Input(f"density of {material.name}", material.density, "g/cm³")),
        steps=(f"{n(volume, 0)} × {n(material.density)} / 1000 = {n(total)}",),
        result=total,
        unit="g",
        source="Density from the material's catalogue entry; makers differ by ±0.03 g/cm³.",
        caution="Edged, without segment or bevel. " + CAUTION,
    )


RULES: dict[str, Rule] = {
    "front_curve": front_curve,
    "centre_thickness": centre_thickness,
    "edge_thinnest": _extreme(False),
    "edge_thinnest_at_deg": _where(False),
    "edge_thickest": _extreme(True),
    "edge_thickest_at_deg": _where(True),
    "edge_profile": edge_profile,
    "edge_at_drill_points": edge_at_drill_points,
    "volume_mm3": volume_mm3,
    "mass_g": mass_g,
}
