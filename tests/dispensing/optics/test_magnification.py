"""Magnification, jump, imbalance: reference values, published jump, and a trace."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics.errors import SingularPower
from dispensing.optics.magnification import (
    PUPIL_BEHIND_CORNEA_MM,
    difference_percent,
    image_jump,
    lens_magnification,
    magnification,
    power_factor,
    shape_factor,
    vertical_imbalance,
)
from dispensing.optics.power import Power
from dispensing.optics.prism import exact_prism
from tests.dispensing.optics.worked import cases, expect

powers = st.builds(Power, st.floats(-20, 20), st.floats(-8, 8), st.floats(0, 180))
EYE = {"R": "right", "L": "left"}


def lens(data) -> Power:
    return Power(data["sphere_D"], data["cyl_D"], data["axis_deg"])


def of(data, pupil="d_mm"):
    return magnification(
        data["bvp_D"],
        front=data["front_D"],
        thickness_mm=data["ct_mm"],
        index=data["index"],
        vertex_mm=data[pupil] - PUPIL_BEHIND_CORNEA_MM,
    )


@pytest.mark.parametrize("worked", [c for c in cases("h") if "front_D" in c.inputs], ids=str)
def test_spectacle_magnification(worked):
    got = of(worked.inputs, "back_vertex_to_entrance_pupil_mm")
    expect(worked, "shape_factor", got.shape)
    expect(worked, "power_factor", got.power)
    expect(worked, "spectacle_magnification", got.total)
    expect(worked, "percent", got.percent)
    # the exact angular ratio over a 10 degree field stays within 0.7 % of it
    assert got.total == pytest.approx(worked.reference["exact_angular_ratio_tan_at_10deg_field"], rel=0.007)


@pytest.mark.parametrize("worked", [c for c in cases("h") if "R" in c.inputs], ids=str)
def test_difference_between_the_eyes(worked):
    right, left = of(worked["R"]), of(worked["L"])
    expect(worked, "R_percent", right.percent)
    expect(worked, "L_percent", left.percent)
    expect(worked, "ratio_percent_difference", difference_percent(right.total, left.total))


def test_meridians():
    how = {"front": 4.0, "thickness_mm": 2.0, "index": 1.5, "vertex_mm": 12.0}
    got = lens_magnification(Power(-4, -2, 30), **how)
    assert got.along == magnification(-4, **how)
    assert got.across == magnification(-6, **how)
    assert got.across.percent < got.mean_percent < got.along.percent


@given(st.floats(-20, 20), st.floats(-2, 15), st.floats(0.5, 9), st.floats(1.45, 1.9))
def test_factors_by_ray_matrices(back_vertex, front, thickness, index):
    """Independent: 2 x 2 ray-transfer matrices from a distant object to the entrance pupil; the ratio of slopes at the pupil centre."""
    import numpy as np

    from dispensing.optics.vertex import back_surface

    pupil = 0.015
    back = back_surface(back_vertex, front, thickness, index)

    def surface(f):
        return np.array([[1, 0], [-f, 1]])

    def gap(metres):
        return np.array([[1, metres], [0, 1]])

    system = gap(pupil) @ surface(back) @ gap(thickness / 1000 / index) @ surface(front)
    # a chief ray of slope u outside meets the first surface at y so that it crosses the pupil's centre: A·y + B·u = 0
    y = -system[0, 1] / system[0, 0]
    ratio = system[1, 0] * y + system[1, 1]
    assert shape_factor(front, thickness, index) * power_factor(back_vertex, 15.0) == pytest.approx(ratio, rel=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize(("sphere", "cylinder"), [(-12.0, -2.0), (-4.0, -1.5), (0.0, -3.0), (3.0, -1.0), (8.0, -4.0)])
@pytest.mark.parametrize(("thickness", "vertex"), [(1.5, 12.0), (6.0, 15.0)])
def test_magnification_of_a_toric_lens_by_optiland(sphere, cylinder, thickness, vertex):
    """Independent: optiland's exact rays from the centre of the entrance pupil out through the real toric lens; the ratio of the angles
    inside and outside is the magnification of each meridian (1e-5)."""
    import numpy as np

    from tests.dispensing.optics.outside import optiland_trace

    power, front = Power(sphere, cylinder, 180.0), 6.0 + max(sphere, 0.0)
    got = lens_magnification(power, front=front, thickness_mm=thickness, index=1.6, vertex_mm=vertex)
    slope, pupil = 1e-3, [[0.0, 0.0, -(vertex + PUPIL_BEHIND_CORNEA_MM)]]
    for meridian, wanted in ((0, got.along), (1, got.across)):
        way = np.array([0.0, 0.0, 1.0])
        way[meridian] = slope
        _, out = optiland_trace(power, front, thickness, 1.6, pupil, [way / np.linalg.norm(way)])
        assert slope / (out[0, meridian] / out[0, 2]) == pytest.approx(wanted.total, rel=1e-5)


def test_image_at_the_eye():
    with pytest.raises(SingularPower):
        power_factor(70, 15)


# i-pub-02: 'Ophthalmic Lenses', ch. 10, p. 114 (published).
@pytest.mark.parametrize("worked", cases("i", "i-pub-02", "i-cmp-04"), ids=str)
def test_image_jump(worked):
    got = image_jump(worked["add_D"], worked["seg_top_to_seg_OC_mm"])
    expect(worked, "jump", got)
    if "base" in worked.expected:
        assert got > 0
        expect(worked, "base", "DOWN")


@pytest.mark.parametrize("worked", cases("i", "i-cmp-05", "i-cmp-06", "i-cmp-07", "i-cmp-08"), ids=str)
def test_vertical_imbalance(worked):
    got = vertical_imbalance(lens(worked["R"]), lens(worked["L"]), worked["drop_mm"])
    expect(worked, "R_BUpos", got.right.base_up)
    expect(worked, "L_BUpos", got.left.base_up)
    expect(worked, "imbalance", got.slab_off)
    assert abs(got.vertical) == got.slab_off
    assert EYE[worked.expected["slab_off_eye"]["value"]] == got.slab_off_eye


@pytest.mark.parametrize("worked", cases("i", "i-cmp-09", "i-cmp-10"), ids=str)
def test_imbalance_of_real_lenses(worked):
    """Prentice against the exact trace of both lenses at the same height."""
    r, l = worked["R"], worked["L"]  # noqa: E741
    got = vertical_imbalance(Power(r["bvp_D"]), Power(l["bvp_D"]), worked["drop_mm"])
    expect(worked, "prentice_imbalance", got.slab_off)
    traced = [
        exact_prism(
            Power(side["bvp_D"]), 0, -worked["drop_mm"], "right", front=side["front_D"], thickness_mm=side["ct_mm"],
            index=side["index"], rotation_centre_mm=worked["cor_mm"],
        ).prism.base_up
        for side in (r, l)
    ]  # fmt: skip
    assert abs(traced[0] - traced[1]) == pytest.approx(
        worked.reference["both_eyes_at_10mm_difference_of_exact_deviations_pd"], abs=0.001
    )


def test_mccarthy():
    """R +1.00, L +3.00: 2 Δ at 10 mm below the centres (McCarthy, Optometry in Practice 2013; 14: 1-10)."""
    assert vertical_imbalance(Power(1), Power(3), 10).slab_off == pytest.approx(2.0)


@given(powers, powers, st.floats(0, 15), st.floats(0, 4))
def test_mirror_symmetry(right, left, drop, inset):
    one = vertical_imbalance(right, left, drop, right_inset_mm=inset, left_inset_mm=inset)
    other = vertical_imbalance(left.mirrored(), right.mirrored(), drop, right_inset_mm=inset, left_inset_mm=inset)
    assert one.vertical == pytest.approx(-other.vertical, abs=1e-9)


@given(powers, st.floats(0, 15))
def test_like_lenses_do_not_differ(power, drop):
    got = vertical_imbalance(power, power.mirrored(), drop)
    assert got.vertical == pytest.approx(0, abs=1e-9)
    assert got.slab_off_eye is None
