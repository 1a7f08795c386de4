"""Powers: transposition, sums, a meridian, rounding, notation."""

from __future__ import annotations

from dispensing.calculations import pictures
from dispensing.calculations.registry import (
    Answer,
    Input,
    Inputs,
    Value,
    calculation,
    degrees_input,
    dioptres_value,
    exact_lens,
    lens_inputs,
    number,
    power_of,
    power_values,
    signed,
    size_value,
)
from dispensing.optics.notation import format_lens, format_mm, format_power, format_prism, parse_line
from dispensing.optics.power import Power, axis_in_scale, round_power

_VECTOR = "Thibos, Wheeler & Horner 1997, Optom Vis Sci 74: 367"


def _cross(power: Power) -> pictures.Picture:
    a, b = power.principals
    words = f"Power {number(a.power)} D along {number(a.meridian)}, {number(b.power)} D along {number(b.meridian)}."
    return pictures.power_cross(power, words)


@calculation(
    "transpose",
    group="powers",
    title="Transposition",
    inputs=lens_inputs(),
    formula="new sphere = S + C;  new cylinder = −C;  new axis = A ± 90, kept in 1 to 180",
    source="Textbook; scale of ISO 8429",
    cautions=("Turn the axis as well: leaving it is an error of twice the cylinder.",),
    example={"sphere": 2.0, "cylinder": -1.75, "axis": 180},
)
def transpose(v: Inputs) -> Answer:
    """The same lens in the other cylinder form, with its principal powers and power vector."""
    power = power_of(v)
    other = power.transposed()
    vector = power.vector()
    s, c, a = power.sphere, power.cylinder, power.axis
    return Answer(
        values=(
            *power_values(other),
            dioptres_value("mean_sphere", "Mean sphere", power.mean_sphere),
            dioptres_value("j0", "J0", vector.j0),
            dioptres_value("j45", "J45", vector.j45),
        ),
        working=(
            f"new sphere = {format_power(s)} + ({format_power(c)}) = {format_power(other.sphere)} D",
            f"new cylinder = −({format_power(c)}) = {format_power(other.cylinder)} D",
            f"new axis = {number(a)} {'+' if a <= 90 else '−'} 90 = {number(other.axis)}",
            f"M = S + C/2 = {signed(vector.m, 3)} D;  J0 = −(C/2)·cos 2A = {signed(vector.j0, 3)} D;  "
            f"J45 = −(C/2)·sin 2A = {signed(vector.j45, 3)} D",
        ),
        picture=_cross(power),
    )


@calculation(
    "add-powers",
    group="powers",
    title="Sum or difference of two powers",
    inputs=(
        *lens_inputs("first_", "First"),
        *lens_inputs("second_", "Second"),
        Input(
            name="take",
            label="Take",
            kind="choice",
            default="sum",
            choices=(("sum", "sum"), ("difference", "first minus second")),
        ),
    ),
    formula="M = S + C/2,  J0 = −(C/2)·cos 2A,  J45 = −(C/2)·sin 2A;  add or subtract each;  C = −2·√(J0² + J45²),  S = M − C/2,  A = ½·atan2(J45, J0)",
    source=f"{_VECTOR}; example: M. Jalie, The Indian Optician, May-June 2022, p. 105",
    cautions=("Thin lenses in contact. An over-refraction at another vertex distance has to be moved first.",),
    example={
        "first_sphere": 1.75,
        "first_cylinder": 0.5,
        "first_axis": 45,
        "second_sphere": -2.25,
        "second_cylinder": -1.0,
        "second_axis": 135,
    },
)
def add_powers(v: Inputs) -> Answer:
    """Two sphero-cylinders at any axes, as one; or what one has more than the other."""
    one, two = power_of(v, "first_"), power_of(v, "second_")
    total = one + two if v["take"] == "sum" else one - two
    a, b, c = one.vector(), two.vector(), total.vector()
    sign = "+" if v["take"] == "sum" else "−"
    return Answer(
        values=(*power_values(total), size_value("blur", "Blur strength", c.length)),
        working=(
            *(
                f"{name} = {signed(x, 3)} {sign} ({signed(y, 3)}) = {signed(z, 3)} D"
                for name, x, y, z in zip(("M", "J0", "J45"), a, b, c, strict=True)
            ),
            f"together: {exact_lens(total)}",
            f"in plus form: {exact_lens(total.in_form('plus'))}",
        ),
        picture=_cross(total),
    )


