"""Consequence and need: by hand, by the other modules, and by putting the greatest error back in."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from dispensing.optics.consequence import (
    power_of_tilt_error,
    power_of_vertex_error,
    prism_of_height_error,
    prism_of_pd_error,
    shift_need,
    tilt_need,
    vertex_need,
)
from dispensing.optics.errors import OutOfRange
from dispensing.optics.power import Power
from dispensing.optics.tolerance import judge_power, power_tolerance
from dispensing.optics.vertex import move

powers = st.builds(Power, st.floats(-20, 20), st.floats(-6, 6), st.floats(0, 180))
eyes = st.sampled_from(["right", "left"])


def test_by_hand():
    """-6.00 D, 2 mm: 1.2 Δ. A PD too great puts a minus lens's centre out, which is base in."""
    assert prism_of_pd_error(Power(-6), 2, "right").base_in == pytest.approx(1.2)
    assert prism_of_pd_error(Power(-6), 2, "left").base_in == pytest.approx(1.2)
    assert prism_of_height_error(Power(-6), 2, "left").base_up == pytest.approx(-1.2)
    assert prism_of_pd_error(Power(6), 2, "right").base_in == pytest.approx(-1.2)
    # with an oblique axis an error of PD makes vertical prism too, mirrored between the eyes
    right, left = prism_of_pd_error(Power(0, -4, 45), 2, "right"), prism_of_pd_error(Power(0, -4, 45), 2, "left")
    assert right.base_up == pytest.approx(-left.base_up)
    assert abs(right.base_up) == pytest.approx(0.4)


def test_a_pair_of_unequal_lenses():
    """ "2.3 mm here is 1.6 Δ with these lenses; tolerance 0.67 Δ" is a -7.00 D lens in a pair with a weak one."""
    got = shift_need(Power(-7), Power(-1), "right")
    assert prism_of_pd_error(Power(-7), 2.3, "right").amount == pytest.approx(1.61)
    assert got.limit.horizontal == pytest.approx(0.67)
    assert got.pd_mm == pytest.approx(0.67 / 0.7)


def test_ten_dioptres_two_millimetres():
    """-10.00 ordered for 12 mm but worn at 14: the eye gets -9.80, so +0.20 D is wrong (vertex table)."""
    got = power_of_vertex_error(Power(-10), 12, 2)
    assert got.sphere == pytest.approx(move(-10, 14, 12) + 10)
    assert got.sphere == pytest.approx(0.196, abs=0.0005)
    assert got.cylinder == 0


def test_weak_lenses_need_little():
    assert shift_need(Power(0.125), Power(0.125), "right").pd_mm is None
    assert shift_need(Power(0), Power(0), "left").height_mm is None
    assert vertex_need(Power(-1), 12) is None
    got = tilt_need(Power(-0.125), pantoscopic=8, face_form=5, index=1.5, eye="right")
    assert got == (None, None)


@given(powers, powers, eyes)
def test_greatest_shift_put_back_in(right, left, eye):
    got = shift_need(right, left, eye)
    power = right if eye == "right" else left
    for mm, made in ((got.pd_mm, prism_of_pd_error), (got.height_mm, prism_of_height_error)):
        if mm is None:
            continue
        at, beyond = made(power, mm, eye), made(power, mm * 1.001 + 1e-6, eye)
        assert abs(at.base_in) <= got.limit.horizontal + 1e-9
        assert abs(at.base_up) <= got.limit.vertical + 1e-9
        assert abs(beyond.base_in) > got.limit.horizontal or abs(beyond.base_up) > got.limit.vertical


@settings(max_examples=50)
@given(powers)
def test_greatest_vertex_error_put_back_in(power):
    mm = vertex_need(power, 13)
    assume(mm is not None)
    allowed = power_tolerance(power)

    for error in (mm, -mm):
        if 13 + error >= 0:
            assert max(abs(move(p.power, 13 + error, 13) - p.power) for p in power.principals) <= allowed.principal + 1e-9
    beyond = mm + 0.002
    change = [power_of_vertex_error(power, 13, sign * beyond) for sign in (1, -1) if 0 <= 13 + sign * beyond <= 60]
    assert any(
        max(abs(e.principals[0].power), abs(e.principals[1].power)) > allowed.principal
        or abs(e.cylinder) > allowed.cylinder
        for e in change
    )


@settings(max_examples=30)
@given(st.floats(-15, 10), st.floats(-4, 0), st.floats(1, 180), st.floats(0, 15), st.floats(0, 15), eyes)
def test_greatest_tilt_error_put_back_in(sphere, cylinder, axis, panto, face, eye):
    power = Power(sphere, cylinder, axis)
    how = {"pantoscopic": panto, "face_form": face, "index": 1.6, "eye": eye}
    got = tilt_need(power, **how)
    for name, degrees in (("pantoscopic_error", got.pantoscopic), ("face_form_error", got.face_form)):
        if degrees is None:
            continue
        for sign in (1, -1):
            read = power + power_of_tilt_error(power, **how, **{name: sign * degrees * 0.999})
            verdict = judge_power(power, read)
            assert abs(verdict.principal) <= verdict.allowed.principal + 1e-3
            assert abs(verdict.cylinder) <= verdict.allowed.cylinder + 1e-3


def test_no_error_no_consequence():
    power = Power(-4, -2, 30)
    assert prism_of_pd_error(power, 0, "right").amount == 0
    assert power_of_vertex_error(power, 12, 0).vector().length < 1e-9
    wrong = power_of_tilt_error(power, pantoscopic=8, face_form=5, index=1.6, eye="left")
    assert wrong.vector().length < 1e-9


def test_angles_out_of_range():
    with pytest.raises(OutOfRange):
        tilt_need(Power(-4), pantoscopic=40, face_form=0, index=1.6, eye="right")
