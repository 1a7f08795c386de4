"""Where the lens goes: boxing and blank, heights, near."""

from __future__ import annotations

from dispensing.calculations import pictures
from dispensing.calculations.registry import (
    EYE_INPUT,
    Answer,
    Input,
    Inputs,
    calculation,
    degrees_input,
    degrees_value,
    lens_inputs,
    mm_input,
    mm_value,
    number,
    power_of,
)
from dispensing.optics.boxing import Box, blank_rule, box, contains, decentration_in, decentration_up, minimum_uncut
from dispensing.optics.heights import Reference, height_parallax, heights
from dispensing.optics.near import crossing, inset_rule
from dispensing.optics.outlines import SHAPES, outline_for, usual_ed
from dispensing.optics.prism import nasal_entries

BOX_INPUTS = (
    mm_input("a", "Boxed width a", 30, 80, 52.0),
    mm_input("b", "Boxed depth b", 15, 70, 38.0),
    mm_input("ed", "Effective diameter", 30, 100, optional=True, help="Left out: what this shape usually has."),
    Input(
        name="shape",
        label="Shape",
        kind="choice",
        default="rectangle",
        choices=tuple((name, name.replace("_", " ")) for name in SHAPES),
        help="Stands in for the outline of a frame that was not traced.",
    ),
)
DBL = mm_input("dbl", "Distance between lenses", 5, 35, 18.0)
_NOT_TRACED = "A shape from its box is close, not exact: trace the frame where a millimetre decides."


def shape_of(v: Inputs) -> Box:
    return box(outline_for(v["a"], v["b"], v["ed"], v["shape"]))


@calculation(
    "decentration-and-blank",
    group="boxing",
    title="Decentration and blank size",
    inputs=(
        EYE_INPUT,
        *BOX_INPUTS,
        DBL,
        mm_input("far_pd", "Monocular PD", 20, 45, 31.5),
        mm_input("height", "Height above the lower box tangent", 5, 60, 22.0),
    ),
    formula="in = (a + d)/2 − PD;  up = height − b/2;  blank = 2 × greatest distance from the centration point to the outline;  rule: ED + 2·in + 2 mm",
    source="ISO 8624, ISO 13666 (boxed system); rule of thumb: common practice",
    cautions=(_NOT_TRACED, "Ask the lab what it adds for edging."),
    example={"eye": "right", "a": 54.0, "b": 40.0, "shape": "rectangle", "dbl": 18.0, "far_pd": 31.0, "height": 23.0},
)
def blank(v: Inputs) -> Answer:
    """Where the centration point lies in the box, and the least round blank the lens can be cut from."""
    shape = shape_of(v)
    x, y = decentration_in(v["a"], v["dbl"], v["far_pd"]), decentration_up(v["b"], v["height"])
    found = minimum_uncut(shape, x, y)
    ed = v["ed"] or usual_ed(v["a"], v["b"], v["shape"])
    rule = blank_rule(ed, x)
    remarks = []
    if not contains(shape, x, y):
        remarks.append("The centration point lies outside the lens.")
    if rule < found.diameter:
        remarks.append(
            f"The rule of thumb is {number(found.diameter - rule, 1)} mm too small here: it does not know the height."
        )
    return Answer(
        values=(
            mm_value("in", "Decentration, in", x),
            mm_value("up", "Decentration, up", y),
            mm_value("blank", "Least uncut diameter, exact", round(found.diameter, 2)),
            mm_value("rule", "Rule of thumb", round(rule, 2)),
            degrees_value("needs_at", "The rim that needs it, from nasal through up", round(found.at_deg)),
            mm_value("c", "Boxed centre distance", v["a"] + v["dbl"]),
        ),
        working=(
            f"in = ({number(v['a'])} + {number(v['dbl'])})/2 − {number(v['far_pd'])} = {number(x)} mm",
            f"up = {number(v['height'])} − {number(v['b'])}/2 = {number(y)} mm",
            f"furthest rim point {number(found.at_x, 1)} in, {number(found.at_y, 1)} up: 2·√(({number(found.at_x, 1)} − {number(x)})² + ({number(found.at_y, 1)} − {number(y)})²) = {number(found.diameter, 1)} mm",
            f"rule: {number(ed)} + 2·{number(abs(x))} + 2 = {number(rule, 1)} mm",
        ),
        remarks=tuple(remarks),
        picture=pictures.box_picture(
            shape, v["eye"], f"A blank of {number(found.diameter, 1)} mm round the centration point.",
            at=(x, y), blank=found.diameter, needs=(found.at_x, found.at_y),
        ),
    )  # fmt: skip