@calculation(
    "meridian-power",
    group="powers",
    title="Power along a meridian",
    inputs=(*lens_inputs(), degrees_input("meridian", "Meridian", 0, 180, 90.0)),
    formula="F(θ) = S + C·sin²(θ − A)",
    source="Textbook",
    cautions=("Off the principal meridians the lens also turns light sideways: for prism use the full matrix.",),
    example={"sphere": 2.75, "cylinder": -1.0, "axis": 130, "meridian": 90},
)
def meridian_power(v: Inputs) -> Answer:
    """Power of a sphero-cylinder along any meridian."""
    power = power_of(v)
    found = power.along(v["meridian"])
    turned = v["meridian"] - power.axis
    return Answer(
        values=(
            dioptres_value("power", "Power along it", found),
            dioptres_value("horizontal", "Along 180", power.horizontal),
            dioptres_value("vertical", "Along 90", power.vertical),
            dioptres_value("torsional", "Torsional part f12", power.entries().f12),
        ),
        working=(
            f"F = {format_power(power.sphere)} + ({format_power(power.cylinder)})·sin²({number(v['meridian'])} − {number(power.axis)})",
            f"  = {format_power(power.sphere)} + ({format_power(power.cylinder)})·sin²({number(turned)}) = {signed(found)} D",
        ),
        picture=_cross(power),
    )


@calculation(
    "round-power",
    group="powers",
    title="Nearest power of the scale",
    inputs=(
        *lens_inputs(),
        Input(
            name="step",
            label="Step",
            kind="choice",
            default="0.25",
            choices=(("0.25", "0.25 D"), ("0.12", "0.125 D"), ("0.01", "0.01 D")),
        ),
    ),
    formula="the sphere and cylinder of the step scale that leave the least blur strength √(M² + J0² + J45²); ties away from zero",
    source=f"{_VECTOR}; rule of this program",
    cautions=("Rounding sphere and cylinder each on its own can leave nearly a whole step in one meridian.",),
    example={"sphere": -3.13, "cylinder": -0.63, "axis": 90},
)
def round_to_scale(v: Inputs) -> Answer:
    """A computed power as the nearest one that can be ordered."""
    power = power_of(v)
    step = {"0.25": 0.25, "0.12": 0.125, "0.01": 0.01}[v["step"]]
    best = round_power(power, step)
    left = power - best
    return Answer(
        values=(
            *power_values(best, of_the_scale=True),
            size_value("left_over", "Left over, blur strength", left.vector().length),
        ),
        working=(
            f"{exact_lens(power)} in steps of {number(step, 3)} D → {format_lens(best)}",
            f"left over: {exact_lens(left)}, blur strength {number(left.vector().length, 3)} D",
        ),
        picture=_cross(best),
    )


@calculation(
    "read-prescription",
    group="powers",
    title="Reading a written power",
    inputs=(
        Input(
            name="line", label="As written", kind="text", help="For instance −2.25/−0.50×170 add 2.25, or -225 -050 170."
        ),
    ),
    formula="no decimal mark and three digits or more: hundredths; axis 0: 180; DS: no cylinder",
    source="Notation of ISO 8429 and common practice",
    cautions=("What was understood is not what was meant until somebody has looked at it.",),
    example={"line": "-225/-050x0 2 in add 225"},
)
def read_prescription(v: Inputs) -> Answer:
    """A line as it is pasted or typed, and how this program understands it."""
    line = parse_line(v["line"])
    parts = [p for p in line.prism if p]
    values = [
        Value("sphere", "Sphere", None if line.sphere is None else float(line.sphere), "D", f"{format_power(line.sphere, plano=True)} D" if line.sphere else format_power(line.sphere, plano=True)),
        Value("cylinder", "Cylinder", None if line.cylinder is None else float(line.cylinder), "D", "DS" if line.cylinder == 0 else format_power(line.cylinder)),
        Value("axis", "Axis", None if line.axis is None else float(line.axis), "°"),
        Value("add", "Addition", None if line.add is None else float(line.add), "D", format_power(line.add)),
        Value("prism", "Prism", " ".join(format_prism(p.amount, p.base) for p in parts) or None, "Δ"),
        Value("vertex_mm", "Vertex distance", None if line.vertex_mm is None else float(line.vertex_mm), "mm", f"{format_mm(line.vertex_mm)} mm" if line.vertex_mm else ""),
        Value("eye", "Eye", line.eye),
    ]  # fmt: skip
    remarks = []
    if line.cylinder and line.axis is None:
        remarks.append("A cylinder without an axis cannot be made.")
    if line.axis is not None and not line.cylinder:
        remarks.append("An axis without a cylinder: was a cylinder lost?")
    if any(p.base is None and p.amount for p in parts):
        remarks.append("A prism without a base cannot be made.")
    if line.sphere is None:
        return Answer(values=tuple(values), remarks=tuple(remarks))
    if line.cylinder and line.axis is not None:
        power = Power(float(line.sphere), float(line.cylinder), float(line.axis))
        other = power.transposed()
        return Answer(
            values=tuple(values),
            working=(f"understood: {format_lens(power, line.add)}", f"other form: {format_lens(Power(other.sphere, other.cylinder, axis_in_scale(other.axis)), line.add)}"),
            remarks=tuple(remarks),
            picture=_cross(power),
        )  # fmt: skip
    return Answer(
        values=tuple(values),
        working=(f"understood: {format_lens(Power(float(line.sphere)), line.add)}",),
        remarks=tuple(remarks),
    )
