"""Prism: at a point, by decentration, composed and resolved, for the pair."""

from __future__ import annotations

from dispensing.calculations import pictures
from dispensing.calculations.registry import (
    EYE_INPUT,
    INDEX_INPUT,
    Answer,
    Input,
    Inputs,
    Value,
    calculation,
    degrees_value,
    lens_inputs,
    mm_input,
    mm_value,
    number,
    power_of,
    prism_value,
    put,
    signed,
)
from dispensing.optics.errors import RayLost
from dispensing.optics.notation import format_prism_of
from dispensing.optics.prism import (
    Prism,
    compose,
    decentration_for,
    exact_prism,
    nasal_entries,
    net,
    prism_at,
)
from dispensing.optics.thickness import base_curve
from dispensing.optics.vertex import curve_in_index

_MATRIX = "Long 1976; Prentice 1890; ISO 13666 (prismatic effect)"


def _prism_input(name: str, label: str) -> Input:
    return Input(name=name, label=label, kind="prism", unit="Δ", low=-30, high=30, default=0.0)


def _parts(prism: Prism, prefix: str = "") -> tuple[Value, ...]:
    return (
        prism_value(f"{prefix}horizontal", "Horizontal", prism.base_in, "in", "out"),
        prism_value(f"{prefix}vertical", "Vertical", prism.base_up, "up", "down"),
    )


@calculation(
    "prism-at-point",
    group="prism",
    title="Prism at a point of the lens",
    inputs=(
        EYE_INPUT,
        *lens_inputs(),
        mm_input("point_in", "Point, in from the optical centre", -40, 40, 0.0, help="Out is negative."),
        mm_input("point_up", "Point, up from the optical centre", -40, 40, -10.0, help="Down is negative."),
        INDEX_INPUT,
        mm_input("thickness", "Centre thickness", 0.5, 20, 2.0),
    ),
    formula="P = −F·x/10 with the full power matrix:  horizontal = −(f11·in + f12·up)/10,  vertical = −(f12·in + f22·up)/10",
    source=_MATRIX,
    cautions=(
        "With an oblique axis each direction makes prism in both: the 90 and 180 meridians alone are wrong.",
        "For a real lens and a turned eye the rule is some 8 to 22 % low at the edge of strong lenses; the traced value is beside it.",
    ),
    example={"eye": "right", "sphere": -6.25, "cylinder": -2.0, "axis": 25, "point_in": 2.5, "point_up": -10.0},
)
def at_point(v: Inputs) -> Answer:
    """What prism the eye meets away from the optical centre, by the rule and by an exact trace of a real lens."""
    power, eye = power_of(v), v["eye"]
    x, y = v["point_in"], v["point_up"]
    prism = prism_at(power, x, y, eye)
    f11, f12, f22 = nasal_entries(power, eye)
    curve = base_curve(power.sphere, power.cylinder)
    remarks, traced = [], None
    try:
        traced = exact_prism(
            power, x, y, eye, front=curve_in_index(curve, v["index"]), thickness_mm=v["thickness"], index=v["index"]
        )
    except RayLost as lost:
        remarks.append(f"No trace: with this form the ray {lost.why}")
    values = [
        *_parts(prism),
        prism_value("amount", "Resultant", prism.amount),
        degrees_value("base", "Base, 0 to 360", prism.base(eye)),
    ]
    if traced:
        values += [
            Value("traced", "Traced, turned eye", traced.prism.amount, "Δ", f"{format_prism_of(traced.prism)}"),
            prism_value("parted", "Rule and trace part by", traced.parted),
        ]
        if traced.parted > 0.25:
            remarks.append("Rule and trace part by more than 0.25 Δ here: the traced value is what the eye meets.")
        if v["thickness"] < 3 and power.strongest.power > 4:
            remarks.append("A plus lens this strong is thicker at its centre: put its thickness in.")
    return Answer(
        values=tuple(values),
        working=(
            f"f11 = {signed(f11)}, f12 = {signed(f12)}, f22 = {signed(f22)} D (x towards the nose)",
            f"horizontal = −({put(f11)}·{put(x)} + {put(f12)}·{put(y)})/10 = {number(prism.base_in)} Δ (in +)",
            f"vertical = −({put(f12)}·{put(x)} + {put(f22)}·{put(y)})/10 = {number(prism.base_up)} Δ (up +)",
            f"trace: front curve {number(curve)} D (n = 1.53), back surface from the back vertex power, centre of rotation 27 mm behind",
        ),
        remarks=tuple(remarks),
        picture=pictures.lens_point(eye, x, y, prism, f"Prism {format_prism_of(prism)} at the point looked through."),
    )


@calculation(
    "decentration-for-prism",
    group="prism",
    title="Decentration for a prism",
    inputs=(
        EYE_INPUT,
        *lens_inputs(),
        _prism_input("base_in", "Prism wanted, base in"),
        _prism_input("base_up", "Prism wanted, base up"),
    ),
    formula="d = 10·F⁻¹·P",
    source=_MATRIX,
    cautions=(
        "It serves single-vision lenses whose design may be decentred; a progressive's prism is worked at its prism reference point.",
        "A greater decentration needs a greater blank.",
    ),
    example={"eye": "right", "sphere": -4.0, "cylinder": -2.0, "axis": 30, "base_in": 2.0, "base_up": 1.0},
)
def for_prism(v: Inputs) -> Answer:
    """Where the optical centre has to be so that the eye meets a wanted prism. Out and down are negative."""
    power, eye, wanted = power_of(v), v["eye"], Prism(v["base_in"], v["base_up"])
    shift = decentration_for(power, wanted, eye)
    f11, f12, f22 = nasal_entries(power, eye)
    det = f11 * f22 - f12 * f12
    working = [f"f11 = {signed(f11)}, f12 = {signed(f12)}, f22 = {signed(f22)} D (x towards the nose)"]
    if det:
        working += [
            f"det F = f11·f22 − f12² = {number(det)}",
            f"in = 10·({put(f22)}·{put(wanted.base_in)} − {put(f12)}·{put(wanted.base_up)})/{put(det)} = {number(shift.x)} mm",
            f"up = 10·({put(f11)}·{put(wanted.base_up)} − {put(f12)}·{put(wanted.base_in)})/{put(det)} = {number(shift.y)} mm",
        ]
    return Answer(
        values=(
            mm_value("in", "Optical centre, in", shift.x),
            mm_value("up", "Optical centre, up", shift.y),
            mm_value("blank", "Blank greater by at most", 2 * (shift.x**2 + shift.y**2) ** 0.5),
        ),
        working=tuple(working),
        remarks=("The blank grows by at most twice the shift; by how much exactly says the outline.",),
        picture=pictures.lens_point(eye, -shift.x, -shift.y, wanted, "The optical centre and the point looked through."),
    )