_REFERENCES: tuple[tuple[Reference, str], ...] = (
    ("box", "lower box tangent"),
    ("rim_below_pupil", "rim below the pupil"),
    ("datum", "datum line"),
    ("visible_rim", "visible rim"),
)


@calculation(
    "height-references",
    group="heights",
    title="One height in every reference",
    inputs=(
        EYE_INPUT,
        *BOX_INPUTS,
        DBL,
        mm_input("far_pd", "Monocular PD", 20, 45, 31.5),
        mm_input("height", "Height as read", -30, 60, 21.0),
        Input(name="reference", label="Read above", kind="choice", default="rim_below_pupil", choices=_REFERENCES),
        mm_input("groove", "Visible rim to bevel apex", 0, 2, 0.5),
    ),
    formula="box = rim + (rim straight below the pupil − lowest point);  datum = box − b/2;  rim = visible rim + groove",
    source="ISO 13666 (fitting height from the lower box tangent); geometry",
    cautions=(
        "Always say what a height was read against: the references part by millimetres on a shaped rim.",
        _NOT_TRACED,
    ),
    example={"eye": "right", "a": 54.0, "b": 40.0, "shape": "pantoscopic", "dbl": 18.0, "far_pd": 31.0, "height": 21.0},
)
def height_references(v: Inputs) -> Answer:
    """A height that was read against one part of the frame, as it would read against every other."""
    shape = shape_of(v)
    x = decentration_in(v["a"], v["dbl"], v["far_pd"])
    found = heights(shape, x, v["height"], v["reference"], v["groove"])
    bottom = -shape.b / 2
    rise = found.box - found.rim_below_pupil
    return Answer(
        values=(
            mm_value("box", "Above the lower box tangent", found.box),
            mm_value("rim_below_pupil", "Above the rim below the pupil", found.rim_below_pupil),
            mm_value("visible_rim", "Above the visible rim", found.visible_rim),
            mm_value("datum", "Above the datum line", found.datum),
        ),
        working=(
            f"pupil {number(x)} mm in from the boxed centre; the rim there lies {number(rise)} mm above the lowest point",
            f"box = {number(found.rim_below_pupil)} + {number(rise)} = {number(found.box)} mm",
            f"datum = {number(found.box)} − {number(v['b'])}/2 = {number(found.datum)} mm",
            f"visible rim = {number(found.rim_below_pupil)} − {number(v['groove'])} = {number(found.visible_rim)} mm",
        ),
        picture=pictures.box_picture(
            shape, v["eye"], "The pupil in the box, with its heights.", at=(x, found.datum),
            heights=((bottom, number(found.box, 1)), (bottom + rise, number(found.rim_below_pupil, 1))),
        ),
    )  # fmt: skip


