"""Transverse chromatic aberration: reference values, Jalie's threshold, and a trace of two colours."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics.chromatic import blur, blur_at, blur_at_gaze, distance_to_blur
from dispensing.optics.errors import OutOfRange
from dispensing.optics.power import Power
from dispensing.optics.prism import Prism, prism_at
from dispensing.optics.realray import Back, lens_of, trace, unit
from tests.dispensing.optics.worked import cases, expect

powers = st.builds(Power, st.floats(-20, 20), st.floats(-8, 8), st.floats(0, 180))


@pytest.mark.parametrize("worked", [c for c in cases("j") if "bvp_D" in c.inputs], ids=str)
def test_formula(worked):
    away, power = worked["distance_from_OC_mm"], Power(worked["bvp_D"])
    expect(worked, "prism", prism_at(power, 0, -away, "right").amount)
    expect(worked, "tca", blur_at(power, 0, -away, "right", worked["abbe"]))


@pytest.mark.parametrize("worked", [c for c in cases("j") if "sphere_D" in c.inputs], ids=str)
def test_oblique_cylinder(worked):
    power = Power(worked["sphere_D"], worked["cyl_D"], worked["axis_deg"])
    # right eye: the observer's right is nasal; the point lies opposite to where the centre is
    point = -worked["oc_right_mm"], -worked["oc_up_mm"]
    expect(worked, "prism", prism_at(power, *point, "right").amount)
    expect(worked, "tca", blur_at(power, *point, "right", worked["abbe"]))


def seen_through_pupil(lens, index, back, pupil, target, object_way):
    """The slope, across the turned eye, at which this colour of the distant object reaches the centre of the entrance pupil."""
    low, high = -0.2, 0.2
    right = unit(0.0, target[2], -target[1])

    def off(slope):
        way = unit(*(target[i] + slope * right[i] for i in range(3)))
        out = trace(lens, pupil, way, back=back, index=index).out
        return out[1] * object_way[2] - out[2] * object_way[1]

    rising = off(high) > off(low)
    for _ in range(100):
        middle = (low + high) / 2
        if (off(middle) < 0) == rising:
            low = middle
        else:
            high = middle
    return low


@pytest.mark.parametrize("worked", [c for c in cases("j") if "front_D" in c.reference], ids=str)
def test_against_the_trace_of_two_colours(worked):
    """The reference's exact spread at the entrance pupil, traced anew; and how far the formula is from it, as its docstring says."""
    seen = worked.reference
    lens = lens_of(Power(worked["bvp_D"]), seen["front_D"], seen["ct_mm"], worked["index"])
    back = Back(lens)
    away = -worked["distance_from_OC_mm"]
    way = unit(0.0, away, back.at(0.0, away)[0] + 27.0)
    outside = trace(lens, (0.0, 0.0, -27.0), way, back=back).out
    pupil = tuple(c + 10.5 * w for c, w in zip((0.0, 0.0, -27.0), way, strict=True))
    spread = (worked["index"] - 1.0) / worked["abbe"]
    slopes = [
        seen_through_pupil(lens, worked["index"] + share * spread, back, pupil, way, outside) for share in (0.6, -0.4)
    ]
    exact = 100.0 * abs(slopes[0] - slopes[1])
    assert exact == pytest.approx(seen["exact_angular_spread_F_to_C_at_entrance_pupil_of_turned_eye_pd"], rel=0.01)
    formula = blur_at(Power(worked["bvp_D"]), 0, away, "right", worked["abbe"])
    assert 0.95 < exact / formula < 1.45


@pytest.mark.parametrize(("power", "abbe", "mm"), [(4, 58, 14.5), (4, 30, 7.5), (6, 58, 9.7), (6, 30, 5.0), (6, 32, 5.3)])
def test_distance_to_the_threshold(power, abbe, mm):
    """0.1 Δ (Jalie, from memory): distances from the centre, derived."""
    assert distance_to_blur(Power(power), abbe) == pytest.approx(mm, abs=0.05)


@given(powers, st.floats(20, 60), st.floats(1, 40))
def test_gaze_takes_the_worst_direction(power, abbe, gaze):
    away = 27.0 * math.tan(math.radians(gaze))
    around = [
        blur_at(power, away * math.cos(t), away * math.sin(t), "left", abbe)
        for t in (math.radians(d) for d in range(0, 360, 5))
    ]
    worst = blur_at_gaze(power, gaze, "left", abbe)
    assert max(around) <= worst + 1e-9
    assert max(around) >= worst * 0.99


def test_worked_prism_counts():
    assert blur_at(Power(0), 5, 5, "right", 40, Prism(4, 0)) == pytest.approx(0.1)
    assert blur(-4, 40) == pytest.approx(0.1)
    with pytest.raises(OutOfRange, match="never reached"):
        distance_to_blur(Power(0), 30)
