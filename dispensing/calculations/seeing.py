"""What is seen through it: magnification, jump, imbalance, colour, field."""

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
    degrees_input,
    degrees_value,
    lens_inputs,
    mm_input,
    mm_value,
    number,
    power_of,
    prism_value,
    put,
)
from dispensing.optics.chromatic import THRESHOLD, blur_at_gaze, distance_to_blur
from dispensing.optics.field import angle
from dispensing.optics.magnification import (
    PUPIL_BEHIND_CORNEA_MM,
    difference_percent,
    image_jump,
    magnification,
    vertical_imbalance,
)
from dispensing.optics.prism import prism_at
from dispensing.optics.vertex import curve_in_index


def _side(eye: str) -> tuple[Input, ...]:
    title = eye.capitalize()
    return (
        Input(name=f"{eye}_power", label=f"{title}, back vertex power", kind="power", unit="D", low=-40, high=40),
        Input(
            name=f"{eye}_curve",
            label=f"{title}, front curve (n = 1.53)",
            kind="figure",
            unit="D",
            low=0,
            high=25,
            default=6.0,
        ),
        mm_input(f"{eye}_thickness", f"{title}, centre thickness", 0.5, 20, 2.0),
        mm_input(f"{eye}_vertex", f"{title}, vertex distance", 5, 30, 13.0),
    )


@calculation(
    "magnification",
    group="seeing",
    title="Spectacle magnification of both eyes",
    inputs=(*_side("right"), *_side("left"), INDEX_INPUT),
    formula="SM = 1/(1 − (t/n)·F1) · 1/(1 − d·F′v);  d = vertex distance + 3 mm;  difference = SM_R/SM_L − 1",
    source="Keating; Fannin & Grosvenor (from memory)",
    cautions=("More than 3 to 5 % between the eyes often gives trouble (textbook, from memory); people differ.",),
    example={
        "right_power": 3.0,
        "right_curve": 7.5,
        "right_thickness": 3.5,
        "left_power": 0.0,
        "left_curve": 5.25,
        "left_thickness": 2.5,
        "index": 1.498,
    },
)
def both_magnifications(v: Inputs) -> Answer:
    """Shape and power factor of each lens in one meridian, and how much the images differ."""
    found = {}
    working = []
    for eye in ("right", "left"):
        front = curve_in_index(v[f"{eye}_curve"], v["index"])
        found[eye] = magnification(
            v[f"{eye}_power"],
            front=front,
            thickness_mm=v[f"{eye}_thickness"],
            index=v["index"],
            vertex_mm=v[f"{eye}_vertex"],
        )
        m = found[eye]
        working.append(
            f"{eye}: F1 = {number(front)} D, shape {m.shape:.4f} · power {m.power:.4f} "
            f"(d = {number(v[f'{eye}_vertex'])} + {number(PUPIL_BEHIND_CORNEA_MM)} mm) = {m.total:.4f}"
        )
    right, left = found["right"], found["left"]
    between = difference_percent(right.total, left.total)
    working.append(f"difference = {right.total:.4f}/{left.total:.4f} − 1 = {number(between)} %")
    return Answer(
        values=(
            Value("right", "Right", right.percent, "%"),
            Value("left", "Left", left.percent, "%"),
            Value("difference", "Right against left", between, "%"),
        ),
        working=tuple(working),
        remarks=("A difference of this size is often noticed.",) if abs(between) > 3 else (),
    )


@calculation(
    "vertical-imbalance",
    group="seeing",
    title="Vertical imbalance when reading",
    inputs=(
        *lens_inputs("right_", "Right"),
        *lens_inputs("left_", "Left"),
        mm_input("drop", "Reading level below the optical centres", 0, 30, 10.0),
        mm_input("inset", "Inset of each eye there", 0, 6, 0.0),
    ),
    formula="imbalance = right base up − left base up, each −(f12·in + f22·up)/10 at the reading point",
    source="Jalie (from memory); vertical power decides: McCarthy, Optometry in Practice 2013; 14: 1-10",
    cautions=(
        "About 1 Δ is not long tolerated; a slab-off is considered from 1.5 Δ (common practice). Ask about symptoms first.",
    ),
    example={
        "right_sphere": 2.0,
        "right_cylinder": -1.0,
        "right_axis": 180,
        "left_sphere": 4.5,
        "left_cylinder": -0.5,
        "left_axis": 90,
        "drop": 9.0,
    },
)
def imbalance(v: Inputs) -> Answer:
    """The vertical prism between the eyes when both look down through their lenses, and where a slab-off would go."""
    right, left = power_of(v, "right_"), power_of(v, "left_")
    found = vertical_imbalance(right, left, v["drop"], right_inset_mm=v["inset"], left_inset_mm=v["inset"])
    values = [
        prism_value("right", "Right", found.right.base_up, "up", "down"),
        prism_value("left", "Left", found.left.base_up, "up", "down"),
        prism_value("imbalance", "Between the eyes, right up +", found.vertical),
    ]
    if found.slab_off_eye:
        values.append(Value("slab_off_eye", "Slab-off, base up, would go on the", found.slab_off_eye))
    return Answer(
        values=tuple(values),
        working=(
            f"vertical power: right {number(right.vertical)}, left {number(left.vertical)} D",
            f"right: {number(found.right.base_up)} Δ;  left: {number(found.left.base_up)} Δ (up +)",
            f"difference = {put(found.right.base_up)} − {put(found.left.base_up)} = {number(found.vertical)} Δ",
        ),
        remarks=("1.5 Δ or more: slab-off, unequal segments, a shallower drop or two pairs are worth weighing.",)
        if found.slab_off >= 1.5
        else (),
    )


