"""Thickness, volume, mass: worked examples g and n; optiland's surfaces, scipy's integration; properties.

Independent surfaces: optiland's toroid and sphere (a general-purpose optical design package), told radii by the textbook formula.
"""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import integrate

from dispensing.optics import boxing, thickness
from dispensing.optics.errors import NotFinite, OpticsError, OutOfRange
from dispensing.optics.thickness import Spec
from tests.dispensing.optics import worked

GRID = [
    (-20, 0),
    (-20, -4),
    (-14, -2.5),
    (-10, 0),
    (-6, -1),
    (-3.25, -2),
    (0, 0),
    (0, -4),
    (2, -1),
    (6, -3),
    (10, -1),
    (14, 0),
    (20, -2),
]


def curve(true_front: float, index: float) -> float:
    """A true front surface power on the 1.53 scale."""
    return true_front * 0.53 / (index - 1.0)


def spec_of(case: worked.Worked, **more) -> Spec:
    i = case.inputs
    return Spec(
        sphere=i.get("sphere_D", i.get("bvp_D")),
        cylinder=i.get("cyl_D", 0.0),
        axis_deg=i.get("axis_deg", 180.0),
        index=i["index"],
        front_curve=curve(i["front_D"], i["index"]),
        **more,
    )


def rim(radius: float, degrees) -> tuple[np.ndarray, np.ndarray]:
    t = np.radians(np.asarray(degrees, dtype=float))
    return radius * np.cos(t), radius * np.sin(t)


def round_lens(radius: float, count: int = 720) -> boxing.Box:
    return boxing.box(np.full(count, radius))


def outline(name: str) -> boxing.Box:
    return boxing.box(worked.outline(name)["radii_mm"])


# --- worked examples -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", [c for c in worked.cases("g", "g-cmp") if "diameter_mm" in c.inputs], ids=str)
def test_worked_thickness(case):
    i = case.inputs
    spec, radius = spec_of(case), i["diameter_mm"] / 2
    if "edge_thickness_mm" in i:
        lens = thickness.least_lens(spec, *rim(radius, range(0, 360, 15)), min_centre=0.0, min_edge=i["edge_thickness_mm"])
        worked.expect(case, "centre_thickness", lens.centre)
    else:
        lens = thickness.make(spec, i["centre_thickness_mm"])
    for name in case.expected:
        if name == "edge_thickness":
            worked.expect(case, name, thickness.thickness_at(lens, radius, 0.0))
        elif name.startswith("edge_at_"):
            (x,), (y,) = rim(radius, [float(name.removeprefix("edge_at_"))])
            worked.expect(case, name, thickness.thickness_at(lens, x, y))
            worked.expect(case, name, thickness.profiles([lens], np.array([x]), np.array([y]))[0, 0])
        elif name == "back_surface_power":
            worked.expect(case, name, -lens.back_along * 1000 * (i["index"] - 1))
        elif name == "volume_circular":
            shape = round_lens(radius, 3600)
            got = thickness.volume(lens, shape)
            assert got == pytest.approx(case.expected[name]["value"], abs=0.5)


def test_worked_cut_lens():
    case = worked.case("g-cmp-11")
    i, shape = case.inputs, outline("A")
    lens = thickness.make(spec_of(case, at_x=i["oc_nasal_mm"], at_y=i["oc_up_mm"]), i["centre_thickness_mm"])
    edge, volume = thickness.edge(lens, shape), thickness.volume(lens, shape)
    worked.expect(case, "area", boxing.area(shape))
    worked.expect(case, "max_edge", edge.thickest)
    worked.expect(case, "min_edge", edge.thinnest)
    assert volume == pytest.approx(case.expected["volume"]["value"], abs=0.5)  # far inside the stated 0.5 %
    assert thickness.mass_g(volume, i["density_g_cm3"]) == pytest.approx(case.expected["mass"]["value"], abs=0.001)


@pytest.mark.parametrize("case", worked.cases("g", "g-pub"), ids=str)
def test_published_surface_powers(case):
    """Radii and surface powers of menisci (NFOS teaching pages): our curvature of that power is the radius printed there."""
    i = case.inputs
    nominal = case.expected["nominal"]["value"]
    lens = thickness.make(
        Spec(sphere=nominal, index=i["index"], front_curve=curve(case.expected["F1"]["value"], i["index"])), 0.0
    )
    if i["r_front_m"] is None:
        assert lens.front == 0.0
    else:
        assert 1 / lens.front / 1000 == pytest.approx(i["r_front_m"], rel=2e-3)
    assert 1 / lens.back_along / 1000 == pytest.approx(i["r_back_m"], rel=2e-3)