@calculation(
    "combine-prism",
    group="prism",
    title="Compose and resolve prism",
    inputs=(
        EYE_INPUT,
        _prism_input("first_in", "First, base in"),
        _prism_input("first_up", "First, base up"),
        _prism_input("second_in", "Second, base in"),
        _prism_input("second_up", "Second, base up"),
    ),
    formula="P = √(in² + up²);  base = atan2(up, ±in), facing the wearer: + for the right eye, − for the left",
    source="Textbook; scale of ISO 8429",
    cautions=("Base in is 0 before a right eye and 180 before a left one.",),
    example={"eye": "left", "first_in": 2.0, "first_up": 0.0, "second_in": 0.0, "second_up": -1.5},
)
def combine(v: Inputs) -> Answer:
    """Prisms before one eye as one, with its base on the 0–360 scale. Out and down are negative."""
    parts = Prism(v["first_in"], v["first_up"]), Prism(v["second_in"], v["second_up"])
    total, eye = compose(*parts), v["eye"]
    return Answer(
        values=(
            *_parts(total),
            prism_value("amount", "Resultant", total.amount),
            degrees_value("base", "Base, 0 to 360", total.base(eye)),
        ),
        working=(
            f"in = {put(parts[0].base_in)} + {put(parts[1].base_in)} = {number(total.base_in)} Δ",
            f"up = {put(parts[0].base_up)} + {put(parts[1].base_up)} = {number(total.base_up)} Δ",
            f"P = √({put(total.base_in)}² + {put(total.base_up)}²) = {number(total.amount)} Δ",
            f"base = {number(total.base(eye), 1)}",
        ),
        picture=pictures.prism_dial(total, eye, f"{format_prism_of(total)}, base {number(total.base(eye), 1)}.", parts),
    )


@calculation(
    "resolve-prism",
    group="prism",
    title="Resolve a base setting",
    inputs=(
        EYE_INPUT,
        Input(name="amount", label="Prism", kind="prism", unit="Δ", low=0, high=50),
        Input(name="base", label="Base, 0 to 360", kind="degrees", unit="°", low=0, high=360),
    ),
    formula="in = ±P·cos(base);  up = P·sin(base)",
    source="Textbook; scale of ISO 8429",
    cautions=(
        "The half-circle forms of the scale (0 to 180 up or down) say the same by other figures: ask which was meant.",
    ),
    example={"eye": "left", "amount": 3.0, "base": 120},
)
def resolve(v: Inputs) -> Answer:
    """A prism with its base in degrees, as in or out and up or down."""
    prism = Prism.at_base(v["amount"], v["base"], v["eye"])
    sign = "" if v["eye"] == "right" else "−"
    return Answer(
        values=_parts(prism),
        working=(
            f"in = {sign}{number(v['amount'])}·cos {number(v['base'])} = {number(prism.base_in)} Δ",
            f"up = {number(v['amount'])}·sin {number(v['base'])} = {number(prism.base_up)} Δ",
        ),
        picture=pictures.prism_dial(
            prism, v["eye"], format_prism_of(prism), (Prism(prism.base_in, 0), Prism(0, prism.base_up))
        ),
    )


@calculation(
    "pair-prism",
    group="prism",
    title="Prism of the pair",
    inputs=(
        _prism_input("right_in", "Right, base in"),
        _prism_input("right_up", "Right, base up"),
        _prism_input("left_in", "Left, base in"),
        _prism_input("left_up", "Left, base up"),
    ),
    formula="horizontal = right in + left in;  vertical = right up − left up",
    source="Textbook",
    cautions=("About 1 Δ of vertical difference is not long tolerated (McCarthy, Optometry in Practice 2013; 14: 1-10).",),
    example={"right_in": 2.0, "right_up": 1.0, "left_in": 2.0, "left_up": -1.0},
)
def pair(v: Inputs) -> Answer:
    """What both eyes together meet: base in adds to base in, up to down; yoked prism cancels. Out and down are negative."""
    got = net(Prism(v["right_in"], v["right_up"]), Prism(v["left_in"], v["left_up"]))
    remarks = () if got.horizontal or got.vertical else ("Nothing is left between the eyes: yoked, or one base reversed?",)
    return Answer(
        values=(
            prism_value("horizontal", "Horizontal", got.horizontal, "in", "out"),
            prism_value("vertical", "Vertical, right against left", got.vertical, "up", "down"),
        ),
        working=(
            f"horizontal = {put(v['right_in'])} + {put(v['left_in'])} = {number(got.horizontal)} Δ (in +)",
            f"vertical = {put(v['right_up'])} − {put(v['left_up'])} = {number(got.vertical)} Δ (right up +)",
        ),
        remarks=remarks,
    )