@calculation(
    "image-jump",
    group="seeing",
    title="Image jump",
    inputs=(
        Input(name="add", label="Addition", kind="power", unit="D", low=0, high=20),
        mm_input("top_to_centre", "Segment top down to its optical centre", -30, 30, 5.0),
    ),
    formula="jump = add × distance/10",
    source="'Ophthalmic Lenses', ch. 10",
    cautions=("A segment whose centre lies on its top has no jump.",),
    example={"add": 2.0, "top_to_centre": 5.0},
)
def jump(v: Inputs) -> Answer:
    """The prism met when the line of sight enters a segment."""
    found = image_jump(v["add"], v["top_to_centre"])
    return Answer(
        values=(prism_value("jump", "Jump", found, "base down", "base up"),),
        working=(f"{number(v['add'])}·{number(v['top_to_centre'])}/10 = {number(found)} Δ",),
    )


@calculation(
    "chromatic-blur",
    group="seeing",
    title="Colour fringes",
    inputs=(
        *lens_inputs(),
        Input(name="abbe", label="Abbe number", kind="figure", low=15, high=100, default=32.0),
        degrees_input("gaze", "Gaze away from the optical centre", 0, 45, 20.0),
    ),
    formula="TCA = P/V;  P = strongest power × 27·tan(gaze)/10",
    source="Jalie (from memory): threshold 0.1 Δ",
    cautions=(
        "Traced to a turned eye it is up to 1.4 times as much for plus lenses; contrast and habit decide what is noticed.",
    ),
    example={"sphere": -6.0, "cylinder": 0.0, "abbe": 32.0, "gaze": 20.0},
)
def colour(v: Inputs) -> Answer:
    """Transverse chromatic aberration at a gaze angle, and how far from the centre it stays under the threshold."""
    power = power_of(v)
    tca = blur_at_gaze(power, v["gaze"], "right", v["abbe"])
    away = distance_to_blur(power, v["abbe"])
    prism = tca * v["abbe"]
    return Answer(
        values=(
            prism_value("tca", "Transverse chromatic aberration", tca),
            mm_value("threshold_at", f"{THRESHOLD:g} Δ is reached at", round(away, 2)),
            prism_value("prism", "Prism there", prism),
        ),
        working=(
            f"P = {number(abs(power.strongest.power))}·27·tan {number(v['gaze'])}/10 = {number(prism)} Δ",
            f"TCA = {number(prism)}/{number(v['abbe'])} = {number(tca, 3)} Δ",
            f"threshold: 10·{THRESHOLD:g}·{number(v['abbe'])}/{number(abs(power.strongest.power))} = {number(away, 1)} mm from the centre",
        ),
        remarks=("Above the threshold: a material with a higher Abbe number would show less.",) if tca > THRESHOLD else (),
        picture=pictures.lens_point(
            "right", 0, -away, prism_at(power, 0, -away, "right"), f"The threshold lies {number(away, 1)} mm out."
        ),
    )


@calculation(
    "field",
    group="seeing",
    title="Field through the lens",
    inputs=(
        EYE_INPUT,
        Input(name="power", label="Power in that meridian", kind="power", unit="D", low=-40, high=30),
        mm_input("edge", "Optical centre to rim", 1, 60, 25.0),
        mm_input(
            "eye_point", "Lens to eye point", 10, 40, 27.0, help="27 to the centre of rotation, 15 to the entrance pupil."
        ),
    ),
    formula="apparent = atan(y/s);  real = atan(y·(1/s − F));  difference: not seen (plus) or seen twice (minus)",
    source="Textbook",
    example={"eye": "right", "power": 10.0, "edge": 22.0},
)
def field(v: Inputs) -> Answer:
    """How far to one side can be seen through a lens, and the ring that is hidden or doubled at its rim."""
    found = angle(v["edge"], v["power"], v["eye_point"])
    return Answer(
        values=(
            degrees_value("apparent", "Apparent, as the rim seems", found.apparent),
            degrees_value("real", "Real field", found.real),
            degrees_value("ring", "Hidden at the rim" if found.ring >= 0 else "Seen twice at the rim", abs(found.ring)),
        ),
        working=(
            f"apparent = atan({number(v['edge'])}/{number(v['eye_point'])}) = {number(found.apparent, 1)}°",
            f"real = atan({number(v['edge'])}·(1/{number(v['eye_point'])} − {number(v['power'])}/1000)) = {number(found.real, 1)}°",
        ),
    )
