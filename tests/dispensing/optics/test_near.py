"""Near centration: worked examples f, optiland's exact trace over a grid of powers, properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics import near
from dispensing.optics.errors import NotFinite, OutOfRange
from dispensing.optics.power import Power
from dispensing.optics.prism import nasal_entries
from dispensing.optics.realray import lens_of
from tests.dispensing.optics import worked
from tests.dispensing.optics.outside import optiland_trace

GRID = [-20.0, -15.0, -10.0, -6.0, -3.0, 0.0, 3.0, 6.0, 10.0, 15.0, 20.0]


def real_lens(power: float, index: float = 1.6):
    front = 8.0 + power if power > 0 else 6.0 + power / 4
    return lens_of(Power(power), min(front, 18.0), 1.5 if power < 0 else 1.5 + 0.6 * power, index)


@pytest.mark.parametrize("case", worked.cases("f"), ids=str)
def test_worked_near(case):
    i = case.inputs
    if "inset_rule_mm" in case.expected:
        worked.expect(case, "inset_rule_mm", near.inset_rule(i["working_distance_mm"]))
        assert near.inset(32, i["working_distance_mm"]) == pytest.approx(case.reference["geometric_PD64_F0_s27"], abs=1e-3)
    elif "monoPD_R" in i:
        found = [near.near_pd(i[f"monoPD_{e}"], i["working_distance_from_lens_mm"], 0.0, i["lens_to_cor_mm"]) for e in "RL"]
        worked.expect(case, "near_R", found[0])
        worked.expect(case, "near_L", found[1])
        worked.expect(case, "near_PD", sum(found))
    else:
        pd, w, s, power = (
            i["half_PD_mm"],
            i["working_distance_from_lens_mm"],
            i["lens_to_centre_of_rotation_mm"],
            i["distance_power_D"],
        )
        worked.expect(case, "inset_thin_lens_formula", near.inset(pd, w, power, s))
        worked.expect(case, "near_half_PD_at_lens", near.near_pd(pd, w, power, s))
        r = case.reference
        # the published file does not say the index of its thick lens: 1.5 gives its figures
        lens = lens_of(Power(power), r["thick_front_D"], r["thick_ct_mm"], 1.5)
        assert near.inset_real(lens, pd, w, s) == pytest.approx(r["exact_thick_lens_inset_at_back_vertex_plane"], abs=0.02)


@pytest.mark.parametrize(
    ("pd", "l330", "l400", "l500", "l650"),
    [
        (58, 53.6, 54.3, 55.0, 55.7),
        (62, 57.3, 58.1, 58.8, 59.5),
        (64, 59.2, 60.0, 60.7, 61.5),
        (72, 66.6, 67.5, 68.3, 69.1),
    ],
)
def test_table_of_near_centration_distances(pd, l330, l400, l500, l650):
    """PD x l / (l + s), s = 27: table in the form given by Jalie (from memory), one decimal, two of its figures rounded up from .447."""
    for working, wanted in ((330, l330), (400, l400), (500, l500), (650, l650)):
        assert 2 * near.near_pd(pd / 2, working) == pytest.approx(wanted, abs=0.06)


@pytest.mark.outside
@pytest.mark.parametrize("power", GRID)
@pytest.mark.parametrize("working", [250.0, 400.0, 650.0])
def test_traced_inset_against_optiland(power, working):
    """optiland sends the ray found by `inset_real` to the task: it must arrive there."""
    lens = real_lens(power)
    pd, rotation = 32.0, 27.0
    found = near.inset_real(lens, pd, working, rotation)
    way = np.array([[found, 0.0, rotation]]) / math.hypot(found, rotation)
    at, out = optiland_trace(lens.power, lens.front, lens.thickness_mm, lens.index, [[0.0, 0.0, -rotation]], way)
    arrives = at[0, 0] + (working - at[0, 2]) * out[0, 0] / out[0, 2]
    assert arrives == pytest.approx(pd, abs=1e-4)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("power", "within"), [(-20, 0.02), (-10, 0.02), (-6, 0.02), (-3, 0.02), (0, 0.02), (3, 0.06), (6, 0.12), (10, 0.25)]
)
def test_thin_lens_form_is_as_close_as_it_says(power, within):
    lens = real_lens(float(power))
    assert near.inset(32, 400, power) == pytest.approx(near.inset_real(lens, 32, 400), abs=within)


@given(st.floats(25, 37), st.floats(250, 900), st.floats(-15, 10), st.floats(24, 29))
def test_crossing_of_a_sphere_is_the_inset(pd, working, power, rotation):
    found = near.crossing((power, 0.0, power), pd, working, rotation_mm=rotation)
    assert found.x == pytest.approx(near.inset(pd, working, power, rotation), abs=1e-9)
    assert found.y == pytest.approx(0.0, abs=1e-12)


@given(st.floats(-8, 8), st.floats(-3, 0), st.floats(1, 180), st.floats(0, 200), st.floats(0, 3.5))
def test_the_eyes_are_mirror_images(sphere, cylinder, axis, drop, add):
    right, left = Power(sphere, cylinder, axis), Power(sphere, cylinder, axis).mirrored()
    how = {"drop_mm": drop, "add": add, "segment_x": 2.0, "segment_y": -9.0}
    assert near.crossing(nasal_entries(right, "right"), 32, 400, **how) == pytest.approx(
        near.crossing(nasal_entries(left, "left"), 32, 400, **how), abs=1e-9
    )


@given(st.floats(-8, 6), st.floats(-3, 0), st.floats(1, 180), st.floats(0, 150))
def test_crossing_sends_the_ray_to_the_task(sphere, cylinder, axis, drop):
    """The thin-lens ray equation step by step: slope from the centre of rotation, deviation of the lens, distance to the task."""
    f = np.array(Power(sphere, cylinder, axis).matrix()) / 1000
    x, y = near.crossing(Power(sphere, cylinder, axis).entries(), 32, 400, drop_mm=drop)
    d = np.array([x, y])
    slope = d / 27 - f @ d
    np.testing.assert_allclose(d + 400 * slope, [32, -drop], atol=1e-9)


def test_a_segment_moves_the_crossing():
    """With +2.00 centred 9 mm below and 2 mm in, the line of sight to a reading task crosses nearer the segment's centre prism-free line."""
    plain = near.crossing((0, 0, 0), 32, 400, drop_mm=150)
    with_segment = near.crossing((0, 0, 0), 32, 400, drop_mm=150, add=2.0, segment_x=plain.x, segment_y=plain.y)
    assert with_segment == pytest.approx(plain, abs=1e-9)  # looked through its own centre a segment turns nothing
    lower = near.crossing((0, 0, 0), 32, 400, drop_mm=150, add=2.0, segment_x=plain.x, segment_y=plain.y + 5)
    assert lower.y < plain.y


@pytest.mark.parametrize(
    ("call", "error"),
    [
        (lambda: near.inset(float("nan"), 400), NotFinite),
        (lambda: near.inset(32, 400, float("inf")), NotFinite),
        (lambda: near.inset(32, 0), OutOfRange),
        (lambda: near.inset(320, 400), OutOfRange),
        (lambda: near.inset(32, 400, 60.0), OutOfRange),
        (lambda: near.crossing((60, 0, 60), 32, 400), OutOfRange),
        (lambda: near.inset_real(lens_of(Power(2, -1, 45), 6, 3, 1.5), 32, 400), OutOfRange),
    ],
)
def test_errors(call, error):
    with pytest.raises(error):
        call()
