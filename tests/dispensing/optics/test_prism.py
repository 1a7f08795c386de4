"""Prism against published worked answers, the exact reference traces, and optiland over a grid of powers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from dispensing.optics.errors import OutOfRange, RayLost, SingularPower
from dispensing.optics.power import Power
from dispensing.optics.prism import (
    Prism,
    compose,
    decentration_for,
    decentrations_for,
    exact_prism,
    net,
    prism_at,
    prism_from_decentration,
    prisms_at,
)
from dispensing.optics.realray import Back, lens_of, unit
from dispensing.optics.vertex import back_surface, equivalent_power
from tests.dispensing.optics.outside import optiland_trace
from tests.dispensing.optics.worked import case, cases, expect

powers = st.builds(Power, st.floats(-20, 20), st.floats(-8, 8), st.floats(0, 180))
eyes = st.sampled_from(["right", "left"])
places = st.floats(-30, 30)
EYE = {"R": "right", "L": "left"}


def lens(data) -> Power:
    return Power(data["sphere_D"], data["cyl_D"], data["axis_deg"])


# b-pub-02 to -04: NFOS opt11 answers 13a (published, to 0.1 Δ).
@pytest.mark.parametrize(
    ("identity", "x", "y"),
    [
        ("b-pub-02", -5, 0),
        ("b-pub-03", 0, -4),
        ("b-pub-04", 0, 8),
    ],  # where the optical centre lies from the point looked through
)
@pytest.mark.parametrize("eye", ["right", "left"])
def test_prentice(identity, x, y, eye):
    worked = case(identity)
    got = prism_from_decentration(Power(worked["power_in_meridian_D"]), x, y, eye)
    expect(worked, "prism", got.amount)
    horizontal = "BI" if got.base_in > 0 else "BO"
    vertical = "BU" if got.base_up > 0 else "BD"
    expect(worked, "base", horizontal if x else vertical)


def test_prentice_in_the_vertical_of_a_cylinder():
    """b-pub-04 in full: +5.00-1.50x090, 8 mm below the optical centre."""
    got = prism_at(Power(5, -1.5, 90), 0, -8, "right")
    assert (got.base_in, got.base_up) == pytest.approx((0, 4), abs=1e-12)


def test_oblique_cylinder_of_jalie():
    """b-pub-06: M. Jalie, Lens Talk, The Indian Optician, Sept-Oct 2022, p. 112 (published)."""
    worked = case("b-pub-06")
    got = prism_from_decentration(lens(worked.inputs), -worked["OC_out_of_point_mm"], -worked["OC_below_point_mm"], "right")
    expect(worked, "vertical", abs(got.base_up))
    assert got.base_up < 0


# b-pub-07, -08: Durham Technical Community College, oph142 (published).
@pytest.mark.parametrize("worked", [c for c in cases("b") if "base_360_deg" in c.expected], ids=str)
def test_composition(worked):
    parts = worked.inputs
    got = compose(
        Prism(parts.get("BI_pd", 0) - parts.get("BO_pd", 0), 0), Prism(0, parts.get("BU_pd", 0) - parts.get("BD_pd", 0))
    )
    expect(worked, "prism", got.amount)
    expect(worked, "base_360_deg", got.base(EYE[worked["eye"]]))


def test_resolution():
    worked = case("b-cmp-19")
    got = Prism.at_base(worked["prism_pd"], worked["base_deg"], EYE[worked["eye"]])
    expect(worked, "BU", got.base_up)
    expect(worked, "BI", got.base_in)


@pytest.mark.parametrize(
    ("eye", "prism", "base"),
    [
        ("right", Prism(2, 0), 0),
        ("right", Prism(0, 2), 90),
        ("right", Prism(-2, 0), 180),
        ("right", Prism(0, -2), 270),
        ("left", Prism(-2, 0), 0),
        ("left", Prism(0, 2), 90),
        ("left", Prism(2, 0), 180),
        ("left", Prism(0, -2), 270),
    ],
)
def test_scale(eye, prism, base):
    """The 0-360 scale follows ISO 8429: right in 0, out 180; left out 0, in 180."""
    assert prism.base(eye) == pytest.approx(base)
    back = Prism.at_base(2, base, eye)
    assert (back.base_in, back.base_up) == (prism.base_in, prism.base_up)
    assert Prism().base(eye) == 0


@pytest.mark.parametrize("worked", cases("b", "b-cmp-02", "b-cmp-03", "b-cmp-04"), ids=str)
def test_binocular_difference(worked):
    right = prism_at(lens(worked["R"]), worked["point_nasal_mm"], worked["point_up_mm"], "right")
    left = prism_at(lens(worked["L"]), worked["point_nasal_mm"], worked["point_up_mm"], "left")
    pair = net(right, left)
    expect(worked, "R_vertical_BUpos", right.base_up)
    expect(worked, "R_horizontal_BIpos", right.base_in)
    expect(worked, "L_vertical_BUpos", left.base_up)
    expect(worked, "L_horizontal_BIpos", left.base_in)
    expect(worked, "vertical_difference_R_minus_L_BU", pair.vertical)
    expect(worked, "horizontal_net_BIpos_sum", pair.horizontal)


def test_yoked_prism_cancels_and_split_prism_adds():
    assert net(Prism(-3, 2), Prism(3, 2)) == (0, 0)
    assert net(Prism(3, 2), Prism(3, -2)) == (6, 4)


# ── real lenses ────────────────────────────────────────────────────────────


@pytest.mark.parametrize("worked", cases("b", "b-cmp-07", "b-cmp-08", "b-cmp-09"), ids=str)
@pytest.mark.parametrize("eye", ["right", "left"])
def test_real_lens(worked, eye):
    how = {
        "front": worked["front_D"],
        "thickness_mm": worked["centre_thickness_mm"],
        "index": worked["index"],
        "rotation_centre_mm": worked["centre_of_rotation_behind_back_vertex_mm"],
    }
    away, power = worked["distance_from_OC_mm"], Power(worked["bvp_D"])
    turned = exact_prism(power, 0, -away, eye, **how)
    parallel = exact_prism(power, away, 0, eye, line="parallel", **how)
    expect(worked, "prentice_prism", turned.prentice.amount)
    seen = worked.reference
    assert turned.prism.amount == pytest.approx(
        seen["exact_prism_eye_rotated_ray_through_CoR_hitting_back_surface_at_that_height"], abs=2e-6
    )
    assert parallel.prism.amount == pytest.approx(
        seen["exact_prism_ray_parallel_to_axis_entering_at_that_height"], abs=2e-6
    )
    assert math.copysign(1, turned.prism.base_up) == math.copysign(1, turned.prentice.base_up)
    assert math.copysign(1, parallel.prism.base_in) == math.copysign(1, parallel.prentice.base_in)


def lens_form(power: Power) -> tuple[float, float, float]:
    """A usual front curve, centre thickness and index for a power."""
    strongest = power.strongest.power
    if strongest < 0:
        return (2.0 if strongest < -8 else 4.0), 1.5, 1.6
    return strongest + 3.0, 2.0 + strongest * 0.5, 1.6


@pytest.mark.outside
@pytest.mark.parametrize("sphere", range(-20, 21, 4))
@pytest.mark.parametrize(("cylinder", "axis"), [(0, 180), (-3, 25), (2, 140)])
def test_grid_by_optiland(sphere, cylinder, axis):
    """Independent: optiland's own surfaces and Snell's law, six directions of gaze, both eyes; agreement to 1e-6 Δ."""
    power = Power(sphere, cylinder, axis)
    front, thick, index = lens_form(power)
    for eye, nose in (("right", 1.0), ("left", -1.0)):
        for x, y in ((0, -8), (5, 0), (-6, 3), (4, -10), (-9, -9), (0.5, 0.5)):
            got = exact_prism(power, x, y, eye, front=front, thickness_mm=thick, index=index)
            # the line of sight is found from the back surface point alone; where it goes beyond the lens is optiland's
            z = Back(lens_of(power, front, thick, index)).at(x * nose, y)[0]
            seen = unit(x * nose, y, z + 27.0)
            _, out = optiland_trace(power, front, thick, index, [[0, 0, -27.0]], [seen])
            angle = math.acos(min(1.0, float(out[0] @ seen)))
            assert got.prism.amount == pytest.approx(100 * math.tan(angle), abs=2e-5)
            # base: the object lies further towards the base than it is seen
            turn = out[0] - seen
            if got.prism.amount > 0.5:
                assert (
                    math.copysign(1, turn[0] * nose) == math.copysign(1, got.prism.base_in) or abs(got.prism.base_in) < 0.2
                )
                assert math.copysign(1, turn[1]) == math.copysign(1, got.prism.base_up) or abs(got.prism.base_up) < 0.2


@pytest.mark.parametrize("power", [-20, -6, 4, 12])
def test_near_the_centre(power):
    """Independent: a ray parallel to the axis is bent by its height at the front times the equivalent power (paraxial optics), 0.02 Δ.

    For thick plus lenses that is less than Prentice's rule with the back vertex power, by the shape factor.
    """
    front, thick, index = lens_form(Power(power))
    got = exact_prism(Power(power), 0.6, -0.8, "right", front=front, thickness_mm=thick, index=index, line="parallel")
    back = back_surface(power, front, thick, index)
    assert got.prism.amount == pytest.approx(0.1 * abs(equivalent_power(front, back, thick, index)), abs=0.02)


def test_part_by_more_than_a_quarter():
    """+4.00 at 20 mm: 8.0 by Prentice, 10.2 Δ traced (reference finding, computed)."""
    got = exact_prism(Power(4), 0, -20, "right", front=6.5, thickness_mm=4, index=1.53)
    assert got.prentice.amount == pytest.approx(8.0)
    assert got.prism.amount == pytest.approx(10.2, abs=0.2)
    assert got.parted > 0.25


@given(powers, st.floats(-12, 12), st.floats(-12, 12))
def test_mirror_symmetry_of_the_traced_prism(power, x, y):
    front, thick, index = lens_form(power)
    try:
        right = exact_prism(power, x, y, "right", front=front, thickness_mm=thick, index=index)
    except RayLost:
        assume(False)
    left = exact_prism(power.mirrored(), x, y, "left", front=front, thickness_mm=thick, index=index)
    assert (left.prism.base_in, left.prism.base_up) == pytest.approx((right.prism.base_in, right.prism.base_up), abs=1e-8)


def test_beyond_the_surface():
    with pytest.raises(RayLost, match="beyond the edge"):
        exact_prism(Power(-20), 0, -40, "right", front=0, thickness_mm=1.5, index=1.5)
    with pytest.raises(RayLost):
        exact_prism(Power(20), 0, 35, "right", front=22, thickness_mm=3, index=1.5, line="parallel")


# ── properties ─────────────────────────────────────────────────────────────


@given(powers, places, places)
def test_mirror_symmetry_of_the_eyes(power, x, y):
    right, left = prism_at(power, x, y, "right"), prism_at(power.mirrored(), x, y, "left")
    assert (right.base_in, right.base_up) == pytest.approx((left.base_in, left.base_up), abs=1e-9)
    if right.amount > 1e-6:
        turned = (180.0 - left.base("left") - right.base("right") + 180.0) % 360.0 - 180.0
        assert turned == pytest.approx(0.0, abs=1e-6)


@given(powers, places, places, eyes)
def test_prism_by_meridians_agrees(power, x, y, eye):
    """Independent: resolve the shift along the principal meridians, apply Prentice's rule in each, and put them together."""
    nose = 1.0 if eye == "right" else -1.0
    sx, sy = 0.0, 0.0
    for meridian, strength in power.principals:
        u = np.array([math.cos(math.radians(meridian)) * nose, math.sin(math.radians(meridian))])
        part = strength * float(u @ [x, y]) / 10.0
        sx, sy = sx + part * u[0], sy + part * u[1]
    got = prism_from_decentration(power, x, y, eye)
    assert (got.base_in, got.base_up) == pytest.approx((sx, sy), abs=1e-9)


