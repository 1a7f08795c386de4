"""The real ray by itself: Snell's law, the torus against optiland's, and what happens when a ray is lost."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics.errors import RayLost
from dispensing.optics.power import Power
from dispensing.optics.realray import Back, lens_of, refract, trace, unit
from dispensing.optics.vertex import radius_mm
from tests.dispensing.optics.outside import optiland_trace
from tests.dispensing.optics.worked import cases, expect


@given(st.floats(-1.3, 1.3), st.floats(1.3, 2.0))
def test_snell(angle, index):
    way = unit(math.sin(angle), 0.0, math.cos(angle))
    inside = refract(way, (0.0, 0.0, 1.0), 1.0 / index)
    assert index * inside[0] == pytest.approx(math.sin(angle), abs=1e-12)
    assert np.linalg.norm(inside) == pytest.approx(1.0)
    assert refract(inside, (0.0, 0.0, -1.0), index) == pytest.approx(way, abs=1e-9)  # the way back


def test_total_reflection():
    with pytest.raises(RayLost, match="totally reflected"):
        refract(unit(1, 0, 1), (0.0, 0.0, 1.0), 1.6)


@pytest.mark.outside
@pytest.mark.parametrize("axis", [10, 65, 90, 140, 180])
@pytest.mark.parametrize(
    ("sphere", "cylinder", "front", "thick"), [(-6, -3, 3, 1.5), (4, 3, 9, 6), (0, -2, 0, 2), (-12, 4, 1, 1.2)]
)
def test_torus_by_optiland(sphere, cylinder, front, thick, axis):
    """Where the ray leaves the front surface, 1e-6 mm, and its direction, 1e-8: both depend on the whole torus."""
    power = Power(sphere, cylinder, axis)
    lens = lens_of(power, front, thick, 1.6)
    ways = [unit(x, y, 1.0) for x, y in ((0, -0.4), (0.3, 0.2), (-0.35, 0.1), (0.01, 0.02))]
    at_front, out = optiland_trace(power, front, thick, 1.6, [(0, 0, -27.0)] * len(ways), ways)
    for i, way in enumerate(ways):
        got = trace(lens, (0.0, 0.0, -27.0), way)
        assert got.front == pytest.approx(tuple(at_front[i]), abs=1e-6)
        assert got.out == pytest.approx(tuple(out[i]), abs=1e-8)


@pytest.mark.parametrize("worked", cases("g", "g-cmp-08", "g-cmp-09", "g-cmp-10"), ids=str)
def test_torus_of_the_worked_examples(worked):
    """The same tyre as `thickness`: edge thickness by meridian (0.001 mm)."""
    lens = lens_of(
        Power(worked["sphere_D"], worked["cyl_D"], worked["axis_deg"]),
        worked["front_D"],
        worked["centre_thickness_mm"],
        worked["index"],
    )
    back, half = Back(lens), worked["diameter_mm"] / 2
    radius = radius_mm(worked["front_D"], worked["index"])
    front_sag = radius - math.sqrt(radius**2 - half**2)
    for name in worked.expected:
        angle = math.radians(float(name.removeprefix("edge_at_")))
        z = back.at(half * math.cos(angle), half * math.sin(angle))[0]
        expect(worked, name, worked["centre_thickness_mm"] - front_sag - z)


@given(st.floats(-15, 12), st.floats(-6, 6), st.floats(0, 180), st.floats(-10, 10), st.floats(-10, 10))
def test_slopes_are_those_of_the_surface(sphere, cylinder, axis, x, y):
    back = Back(lens_of(Power(sphere, cylinder, axis), max(sphere + 4, 2), 4, 1.6))
    _, zx, zy = back.at(x, y)
    h = 1e-5
    assert zx == pytest.approx((back.at(x + h, y)[0] - back.at(x - h, y)[0]) / (2 * h), abs=1e-7)
    assert zy == pytest.approx((back.at(x, y + h)[0] - back.at(x, y - h)[0]) / (2 * h), abs=1e-7)


def test_surfaces_that_cross():
    with pytest.raises(RayLost, match="surfaces cross"):
        trace(lens_of(Power(20), 20, 1.0, 1.5), (0.0, 0.0, -27.0), unit(0.0, 0.7, 1.0))