@pytest.mark.parametrize("case", [c for c in worked.cases("n") if "bvp_D" in c.inputs], ids=str)
def test_back_surface_of_a_wanted_power(case):
    i = case.inputs
    lens = thickness.make(Spec(sphere=i["bvp_D"], index=i["index"], front_curve=curve(i["F1_D"], i["index"])), i["t_mm"])
    worked.expect(case, "F2", -lens.back_along * 1000 * (i["index"] - 1))
    worked.expect(case, "r2_mm", 1 / lens.back_along)


def test_sag_rule_and_exact_sag():
    """Edge of a -6.00, 1.498, 60 mm: 7.42 by the rule, 8.12 exactly (worked example g-cmp-01)."""
    case = worked.case("g-cmp-01")
    reference = case.reference
    assert thickness.sag(3 / 498, 30) == pytest.approx(reference["sag_front"], abs=1e-4)
    assert thickness.sag(9.012064 / 498, 30) == pytest.approx(reference["sag_back"], abs=1e-4)
    rule = 2.0 + thickness.sag_approximate(6.0, 30.0, 1.498)
    assert rule == pytest.approx(reference["approx_thickness_y2F/2000(n-1)"], abs=1e-4)


@pytest.mark.parametrize(("index", "rule"), [(1.498, 5.4), (1.586, 4.6), (1.67, 4.0), (1.74, 3.7)])
def test_table_of_the_sag_rule(index, rule):
    """Edge less centre of a -6.00 of 60 mm by the rule, as tabulated by index (derived table, one decimal)."""
    assert thickness.sag_approximate(6.0, 30.0, index) == pytest.approx(rule, abs=0.06)


# --- independent methods ---------------------------------------------------------------------------------------------