@calculation(
    "height-parallax",
    group="heights",
    title="Parallax of a height",
    inputs=(
        mm_input("observer_above", "Observer's eye above the client's", -300, 300, 50.0, help="Below is negative."),
        mm_input("observer_distance", "Observer to lens", 150, 1500, 400.0),
        mm_input("vertex", "Vertex distance", 5, 30, 13.0),
        Input(
            name="looking",
            label="Client looks",
            kind="choice",
            default="far",
            choices=(("far", "far, straight ahead"), ("observer", "at the observer")),
        ),
        degrees_input("pantoscopic", "Pantoscopic angle", -10, 30, 0.0),
    ),
    formula="error = h·a/(D + a);  a = lens to entrance pupil (3 mm behind the cornea), or to the centre of rotation (13.5 mm) when the client looks at the observer",
    source="Plane geometry",
    cautions=("Sit at the client's eye level: then there is nothing to correct.",),
    example={"observer_above": 50.0, "observer_distance": 400.0, "vertex": 13.0},
)
def parallax(v: Inputs) -> Answer:
    """What a height reads too much when the observer's eye is not level with the client's."""
    error = height_parallax(
        v["observer_above"],
        v["observer_distance"],
        v["vertex"],
        looking=v["looking"],
        pantoscopic_deg=v["pantoscopic"],
    )
    depth = v["vertex"] + (3.0 if v["looking"] == "far" else 13.5)
    return Answer(
        values=(mm_value("error", "Reads too much by", error),),
        working=(
            f"a = {number(v['vertex'])} + {number(depth - v['vertex'])} = {number(depth)} mm",
            f"level lens: {number(v['observer_above'])}·{number(depth)}/({number(v['observer_distance'])} + {number(depth)}) = "
            f"{number(v['observer_above'] * depth / (v['observer_distance'] + depth))} mm",
            f"along a lens tilted by {number(v['pantoscopic'])}°: {number(error)} mm",
        ),
        remarks=("More than half a millimetre: read again at eye level.",) if abs(error) > 0.5 else (),
    )


@calculation(
    "near-inset",
    group="near",
    title="Near inset and near PD",
    inputs=(
        EYE_INPUT,
        *lens_inputs(),
        mm_input("far_pd", "Monocular PD", 20, 45, 31.5),
        mm_input("working", "Working distance, from the lens", 100, 6000, 400.0),
        mm_input("rotation_centre", "Lens to centre of rotation", 20, 40, 27.0),
        mm_input("drop", "Task below eye level", 0, 600, 0.0, help="Measured at the task."),
    ),
    formula="inset = p/(1 + w·(1/s − F));  with a cylinder ((1 + w/s)·I − w·F)·d = (p, −drop)",
    source="Ellerbrock 1948 as reported in Brooks & Borish (from memory); three-quarter rule: Gerstman, in the same",
    cautions=("A maker's fixed inset comes first.", "Strong plus lenses need some 0.1 mm more than the thin-lens figure."),
    example={"eye": "right", "sphere": -10.0, "cylinder": 0.0, "far_pd": 32.0, "working": 400.0},
)
def near_inset(v: Inputs) -> Answer:
    """Where the line of sight crosses the lens when the eye turns to a near task."""
    power, p, w, s = power_of(v), v["far_pd"], v["working"], v["rotation_centre"]
    found = crossing(nasal_entries(power, v["eye"]), p, w, drop_mm=v["drop"], rotation_mm=s)
    plano = crossing((0.0, 0.0, 0.0), p, w, drop_mm=v["drop"], rotation_mm=s)
    return Answer(
        values=(
            mm_value("inset", "Inset", round(found.x, 3)),
            mm_value("near_pd", "Near monocular PD at the lens", round(p - found.x, 3)),
            mm_value("down", "Below the straight-ahead point", round(-found.y, 3)),
            mm_value("without_power", "Inset if the lens had no power", round(plano.x, 3)),
            mm_value("rule", "Three-quarter rule", round(inset_rule(w), 3)),
        ),
        working=(
            f"horizontal power {number(power.horizontal)} D",
            f"{number(p)}/(1 + {number(w)}·(1/{number(s)} − ({number(power.horizontal)})/1000)) = "
            f"{number(p / (1 + w * (1 / s - power.horizontal / 1000)))} mm (no cylinder across, no drop)",
            f"three-quarter rule: 0.75·1000/{number(w)} = {number(inset_rule(w))} mm",
        ),
        picture=pictures.lines_of_sight(
            p, w, p - found.x, "Both lines of sight turned to a near point; depth at a quarter."
        ),
    )
