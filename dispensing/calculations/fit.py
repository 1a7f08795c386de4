"""Vertex distance and tilt."""

from __future__ import annotations

from dispensing.calculations import pictures
from dispensing.calculations.registry import (
    EYE_INPUT,
    INDEX_INPUT,
    Answer,
    Inputs,
    Value,
    calculation,
    degrees_input,
    degrees_value,
    dioptres_value,
    exact_lens,
    lens_inputs,
    mm_input,
    mm_value,
    number,
    power_of,
    power_values,
    prism_value,
    put,
    signed,
    size_value,
)
from dispensing.optics.errors import OpticsError
from dispensing.optics.notation import format_prism_of
from dispensing.optics.thickness import base_curve
from dispensing.optics.tilt import (
    as_worn,
    as_worn_real,
    centre_drop,
    centre_shift,
    martin,
    power_to_order,
    to_order,
    total_tilt,
)
from dispensing.optics.vertex import approximate_change, compensate, curve_in_index, move

_TILT_SOURCE = "Keating 1995; Blendowske 2002; Harris 2002 (from memory); Martin's formulas as taught (Durham Technical Community College, oph142)"
_ANGLES = (
    degrees_input("pantoscopic", "Pantoscopic angle, as worn", -10, 30, 8.0, help="Bottom nearer the cheeks is positive."),
    degrees_input("face_form", "Face form angle, as worn", -10, 30, 5.0, help="Measured in the plane of the tilted front."),
)
_NOT_TWICE = "Find out whether the lab compensates: doing it twice is as wrong as not at all."


@calculation(
    "vertex-distance",
    group="fit",
    title="Change of vertex distance",
    inputs=(*lens_inputs(), mm_input("tested", "Tested at", 0, 40, 12.0), mm_input("fitted", "Fitted at", 0, 40, 14.0)),
    formula="F₂ = F₁/(1 − x·F₁),  x = (tested − fitted)/1000, in each principal meridian",
    source="Textbook; ISO 13666 (vertex distance, back vertex power)",
    cautions=(
        _NOT_TWICE,
        "A cylinder is not moved by itself: sphere and sphere + cylinder are, and the difference is the new cylinder.",
    ),
    example={"sphere": -10.0, "cylinder": 0.0, "tested": 12.0, "fitted": 15.0},
)
def vertex_distance(v: Inputs) -> Answer:
    """The power that does at the fitted distance what the tested power did at its own."""
    power, tested, fitted = power_of(v), v["tested"], v["fitted"]
    new = compensate(power, tested, fitted)
    x = (tested - fitted) / 1000.0
    working = [f"x = ({number(tested)} − {number(fitted)})/1000 = {number(x, 4)} m"]
    remarks = []
    for principal in power.principals if power.cylinder else power.principals[:1]:
        working.append(
            f"along {number(principal.meridian)}: {number(principal.power)}/(1 − {put(x, 4)}·{put(principal.power)}) = "
            f"{signed(move(principal.power, tested, fitted))} D"
        )
    greatest = power.strongest.power
    change = move(greatest, tested, fitted) - greatest
    working.append(
        f"rule of thumb: change = x·F² = {signed(approximate_change(greatest, tested, fitted))} D (exact {signed(change)})"
    )
    if abs(change) < 0.06:
        remarks.append("Less than half of an eighth of a dioptre: too little to order.")
    return Answer(
        values=(*power_values(new), dioptres_value("change", "Change, strongest meridian", change)),
        working=tuple(working),
        remarks=tuple(remarks),
        picture=pictures.eye_and_lens(
            ((tested, f"tested {number(tested)} mm", False), (fitted, f"fitted {number(fitted)} mm", True)),
            f"The lens at {number(tested)} mm and at {number(fitted)} mm from the eye.",
        ),
    )


@calculation(
    "tilt",
    group="fit",
    title="Pantoscopic angle and face form",
    inputs=(EYE_INPUT, *lens_inputs(), *_ANGLES, INDEX_INPUT, mm_input("thickness", "Centre thickness", 0.5, 20, 2.0)),
    formula="as worn = k·A⁻¹·F·A⁻¹,  ordered = A·F·A/k;  A = diag(1, cos T),  cos T = cos(pantoscopic)·cos(face form),  k = (n·cos T′ − cos T)/(n − 1),  sin T′ = sin T/n",
    source=_TILT_SOURCE,
    cautions=(
        _NOT_TWICE,
        "Face form is measured in the plane of the tilted front; then the front is tilted. The other order turns the axis by up to 3°.",
        "Angles are those as worn on this face, not the frame's own.",
    ),
    example={
        "eye": "right",
        "sphere": -6.0,
        "cylinder": -1.0,
        "axis": 20,
        "pantoscopic": 12.0,
        "face_form": 8.0,
        "index": 1.6,
    },
)
def tilt(v: Inputs) -> Answer:
    """What an uncompensated lens gives when it is worn tilted, and what to order so that the prescribed power reaches the eye."""
    power, eye, index = power_of(v), v["eye"], v["index"]
    panto, face = v["pantoscopic"], v["face_form"]
    worn, order = as_worn(power, panto, face, index, eye), to_order(power, panto, face, index, eye)
    total = total_tilt(panto, face)
    curve = base_curve(power.sphere, power.cylinder)
    values = [
        *power_values(worn, "worn_", "as worn, if ordered as prescribed"),
        *power_values(order, "order_", "to order"),
        degrees_value("total", "Total tilt", total),
        size_value("error", "Wrong by, if not compensated", (worn - power).vector().length),
    ]
    remarks = []
    try:
        real = as_worn_real(
            power, panto, face, front=curve_in_index(curve, index), thickness_mm=v["thickness"], index=index, eye=eye
        )
        values += [
            Value("traced", "As worn, real lens traced", exact_lens(real.power)),
            prism_value("prism", "Prism the tilt makes", real.prism.amount),
        ]
        if real.prism.amount >= 0.05:
            remarks.append(f"The tilt itself makes {format_prism_of(real.prism)} with the optical centre before the pupil.")
    except OpticsError as lost:
        remarks.append(f"No trace: {lost.why}")
    rule = martin(power.mean_sphere, min(total, 45.0), index)
    return Answer(
        values=tuple(values),
        working=(
            f"cos T = cos {number(panto)}·cos {number(face)}, T = {number(total)}°",
            f"prescribed {exact_lens(power)} worn so gives {exact_lens(worn)}",
            f"to give {exact_lens(power)}, order {exact_lens(order)}",
            f"Martin's rule on the mean sphere alone: {signed(rule.sphere)} with {signed(rule.cylinder)} induced",
            f"trace: front curve {number(curve)} D (n = 1.53), {number(v['thickness'])} mm thick",
        ),
        remarks=tuple(remarks),
        picture=pictures.eye_and_lens(((13.0, "", True),), f"A lens tilted by {number(panto)} degrees.", panto),
    )


