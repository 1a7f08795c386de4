"""Consequence and need; tolerances."""

from __future__ import annotations

from dispensing.calculations.registry import (
    EYE_INPUT,
    INDEX_INPUT,
    STANDARD_INPUT,
    Answer,
    Input,
    Inputs,
    Value,
    calculation,
    degrees_input,
    exact_lens,
    lens_inputs,
    mm_input,
    number,
    power_of,
    prism_value,
    size_value,
)
from dispensing.optics.consequence import (
    power_of_tilt_error,
    power_of_vertex_error,
    prism_of_height_error,
    prism_of_pd_error,
    shift_need,
    tilt_need,
    vertex_need,
)
from dispensing.optics.notation import format_prism_of
from dispensing.optics.tolerance import add_tolerance, axis_tolerance, pair_prism_tolerance, power_tolerance

_KIND = Input(
    name="kind",
    label="Lens",
    kind="choice",
    default="single vision",
    choices=(("single vision", "single vision"), ("multifocal", "bifocal or trifocal"), ("progressive", "progressive")),
)
_FEED = Input(
    name="feed",
    label="Of an unequal pair, take",
    kind="choice",
    default="weaker",
    choices=(("weaker", "the weaker lens"), ("stronger", "the stronger lens"), ("mean", "the mean")),
    help="Not settled in any text seen; the weaker lens is the stricter reading.",
)
_UNSEEN = "Figures of the standard are from memory or summaries: check them against a bought copy before relying on one."


@calculation(
    "measurement-error",
    group="need",
    title="What a measuring error does",
    inputs=(
        EYE_INPUT,
        *lens_inputs(),
        mm_input("pd_error", "PD too great by", -15, 15, 1.0),
        mm_input("height_error", "Height too great by", -15, 15, 1.0),
        mm_input("vertex", "Vertex distance ordered for", 5, 30, 13.0),
        mm_input("vertex_error", "Worn further from the eye by", -10, 15, 2.0),
        degrees_input("pantoscopic", "Pantoscopic angle ordered for", -5, 25, 8.0),
        degrees_input("pantoscopic_error", "Worn tilted more by", -15, 15, 3.0),
        degrees_input("face_form", "Face form ordered for", -5, 25, 5.0),
        degrees_input("face_form_error", "Worn wrapped more by", -15, 15, 0.0),
        INDEX_INPUT,
    ),
    formula="prism of a shift = F·shift/10 (full matrix);  power of a vertex error = F/(1 − x·F) − F;  power of a tilt error by the matrix form",
    source="From the formulas of prism, vertex distance and tilt",
    cautions=("Each error by itself; several at once can add up.",),
    example={"eye": "right", "sphere": -7.0, "cylinder": -1.0, "axis": 20, "pd_error": 2.3},
)
def measurement_error(v: Inputs) -> Answer:
    """Prism and power error that an error of PD, height, vertex distance or tilt makes with this lens."""
    power, eye = power_of(v), v["eye"]
    pd, height = prism_of_pd_error(power, v["pd_error"], eye), prism_of_height_error(power, v["height_error"], eye)
    vertex = power_of_vertex_error(power, v["vertex"], v["vertex_error"])
    tilt = power_of_tilt_error(
        power,
        pantoscopic=v["pantoscopic"],
        face_form=v["face_form"],
        index=v["index"],
        eye=eye,
        pantoscopic_error=v["pantoscopic_error"],
        face_form_error=v["face_form_error"],
    )
    return Answer(
        values=(
            Value("pd_prism", "PD", pd.amount, "Δ", format_prism_of(pd)),
            Value("height_prism", "Height", height.amount, "Δ", format_prism_of(height)),
            Value("vertex_power", "Vertex distance", vertex.vector().length, "D", f"{exact_lens(vertex)} D too much"),
            Value("tilt_power", "Tilt", tilt.vector().length, "D", f"{exact_lens(tilt)} too much"),
        ),
        working=(
            f"PD: f11·{number(v['pd_error'])}/10 along, f12·{number(v['pd_error'])}/10 across → {format_prism_of(pd)}",
            f"height: f12·{number(v['height_error'])}/10, f22·{number(v['height_error'])}/10 → {format_prism_of(height)}",
            f"vertex: {exact_lens(power)} at {number(v['vertex'] + v['vertex_error'])} mm acts like {exact_lens(power + vertex)} at {number(v['vertex'])} mm",
            f"tilt: {exact_lens(power + tilt)} reaches the eye instead of {exact_lens(power)}",
        ),
    )