@given(powers, st.floats(-8, 8), st.floats(-8, 8), eyes)
def test_decentration_there_and_back(power, base_in, base_up, eye):
    assume(abs(power.weakest.power) > 1.5)
    wanted = Prism(base_in, base_up)
    shift = decentration_for(power, wanted, eye)
    got = prism_from_decentration(power, shift.x, shift.y, eye)
    assert (got.base_in, got.base_up) == pytest.approx((base_in, base_up), abs=1e-9)
    solved = np.linalg.solve(
        power.matrix() * [[1, 1 if eye == "right" else -1], [1 if eye == "right" else -1, 1]], [base_in, base_up]
    )
    assert (shift.x, shift.y) == pytest.approx(tuple(10 * solved), abs=1e-6)


@given(st.floats(0, 50), st.floats(0, 359.999), eyes)
def test_polar_there_and_back(amount, base, eye):
    prism = Prism.at_base(amount, base, eye)
    assert prism.amount == pytest.approx(amount, abs=1e-9)
    assert prism.along(base, eye) == pytest.approx(amount, abs=1e-9)
    if amount > 0.01:
        assert (prism.base(eye) - base + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)


@given(st.lists(st.tuples(powers, places, places, st.booleans()), min_size=1, max_size=15))
def test_arrays(rows):
    lenses = [r[0] for r in rows]
    columns = [p.sphere for p in lenses], [p.cylinder for p in lenses], [p.axis for p in lenses]
    left = np.array([r[3] for r in rows])
    h, v = prisms_at(*columns, [r[1] for r in rows], [r[2] for r in rows], left)
    x, y = decentrations_for(*columns, h, v, left)
    for i, (power, px, py, is_left) in enumerate(rows):
        one = prism_at(power, px, py, "left" if is_left else "right")
        assert (h[i], v[i]) == pytest.approx((one.base_in, one.base_up), abs=1e-9)
        if abs(power.weakest.power) < 0.005:
            assert np.isnan(x[i])
        elif abs(power.weakest.power) > 0.1:
            assert (x[i], y[i]) == pytest.approx((-px, -py), abs=1e-6)


# ── no useful decentration ─────────────────────────────────────────────────


@pytest.mark.parametrize("power", [Power(0), Power(0, -2, 90), Power(-2, 2, 30), Power(0.003)])
def test_singular(power):
    with pytest.raises(SingularPower, match="must be worked"):
        decentration_for(power, Prism(1, 1), "right")
    assert decentration_for(power, Prism(), "right") == (0, 0)


def test_too_far():
    with pytest.raises(OutOfRange, match="mm away"):
        decentration_for(Power(0.25), Prism(0, 5), "left")