def optiland_sags(spec: Spec, centre: float, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Thickness from optiland's own surfaces; the wedge from the exact prism equation solved numerically."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from optiland.coordinate_system import CoordinateSystem
        from optiland.geometries import StandardGeometry
        from optiland.geometries.toroidal import ToroidalGeometry

        n = spec.index
        sphere, cylinder, axis = spec.sphere, spec.cylinder, spec.axis_deg
        if cylinder > 0:
            sphere, cylinder, axis = sphere + cylinder, -cylinder, axis + 90
        front = spec.front_curve / 0.53 * (n - 1)
        arrives = front / (1 - centre / 1000 / n * front)

        def radius(power):
            return np.inf if abs(power) < 1e-12 else 1000 * (n - 1) / power

        turn = math.radians(axis)
        dx, dy = x - spec.at_x, y - spec.at_y
        along, across = dx * math.cos(turn) + dy * math.sin(turn), dy * math.cos(turn) - dx * math.sin(turn)
        back = ToroidalGeometry(CoordinateSystem(), radius(arrives - sphere), radius(arrives - sphere - cylinder))
        ball = StandardGeometry(CoordinateSystem(), radius(front), 0.0)
        gap = back.sag(along, across) - ball.sag(dx, dy)
    return centre + gap


@pytest.mark.outside
@pytest.mark.parametrize(("sphere", "cylinder"), GRID)
@pytest.mark.parametrize("index", [1.498, 1.6, 1.74])
def test_thickness_against_optiland(sphere, cylinder, index):
    shape = outline("A")
    spec = Spec(
        sphere=sphere,
        cylinder=cylinder,
        axis_deg=35.0,
        index=index,
        front_curve=thickness.base_curve(sphere, cylinder),
        at_x=2.5,
        at_y=1.5,
    )
    x, y = shape.x * 0.6, shape.y * 0.6  # a lenticular field: -20.00 does not reach farther in 1.498
    lens = thickness.least_lens(spec, x, y, min_centre=1.2, min_edge=1.0)
    wanted = optiland_sags(spec, lens.centre, x, y)
    got = thickness.profiles([lens], x, y)[0]
    np.testing.assert_allclose(got, wanted, atol=1e-9)
    assert min(got.min(), lens.centre) == pytest.approx(min(max(1.0, got.min()), lens.centre), abs=1e-6)
    assert got.min() >= 1.0 - 2e-6
    assert lens.centre >= 1.2 - 1e-9
    assert got.min() < 1.0 + 2e-6 or lens.centre < 1.2 + 1e-6  # least: one of the minima is just met


@pytest.mark.outside
@pytest.mark.parametrize(("sphere", "cylinder"), GRID)
def test_back_vertex_power_by_ray_trace(sphere, cylinder):
    """Rays near the axis from a distant object through the made surfaces meet where the ordered power says (optiland)."""
    from dispensing.optics.power import Power
    from tests.dispensing.optics.outside import optiland_trace

    spec = Spec(
        sphere=sphere, cylinder=cylinder, axis_deg=180.0, index=1.6, front_curve=thickness.base_curve(sphere, cylinder)
    )
    lens = thickness.make(spec, 3.0)
    front = lens.front * 600.0
    h = 0.02
    for meridian, power in ((0.0, sphere), (90.0, sphere + cylinder)):
        point = np.array([[h * math.cos(math.radians(meridian)), h * math.sin(math.radians(meridian)), 0.0]])
        # from the back focal point outwards the ray must leave parallel to the axis
        to_focus = point - np.array([[0.0, 0.0, -1000.0 / power]]) if power else np.array([[0.0, 0.0, 1.0]])
        way = to_focus / np.linalg.norm(to_focus) * np.sign(to_focus[0, 2] if power else 1.0)
        _, out = optiland_trace(Power(sphere, cylinder, 180.0), front, 3.0, 1.6, point, way)
        assert math.hypot(out[0, 0], out[0, 1]) == pytest.approx(0.0, abs=2e-7)
        # and the surfaces optiland was told are those that were made
    assert lens.back_along * 600 == pytest.approx(front / (1 - 0.003 / 1.6 * front) - sphere, abs=1e-9)
    assert lens.back_across * 600 == pytest.approx(front / (1 - 0.003 / 1.6 * front) - sphere - cylinder, abs=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize("prism", [0.5, 2.0, 6.0, 12.0])
@pytest.mark.parametrize("index", [1.498, 1.74])
def test_wedge_deviates_by_its_prism(prism, index):
    """Snell's law solved for the ray that enters square on: the wedge deviates it by exactly the prism asked for."""
    angle = math.atan(thickness.wedge_slope(prism, index))
    deviation = math.asin(index * math.sin(angle)) - angle
    assert 100 * math.tan(deviation) == pytest.approx(prism, abs=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("sphere", "cylinder", "prism"), [(-20, 0, 0), (-10, -4, 3), (-4, -1, 0), (0, 0, 5), (3, -2, 0), (8, -1, 2), (20, 0, 0)]
)
@pytest.mark.parametrize("name", ["A", "B"])
def test_volume_against_scipy(sphere, cylinder, prism, name):
    shape = outline(name)
    spec = Spec(
        sphere=sphere,
        cylinder=cylinder,
        axis_deg=25.0,
        index=1.74 if abs(sphere) > 12 else 1.5,
        front_curve=thickness.base_curve(sphere, cylinder),
        prism_in=prism,
        prism_up=-0.5 * prism,
        at_x=2.0,
        at_y=1.0,
    )
    lens = thickness.least_lens(spec, shape.x, shape.y, min_centre=1.5, min_edge=1.0)
    x, y = shape.x - spec.at_x, shape.y - spec.at_y
    total = 0.0
    # triangle by triangle from the reference point, adaptive in both directions
    for i in range(len(x)):
        j = (i + 1) % len(x)
        twice = x[i] * y[j] - x[j] * y[i]

        def along(s, t, i=i, j=j):
            px, py = s * (x[i] + t * (x[j] - x[i])), s * (y[i] + t * (y[j] - y[i]))
            return s * thickness.thickness_at(lens, px + spec.at_x, py + spec.at_y)

        nodes, weights = np.polynomial.legendre.leggauss(4)
        inner = 0.0
        for node, weight in zip((nodes + 1) / 2, weights / 2, strict=True):
            inner += weight * integrate.quad(along, 0.0, 1.0, args=(node,), epsabs=1e-9, limit=40)[0]
        total += twice * inner
    got = thickness.volume(lens, shape)
    assert got == pytest.approx(total, abs=1.0)
    assert thickness.mass_g(got, 1.47) == pytest.approx(thickness.mass_g(total, 1.47), abs=0.02)
    dense = boxing.box(boxing.radii(shape, 400))
    both = thickness.edge_and_volume([lens, lens], dense)
    assert both[1][0] == pytest.approx(thickness.volume(lens, dense), abs=1e-6)
    np.testing.assert_allclose(both[0][1], thickness.profiles([lens], dense.x, dense.y)[0], atol=1e-12)


def test_volume_of_a_flat_prism_is_a_cut_cylinder():
    """A plano lens with prism is a cylinder cut aslant: area times the thickness at its middle, in closed form."""
    shape = round_lens(25.0)
    lens = thickness.make(Spec(sphere=0.0, front_curve=0.0, prism_in=4.0, at_x=3.0, at_y=-2.0), 4.0)
    middle = 4.0 - 3.0 * thickness.wedge_slope(4.0, 1.5)
    assert thickness.volume(lens, shape) == pytest.approx(boxing.area(shape) * middle, abs=1e-8)


# --- properties ------------------------------------------------------------------------------------------------------

powers = st.tuples(st.floats(-10, 8), st.floats(-3, 0), st.floats(0, 180))


@given(powers, st.floats(-2, 4), st.floats(-3, 3))
def test_higher_index_is_never_thicker(power, x, y):
    """Of one front curve; at plano the order turns, since the allowance for thickness outweighs the power there."""
    shape = outline("A")
    sphere, cylinder, axis = power
    assume(sphere < -1.0 or sphere + cylinder > 1.0)
    found = []
    for index in (1.5, 1.6, 1.67, 1.74):
        spec = Spec(
            sphere=sphere,
            cylinder=cylinder,
            axis_deg=axis,
            index=index,
            front_curve=thickness.base_curve(sphere, cylinder),
            at_x=x,
            at_y=y,
        )
        lens = thickness.least_lens(spec, shape.x, shape.y, min_centre=1.5, min_edge=1.0)
        edge = thickness.edge(lens, shape)
        found.append(max(edge.thickest, lens.centre))
    assert all(b <= a + 1e-6 for a, b in itertools.pairwise(found))


@given(powers, st.floats(-4, 4), st.floats(-4, 4), st.floats(-3, 3), st.floats(-3, 3))
def test_the_eyes_are_mirror_images(power, x, y, prism_in, prism_up):
    """In the nasal frame a left lens with axis 180 - A is the right lens with axis A."""
    sphere, cylinder, axis = power
    shape = outline("B")

    def lens(eye, written):
        spec = Spec(
            sphere=sphere,
            cylinder=cylinder,
            axis_deg=thickness.nasal_axis(written, eye),
            prism_in=prism_in,
            prism_up=prism_up,
            index=1.67,
            at_x=x,
            at_y=y,
        )
        return thickness.make(spec, 3.0)

    right = thickness.profiles([lens("right", axis)], shape.x, shape.y)
    left = thickness.profiles([lens("left", 180.0 - axis)], shape.x, shape.y)
    np.testing.assert_allclose(right, left, atol=1e-9)


@given(powers)
def test_either_cylinder_form_is_the_same_lens(power):
    sphere, cylinder, axis = power
    x, y = rim(25.0, range(0, 360, 10))
    one = thickness.profiles([thickness.make(Spec(sphere=sphere, cylinder=cylinder, axis_deg=axis), 3.0)], x, y)
    other = thickness.profiles(
        [thickness.make(Spec(sphere=sphere + cylinder, cylinder=-cylinder, axis_deg=axis + 90), 3.0)], x, y
    )
    np.testing.assert_allclose(one, other, atol=1e-9)


@given(powers, st.floats(0, 6), st.floats(0, 360), st.floats(1, 2.5), st.floats(0.8, 2))
def test_minima_are_met_and_no_more(power, prism, base, min_centre, min_edge):
    sphere, cylinder, axis = power
    shape = outline("A")
    t = math.radians(base)
    spec = Spec(
        sphere=sphere,
        cylinder=cylinder,
        axis_deg=axis,
        prism_in=prism * math.cos(t),
        prism_up=prism * math.sin(t),
        index=1.67,
        at_x=2.0,
    )
    lens = thickness.least_lens(spec, shape.x, shape.y, min_centre=min_centre, min_edge=min_edge)
    edge = thickness.edge(lens, shape)
    inside = thickness.thinnest_inside(lens)
    assert edge.thinnest >= min_edge - 2e-6
    assert inside >= min_centre - 2e-6
    assert edge.thinnest == pytest.approx(min_edge, abs=5e-6) or inside == pytest.approx(min_centre, abs=5e-6)


def test_thinnest_place_inside_with_prism():
    """Prism on a minus lens moves the thinnest place; a fine grid search finds the same thickness."""
    spec = Spec(sphere=-6.0, cylinder=-2.0, axis_deg=30.0, index=1.6, front_curve=4.0, prism_in=4.0, prism_up=1.5)
    lens = thickness.make(spec, 2.0)
    g = np.linspace(-14, 14, 1401)
    x, y = np.meshgrid(g, g)
    grid = thickness.profiles([lens], x.ravel(), y.ravel())[0]
    assert thickness.thinnest_inside(lens) == pytest.approx(grid.min(), abs=2e-4)
    assert grid.min() < 2.0 - 0.05


def test_drill_points_hold_the_minimum_too():
    shape = outline("A")
    spec = Spec(sphere=-2.0, front_curve=5.0)
    hole = (22.0, 2.0)
    plain = thickness.least_lenses([spec], shape.x, shape.y, min_centre=[1.0], min_edge=[2.0])[0]
    held = thickness.least_lenses([spec], shape.x, shape.y, min_centre=[1.0], min_edge=[2.0], extra=[hole])[0]
    assert thickness.thickness_at(held, *hole) >= 2.0 - 1e-5
    assert held.centre >= plain.centre


def test_batches_are_the_single_lenses():
    shape = outline("A")
    many = [
        thickness.make(Spec(sphere=-5 + 0.25 * k, cylinder=-k / 20, axis_deg=k * 4.0, prism_in=k % 3, at_x=k / 20), 2.5)
        for k in range(45)
    ]
    table = thickness.profiles(many, shape.x, shape.y)
    for lens, row in zip(many, table, strict=True):
        np.testing.assert_allclose(row, thickness.profiles([lens], shape.x, shape.y)[0], atol=1e-12)
        np.testing.assert_allclose(
            row[::9],
            [thickness.thickness_at(lens, a, b) for a, b in zip(shape.x[::9], shape.y[::9], strict=True)],
            atol=1e-12,
        )


# --- errors ----------------------------------------------------------------------------------------------------------


def test_a_surface_that_does_not_reach_is_named():
    shape = outline("A")
    lens = thickness.make(Spec(sphere=-25.0, index=1.498, front_curve=1.0), 1.5)
    with pytest.raises(OutOfRange, match=r"back surface of .* mm radius does not reach"):
        thickness.profiles([lens], shape.x, shape.y)
    with pytest.raises(OutOfRange, match="does not reach"):
        thickness.thickness_at(lens, 26.0, 0.0)
    fine = thickness.make(Spec(sphere=-2.0), 2.0)
    with pytest.raises(OutOfRange, match="does not reach"):
        thickness.profiles([fine, lens], shape.x, shape.y)


@pytest.mark.parametrize(
    ("change", "error"),
    [
        ({"sphere": float("nan")}, NotFinite),
        ({"cylinder": float("inf")}, NotFinite),
        ({"index": 1.0}, OutOfRange),
        ({"index": float("nan")}, NotFinite),
        ({"front_curve": float("inf")}, NotFinite),
        ({"front_curve": 900.0}, OutOfRange),
    ],
)
def test_bad_values_are_named(change, error):
    with pytest.raises(error) as found:
        thickness.make(Spec(**({"sphere": -2.0} | change)), 2.0)
    assert isinstance(found.value, OpticsError)
    assert next(iter(change)) in str(found.value) or found.value.argument in change


def test_mass_needs_a_density():
    with pytest.raises(OutOfRange, match="density"):
        thickness.mass_g(5000.0, 0.0)


@given(st.floats(-20, 20))
def test_base_curves_are_on_the_series_and_rise_with_power(power):
    curve_found = thickness.base_curve(power)
    assert 0.5 <= curve_found <= 12.0
    assert curve_found * 4 == int(curve_found * 4)
    assert thickness.base_curve(power + 1.0) >= curve_found
    assume(-10 < power < 5)
    # Vogel's rule (from memory): plus: power + 6; minus: half the power + 6
    assert curve_found == pytest.approx(6 + (power if power > 0 else power / 2), abs=0.126)
