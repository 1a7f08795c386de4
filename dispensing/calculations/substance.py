"""Thickness and mass; vertex powers from surfaces."""

from __future__ import annotations

from dispensing.calculations import pictures
from dispensing.calculations.place import BOX_INPUTS, DBL, shape_of
from dispensing.calculations.registry import (
    EYE_INPUT,
    INDEX_INPUT,
    Answer,
    Input,
    Inputs,
    Value,
    calculation,
    degrees_value,
    dioptres_value,
    lens_inputs,
    mm_input,
    mm_value,
    number,
    power_of,
)
from dispensing.optics.boxing import decentration_in, decentration_up
from dispensing.optics.errors import OpticsError
from dispensing.optics.field import horizontal_cuts
from dispensing.optics.thickness import (
    CURVE_INDEX,
    Spec,
    base_curve,
    edge,
    least_lens,
    mass_g,
    nasal_axis,
    sag,
    thickness_at,
    volume,
)
from dispensing.optics.vertex import (
    back_surface,
    back_vertex_power,
    curve_in_index,
    equivalent_power,
    front_vertex_power,
    nominal_power,
)

_SURFACE_SOURCE = "Textbook; examples: NFOS opt11 module 11"


@calculation(
    "thickness",
    group="thickness",
    title="Thickness and mass",
    inputs=(
        EYE_INPUT,
        *lens_inputs(),
        *BOX_INPUTS,
        DBL,
        mm_input("far_pd", "Monocular PD", 20, 45, 31.5),
        mm_input("height", "Height above the lower box tangent", 5, 60, 22.0),
        INDEX_INPUT,
        Input(name="density", label="Density", kind="figure", unit="g/cm³", low=1.0, high=5.0, default=1.32),
        Input(
            name="front_curve", label="Front curve", kind="figure", unit="D", low=0, high=20, optional=True,
            help="n = 1.53. Left out: a usual one for this power.",
        ),
        mm_input("min_centre", "Least centre thickness", 0.5, 10, 1.8),
        mm_input("min_edge", "Least edge thickness", 0.3, 10, 1.0),
    ),
    formula="thickness = centre + sag of the back − sag of the front;  sag = r − √(r² − y²);  least centre so that neither minimum is undercut",
    source="Geometry; back surface a true torus; front curve: Vogel's rule (textbooks, from memory)",
    cautions=("For spherical fronts and toric backs. A maker's own figure for an aspheric or progressive design comes first.",),
    example={"eye": "right", "sphere": -6.0, "cylinder": -1.0, "axis": 20, "a": 54.0, "b": 40.0, "shape": "rectangle", "dbl": 18.0, "far_pd": 31.0, "height": 22.0, "index": 1.6, "density": 1.3},
)  # fmt: skip
def thickness(v: Inputs) -> Answer:
    """The thinnest lens of this power that fits the frame: centre, thinnest and thickest edge, mass."""
    power, eye, shape = power_of(v), v["eye"], shape_of(v)
    x, y = decentration_in(v["a"], v["dbl"], v["far_pd"]), decentration_up(v["b"], v["height"])
    curve = v["front_curve"] if v["front_curve"] is not None else base_curve(power.sphere, power.cylinder)
    spec = Spec(
        sphere=power.sphere,
        cylinder=power.cylinder,
        axis_deg=nasal_axis(power.axis, eye),
        index=v["index"],
        front_curve=curve,
        at_x=x,
        at_y=y,
    )
    lens = least_lens(spec, shape.x, shape.y, min_centre=v["min_centre"], min_edge=v["min_edge"])
    rim = edge(lens, shape)
    mass = mass_g(volume(lens, shape), v["density"])
    return Answer(
        values=(
            mm_value("centre", "Centre thickness", round(lens.centre, 3)),
            mm_value("thinnest", "Thinnest edge", round(rim.thinnest, 3)),
            degrees_value("thinnest_at", "Thinnest at, from nasal through up", round(rim.thinnest_at_deg)),
            mm_value("thickest", "Thickest edge", round(rim.thickest, 3)),
            degrees_value("thickest_at", "Thickest at", round(rim.thickest_at_deg)),
            Value("mass", "Mass, one lens", round(mass, 2), "g"),
            dioptres_value("front_curve", "Front curve (n = 1.53)", curve),
        ),
        working=(
            f"optical centre {number(x)} in, {number(y)} up of the boxed centre",
            f"front curve {number(curve)} D at n = {CURVE_INDEX:g}: {number(curve_in_index(curve, v['index']))} D in n = {v['index']:g}",
            f"centre {number(lens.centre)} mm, so that the centre is at least {number(v['min_centre'])} and the edge at least {number(v['min_edge'])} mm",
            f"mass = volume {number(volume(lens, shape), 0)} mm³ · {number(v['density'])} g/cm³ = {number(mass, 1)} g",
        ),
        picture=_section(lens, shape, eye, y),
    )