@calculation(
    "how-exact",
    group="need",
    title="How exact a measurement must be",
    inputs=(
        EYE_INPUT,
        *lens_inputs("right_", "Right"),
        *lens_inputs("left_", "Left"),
        mm_input("vertex", "Vertex distance", 5, 30, 13.0),
        degrees_input("pantoscopic", "Pantoscopic angle", -5, 20, 8.0),
        degrees_input("face_form", "Face form angle", -5, 20, 5.0),
        INDEX_INPUT,
        STANDARD_INPUT,
        _KIND,
        _FEED,
    ),
    formula="greatest error = tolerance of the pair's prism / prism of 1 mm;  vertex and tilt: where a principal power or the cylinder leaves its tolerance",
    source="ISO 21987:2017 or ANSI Z80.1, and the formulas of prism, vertex distance and tilt",
    cautions=(_UNSEEN, "The making uses up tolerance too: aim well inside."),
    example={"eye": "right", "right_sphere": -6.0, "left_sphere": -6.0},
)
def how_exact(v: Inputs) -> Answer:
    """The greatest error of each measurement of this eye that keeps the spectacles within the standard."""
    right, left = power_of(v, "right_"), power_of(v, "left_")
    power = right if v["eye"] == "right" else left
    need = shift_need(right, left, v["eye"], standard=v["standard"], kind=v["kind"], feed=v["feed"])
    vertex = vertex_need(power, v["vertex"], v["standard"], v["kind"])
    tilt = tilt_need(
        power,
        pantoscopic=v["pantoscopic"],
        face_form=v["face_form"],
        index=v["index"],
        eye=v["eye"],
        standard=v["standard"],
        kind=v["kind"],
    )
    allowed = power_tolerance(power, v["standard"], v["kind"])

    def figure(name: str, label: str, value: float | None, unit: str) -> Value:
        return Value(
            name,
            label,
            value,
            unit,
            f"± {number(value, 1)} {unit}" if value is not None else "no error that can happen matters",
        )

    return Answer(
        values=(
            figure("pd", "PD of this eye", need.pd_mm, "mm"),
            figure("height", "Height of this eye", need.height_mm, "mm"),
            figure("vertex", "Vertex distance", vertex, "mm"),
            figure("pantoscopic", "Pantoscopic angle", tilt.pantoscopic, "°"),
            figure("face_form", "Face form angle", tilt.face_form, "°"),
            prism_value("prism_per_mm_pd", "1 mm of PD makes", need.prism_per_mm_pd),
            prism_value("prism_per_mm_height", "1 mm of height makes", need.prism_per_mm_height),
        ),
        working=(
            f"pair: horizontal ± {number(need.limit.horizontal)} Δ ({need.limit.horizontal_basis}), "
            f"vertical ± {number(need.limit.vertical)} Δ ({need.limit.vertical_basis})",
            f"lens: each principal power ± {number(allowed.principal, 3)} D, cylinder ± {number(allowed.cylinder, 3)} D",
        ),
    )


@calculation(
    "tolerances",
    group="need",
    title="Tolerances of a pair",
    inputs=(
        *lens_inputs("right_", "Right"),
        *lens_inputs("left_", "Left"),
        Input(name="add", label="Addition", kind="power", unit="D", low=0, high=20, optional=True),
        Input(
            name="horizontal", label="Net horizontal prism ordered", kind="prism", unit="Δ", low=-60, high=60, default=0.0
        ),
        Input(name="vertical", label="Net vertical prism ordered", kind="prism", unit="Δ", low=-60, high=60, default=0.0),
        STANDARD_INPUT,
        _KIND,
        _FEED,
    ),
    formula="tables of the standard, by the stronger principal power, the cylinder, and the prism ordered",
    source="ISO 21987:2017; ANSI Z80.1",
    cautions=(_UNSEEN, "They hold for what was ordered: after compensation, for the compensated power."),
    example={"right_sphere": -6.0, "right_cylinder": -1.0, "right_axis": 20, "left_sphere": -5.5},
)
def tolerances(v: Inputs) -> Answer:
    """What the standard allows each lens and the pair."""
    lenses = {"right": power_of(v, "right_"), "left": power_of(v, "left_")}
    values: list[Value] = []
    sources: list[str] = []
    for eye, power in lenses.items():
        found = power_tolerance(power, v["standard"], v["kind"])
        axis = axis_tolerance(power.cylinder, v["standard"])
        values += [
            size_value(f"{eye}_principal", f"{eye.capitalize()}, each principal power", found.principal, either_way=True),
            size_value(f"{eye}_cylinder", f"{eye.capitalize()}, cylinder", found.cylinder, either_way=True),
            Value(f"{eye}_axis", f"{eye.capitalize()}, axis", axis.value, "°", f"± {number(axis.value)}°")
            if axis.value is not None
            else Value(f"{eye}_axis", f"{eye.capitalize()}, axis", None, "°", "not judged"),
        ]
        sources += [f"{s.text} ({s.confidence})" for s in (found.source, axis.source)]
    pair = pair_prism_tolerance(
        lenses["right"], lenses["left"], ordered_horizontal=v["horizontal"], ordered_vertical=v["vertical"],
        standard=v["standard"], kind=v["kind"], feed=v["feed"],
    )  # fmt: skip
    values += [
        size_value("horizontal", "Pair, horizontal prism", pair.horizontal, "Δ", either_way=True),
        size_value("vertical", "Pair, vertical prism", pair.vertical, "Δ", either_way=True),
    ]
    sources.append(f"{pair.source.text} ({pair.source.confidence})")
    if v["add"] is not None:
        add = add_tolerance(v["add"], v["standard"])
        assert add.value is not None
        values.append(size_value("add", "Addition", add.value, either_way=True))
        sources.append(f"{add.source.text} ({add.source.confidence})")
    return Answer(
        values=tuple(values),
        working=(f"horizontal: {pair.horizontal_basis}", f"vertical: {pair.vertical_basis}", *dict.fromkeys(sources)),
    )