@calculation(
    "power-to-order",
    group="fit",
    title="Power to order for this fit",
    inputs=(
        EYE_INPUT,
        *lens_inputs(),
        mm_input("tested", "Tested at", 0, 40, 12.0),
        mm_input("fitted", "Fitted at", 0, 40, 14.0),
        *_ANGLES,
        INDEX_INPUT,
    ),
    formula="first F/(1 − x·F) in each principal meridian, then A·F·A/k",
    source=_TILT_SOURCE,
    cautions=(_NOT_TWICE, "Tolerances hold for the power ordered, not for the one prescribed."),
    example={
        "eye": "left",
        "sphere": -8.0,
        "cylinder": -2.0,
        "axis": 160,
        "tested": 12.0,
        "fitted": 14.0,
        "pantoscopic": 10.0,
        "face_form": 8.0,
        "index": 1.67,
    },
)
def to_be_ordered(v: Inputs) -> Answer:
    """Vertex distance and both tilts together: prescribed power in, ordered power out."""
    power, eye = power_of(v), v["eye"]
    moved = compensate(power, v["tested"], v["fitted"])
    order = power_to_order(
        power,
        pantoscopic=v["pantoscopic"],
        face_form=v["face_form"],
        index=v["index"],
        eye=eye,
        fitted_vertex_mm=v["fitted"],
        tested_vertex_mm=v["tested"],
    )
    return Answer(
        values=(
            *power_values(order),
            size_value("change", "Differs from the prescription by", (order - power).vector().length),
        ),
        working=(
            f"at {number(v['fitted'])} mm: {exact_lens(power)} → {exact_lens(moved)}",
            f"for {number(v['pantoscopic'])}° and {number(v['face_form'])}°: {exact_lens(moved)} → {exact_lens(order)}",
        ),
        picture=pictures.eye_and_lens(
            (
                (v["tested"], f"tested {number(v['tested'])} mm", False),
                (v["fitted"], f"fitted {number(v['fitted'])} mm", True),
            ),
            "The lens as tested and as fitted.",
            v["pantoscopic"],
        ),
    )


@calculation(
    "centre-drop",
    group="fit",
    title="Drop of the optical centre",
    inputs=(*_ANGLES, mm_input("rotation_centre", "Lens to centre of rotation", 20, 40, 27.0)),
    formula="drop = s·tan θ straight down, s·sin θ along the lens;  rule: 1 mm for 2°",
    source="Textbook; rule of thumb (Brooks & Borish; Jalie; from memory)",
    cautions=("For single-vision lenses; a progressive is placed by its fitting cross.",),
    example={"pantoscopic": 10.0, "face_form": 0.0},
)
def drop(v: Inputs) -> Answer:
    """How far below the pupil the optical centre goes so that the lens axis passes the eye's centre of rotation."""
    found, s = centre_drop(v["pantoscopic"], v["rotation_centre"]), v["rotation_centre"]
    shift = centre_shift(v["pantoscopic"], v["face_form"], s)
    return Answer(
        values=(
            mm_value("drop", "Drop, straight down", found.vertical),
            mm_value("along_lens", "Drop, along the lens", found.along_lens),
            mm_value("rule", "Rule of thumb", found.rule),
            mm_value("out", "Shift out, for face form", -shift.x),
        ),
        working=(
            f"{number(s)}·tan {number(v['pantoscopic'])} = {number(found.vertical)} mm;  {number(s)}·sin {number(v['pantoscopic'])} = {number(found.along_lens)} mm",
            f"rule: {number(v['pantoscopic'])}/2 = {number(found.rule)} mm",
        ),
        remarks=("Opinion is divided on shifting centres for face form.",) if v["face_form"] else (),
        picture=pictures.eye_and_lens(
            ((13.0, "", True),), f"A lens tilted by {number(v['pantoscopic'])} degrees.", v["pantoscopic"]
        ),
    )