def _section(lens: object, shape: object, eye: str, y: float) -> pictures.Picture | None:
    from dispensing.optics.boxing import Box
    from dispensing.optics.thickness import Lens

    assert isinstance(lens, Lens)
    assert isinstance(shape, Box)
    cuts = horizontal_cuts(shape, y)
    if len(cuts) < 2:
        return None
    nose = 1.0 if eye == "right" else -1.0
    left, right = cuts[0], cuts[-1]
    profile = []
    for i in range(81):
        x = left + (right - left) * i / 80
        try:
            front = -sag(lens.front, ((x - lens.at_x) ** 2) ** 0.5)
            profile.append((x * nose, front, front - thickness_at(lens, x, y)))
        except OpticsError:
            return None
    return pictures.section(profile, "The lens cut on the horizontal through its optical centre, front above.")


@calculation(
    "surfaces-to-power",
    group="thickness",
    title="Powers from surfaces",
    inputs=(
        Input(name="front", label="Front surface", kind="power", unit="D", low=-30, high=30),
        Input(name="back", label="Back surface", kind="power", unit="D", low=-40, high=30),
        mm_input("thickness", "Centre thickness", 0, 30, 2.0),
        INDEX_INPUT,
    ),
    formula="F′v = F1/(1 − (t/n)·F1) + F2;  Fv = F2/(1 − (t/n)·F2) + F1;  F = F1 + F2 − (t/n)·F1·F2",
    source=_SURFACE_SOURCE,
    cautions=("True surface powers for this index; a lens measure is scaled for 1.53.",),
    example={"front": 15.0, "back": -6.0, "thickness": 6.5, "index": 1.523},
)
def surfaces_to_power(v: Inputs) -> Answer:
    """Back and front vertex power, nominal and equivalent power."""
    how = v["front"], v["back"], v["thickness"], v["index"]
    bvp = back_vertex_power(*how)
    reduced = v["thickness"] / 1000 / v["index"]
    return Answer(
        values=(
            dioptres_value("back_vertex", "Back vertex power", bvp),
            dioptres_value("front_vertex", "Front vertex power", front_vertex_power(*how)),
            dioptres_value("nominal", "Nominal power", nominal_power(v["front"], v["back"])),
            dioptres_value("equivalent", "Equivalent power", equivalent_power(*how)),
        ),
        working=(
            f"t/n = {number(v['thickness'])}/1000/{v['index']:g} = {number(reduced, 5)} m",
            f"F′v = {number(v['front'])}/(1 − {number(reduced, 5)}·{number(v['front'])}) + ({number(v['back'])}) = {number(bvp)} D",
        ),
    )


@calculation(
    "back-surface",
    group="thickness",
    title="Back surface for a power",
    inputs=(
        Input(name="wanted", label="Back vertex power wanted", kind="power", unit="D", low=-40, high=40),
        Input(
            name="front_curve", label="Front curve", kind="figure", unit="D", low=0, high=25, default=6.0, help="n = 1.53."
        ),
        mm_input("thickness", "Centre thickness", 0, 30, 2.0),
        INDEX_INPUT,
    ),
    formula="F2 = F′v − F1/(1 − (t/n)·F1),  F1 = curve·(n − 1)/0.53",
    source=_SURFACE_SOURCE,
    example={"wanted": 5.0, "front_curve": 8.0, "thickness": 5.0, "index": 1.498},
)
def surface_for(v: Inputs) -> Answer:
    """The back surface that gives a back vertex power with a front curve and thickness."""
    front = curve_in_index(v["front_curve"], v["index"])
    back = back_surface(v["wanted"], front, v["thickness"], v["index"])
    return Answer(
        values=(
            dioptres_value("front", "Front surface, true", front),
            dioptres_value("back", "Back surface, true", back),
            dioptres_value("back_curve", "Back curve (n = 1.53)", curve_in_index(back, CURVE_INDEX, v["index"])),
        ),
        working=(
            f"F1 = {number(v['front_curve'])}·({v['index']:g} − 1)/0.53 = {number(front)} D",
            f"F2 = {number(v['wanted'])} − {number(front)}/(1 − {number(v['thickness'])}/1000/{v['index']:g}·{number(front)}) = {number(back)} D",
        ),
    )
