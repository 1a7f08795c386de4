"""Tilt against published values, exact traces of thin and real lenses, and optiland."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import fsolve

from dispensing.optics.errors import OutOfRange
from dispensing.optics.power import Power
from dispensing.optics.realray import lens_of, trace, unit
from dispensing.optics.tilt import (
    as_worn,
    as_worn_real,
    centre_drop,
    centre_shift,
    effect_at_eye,
    martin,
    power_to_order,
    tilt_prism,
    to_order,
    to_order_real,
    total_tilt,
)
from tests.dispensing.optics.outside import optiland_trace
from tests.dispensing.optics.worked import case, cases, expect

EYE = {"R": "right", "L": "left"}
powers = st.builds(Power, st.floats(-20, 20), st.floats(-8, 8), st.floats(0, 180))
angles = st.floats(-10, 25)
indexes = st.floats(1.498, 1.9)
eyes = st.sampled_from(["right", "left"])


# d-pub-01: Durham Technical Community College, oph142 (published); the -cmp ones also against the exact thin lens.
@pytest.mark.parametrize(
    "worked", [c for c in cases("d") if "martin_sphere" in c.expected or "sphere_eff" in c.expected], ids=str
)
def test_martin(worked):
    tilted = worked.inputs.get("panto_deg", worked.inputs.get("faceform_deg"))
    # the published page takes 2n as 3
    got = martin(worked["sphere_D"], tilted, worked["index"])
    prefix = "martin_" if "martin_sphere" in worked.expected else ""
    expect(worked, f"{prefix}sphere" if prefix else "sphere_eff", got.sphere)
    expect(worked, f"{prefix}cyl" if prefix else "cyl_induced", got.cylinder)
    exact = as_worn(
        Power(worked["sphere_D"]),
        worked.inputs.get("panto_deg", 0),
        worked.inputs.get("faceform_deg", 0),
        worked["index"],
        "left",
    )
    exact = exact.in_form("plus" if worked["sphere_D"] > 0 else "minus")
    expect(worked, "axis", exact.axis)
    if "exact_thin_sphere" in worked.reference:
        assert exact.sphere == pytest.approx(worked.reference["exact_thin_sphere"], abs=0.0005)
        assert exact.cylinder == pytest.approx(worked.reference["exact_thin_cyl"], abs=0.0005)


@pytest.mark.parametrize(
    ("sphere", "tilt", "new", "cylinder"),
    [(-15, 10, -15.15, -0.47), (-5, 10, -5.05, -0.16), (-6, 15, -6.13, -0.44), (8, 12, 8.12, 0.37), (-4, 20, -4.16, -0.55)],
)
def test_martin_of_the_college_page(sphere, tilt, new, cylinder):
    """Martin's formulas with 2n taken as 3 (college course page), to two decimals."""
    got = martin(sphere, tilt, 1.5)
    assert got.sphere == pytest.approx(new, abs=0.006)
    assert got.cylinder == pytest.approx(cylinder, abs=0.006)


@pytest.mark.parametrize("worked", [c for c in cases("d") if "asworn_sphere" in c.expected], ids=str)
def test_both_tilts(worked):
    power = Power(worked["sphere_D"], worked["cyl_D"], worked["axis_deg"])
    how = worked["panto_deg"], worked["faceform_deg"], worked["index"], EYE[worked["eye"]]
    worn = as_worn(power, *how)
    expect(worked, "asworn_sphere", worn.sphere)
    expect(worked, "asworn_cyl", worn.cylinder)
    expect(worked, "asworn_axis", worn.axis)
    if "order_sphere" in worked.expected:
        order = to_order(power, *how)
        expect(worked, "order_sphere", order.sphere)
        expect(worked, "order_cyl", order.cylinder)
        expect(worked, "order_axis", order.axis)
        expect(worked, "total_tilt_deg", total_tilt(*how[:2]))


@pytest.mark.parametrize("worked", [c for c in cases("d") if "drop_tan" in c.expected], ids=str)
def test_centre_drop(worked):
    got = centre_drop(worked["panto_deg"], worked["cor_to_lens_mm"])
    expect(worked, "drop_tan", got.vertical)
    expect(worked, "drop_sin_along_lens", got.along_lens)
    assert got.rule == pytest.approx(worked.reference["rule_half_mm_per_deg"])


def test_centre_drop_rule_of_thumb():
    """1 mm for 2 degrees (Brooks & Borish; Jalie; from memory)."""
    worked = case("d-pub-03")
    expect(worked, "oc_drop_rule_mm", centre_drop(worked["panto_deg"]).rule)


def test_centre_shift_is_the_drop_for_one_tilt():
    assert centre_shift(12, 0) == pytest.approx((0, -centre_drop(12).along_lens))
    assert centre_shift(0, 10)[0] < 0  # temporal


# ── the real lens ──────────────────────────────────────────────────────────


def object_side_effect(power: Power, panto: float, front: float, thick: float, index: float) -> tuple[float, float]:
    """The reference's own set-up, solved apart: the ray from straight ahead is aimed at the back vertex, and the eye takes what comes.

    Powers (D) across and along the tilt, by differences of the traced rays.
    """
    lens = lens_of(power, front, thick, index)
    t = math.radians(panto)
    gaze = np.array([0.0, math.sin(t), math.cos(t)])
    up = np.array([0.0, math.cos(t), -math.sin(t)])
    right = np.array([1.0, 0.0, 0.0])

    def start(v):
        y, slope = v
        # on the plane through the back vertex at right angles to the line of sight
        return trace(lens, tuple(y * up), unit(*(gaze + slope * up)))

    def aimed(v):
        found = start(v)
        to_axis = np.array(found.front) - (np.array(found.front) @ gaze) * gaze
        return [np.array(found.out) @ up, to_axis @ up]

    y, slope = fsolve(aimed, [0.0, 0.0], xtol=1e-11)
    chief = start((y, slope))
    way = np.array(unit(*(gaze + slope * up)))
    point = np.array(chief.back)
    across = np.cross(way, right)

    def out(q, p, side):
        found = trace(lens, tuple(point + q * side), unit(*(way + p * side)))
        return np.array(found.out) @ (right if side is right else up)

    h = 1e-3
    powers = []
    for side in (right, across):
        a = (out(h, 0, side) - out(-h, 0, side)) / (2 * h)
        b = (out(0, h, side) - out(0, -h, side)) / (2 * h)
        powers.append(-1000.0 * a / b)
    return powers[0], powers[1]


@pytest.mark.parametrize("worked", [c for c in cases("d") if "exact_thick_sphere" in c.reference], ids=str)
def test_thick_reference(worked):
    """The tracer reproduces the exact thick-lens values of the reference when the reference's ray is chosen (0.001 D).

    `as_worn_real` keeps the line of sight straight ahead instead, behind the lens; with the prism induced that is another ray.
    """
    seen = worked.reference
    across, along = object_side_effect(
        Power(worked["sphere_D"]),
        worked["panto_deg"],
        seen["thick_lens_front_D"],
        seen["thick_lens_ct_mm"],
        worked["index"],
    )
    assert across == pytest.approx(seen["exact_thick_sphere"], abs=0.002)
    assert along - across == pytest.approx(seen["exact_thick_cyl"], abs=0.002)


@pytest.mark.parametrize("sphere", [-20, -10, -4, -1, 3, 8, 14, 20])
@pytest.mark.parametrize(("cylinder", "axis"), [(0, 180), (-2.5, 35), (3, 120)])
@pytest.mark.parametrize(("panto", "face"), [(8, 0), (0, 15), (12, 8), (18, 20), (-3, 5)])
def test_closed_form_is_the_traced_thin_lens(sphere, cylinder, axis, panto, face):
    """Independent: a lens 0.01 mm thick, traced through both tilts; the closed form agrees to 0.002 D."""
    power = Power(sphere, cylinder, axis)
    for eye in ("right", "left"):
        real = as_worn_real(power, panto, face, front=power.strongest.power / 2, thickness_mm=0.01, index=1.6, eye=eye)
        assert real.power.distance_from(as_worn(power, panto, face, 1.6, eye)) < 0.005
        if abs(sphere) <= 10:
            assert real.power.distance_from(as_worn(power, panto, face, 1.6, eye)) < 0.002


def optiland_effect(power, panto, face, front, thick, index, eye):
    """The same as `as_worn_real`, but every ray is optiland's and the lens is turned by scipy's rotations."""
    from scipy.spatial.transform import Rotation

    # face form in the plane of the tilted front, then the front is tilted: intrinsic order x (pantoscopic), then y
    sign = -1.0 if eye == "right" else 1.0
    turn = Rotation.from_euler("XY", [panto, sign * face], degrees=True).inv().as_matrix()
    right, up, gaze = turn[:, 0], turn[:, 1], turn[:, 2]
    q, p = 0.02, 2e-5
    starts, ways = [np.zeros(3)], [gaze]
    for side in (right, up):
        for s in (1, -1):
            starts.append(s * q * side)
            ways.append(gaze)
    for side in (right, up):
        for s in (1, -1):
            starts.append(np.zeros(3))
            w = gaze + s * p * side
            ways.append(w / np.linalg.norm(w))
    _, out = optiland_trace(power, front, thick, index, np.array(starts), np.array(ways))
    chief = out[0]
    base = np.linalg.svd(np.eye(3) - np.outer(chief, chief))[0][:, :2]
    flat = out @ base
    big_q = np.column_stack([(flat[1] - flat[2]) / (2 * q), (flat[3] - flat[4]) / (2 * q)])
    big_p = np.column_stack([(flat[5] - flat[6]) / (2 * p), (flat[7] - flat[8]) / (2 * p)])
    matrix = -1000.0 * np.linalg.solve(big_p, big_q)
    return Power.from_entries(matrix[0, 0], (matrix[0, 1] + matrix[1, 0]) / 2, matrix[1, 1]), np.array(
        [chief @ right, chief @ up]
    )


@pytest.mark.outside
@pytest.mark.parametrize("sphere", [-20, -8, -3, 4, 12, 20])
@pytest.mark.parametrize(("panto", "face"), [(8, 0), (0, 12), (10, 8), (16, 20)])
@pytest.mark.parametrize("eye", ["right", "left"])
def test_real_lens_by_optiland(sphere, panto, face, eye):
    """Independent: optiland, and scipy's rotations for the order of the tilts; agreement to 0.005 D and 0.02 Δ."""
    power = Power(sphere, -2.0, 40)
    front, thick = (3.0, 1.5) if sphere < 0 else (sphere + 3.0, 2.0 + sphere * 0.4)
    got = as_worn_real(power, panto, face, front=front, thickness_mm=thick, index=1.6, eye=eye)
    wanted, direction = optiland_effect(power, panto, face, front, thick, 1.6, eye)
    assert got.power.distance_from(wanted) < 0.005
    nose = 1.0 if eye == "right" else -1.0
    slope = 100.0 * direction / math.sqrt(1.0 - direction @ direction)
    assert (got.prism.base_in * nose, got.prism.base_up) == pytest.approx(tuple(slope), abs=0.02)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("sphere", "cylinder", "axis"), [(-9.0, 0.0, 180), (-6.0, -2.0, 35), (4.0, -3.0, 120), (7.0, -1.0, 70)]
)
@pytest.mark.parametrize(("panto", "face"), [(10, 5), (8, 20)])
@pytest.mark.parametrize(("tested", "fitted"), [(12.0, 15.0), (14.0, 11.0)])
@pytest.mark.parametrize("eye", ["right", "left"])
def test_the_power_to_order_by_optiland(sphere, cylinder, axis, panto, face, tested, fitted, eye):
    """Independent: the computed order as a thin lens, tilted and traced by optiland; what it does is brought to the vertex distance of the
    test through the matrix's own eigenvalues (numpy). There it is the prescription, within 0.01 D in any meridian."""
    wanted = Power(sphere, cylinder, axis)
    order = power_to_order(
        wanted, pantoscopic=panto, face_form=face, index=1.6, eye=eye, fitted_vertex_mm=fitted, tested_vertex_mm=tested
    )
    worn, _ = optiland_effect(order, panto, face, 0.5, 0.01, 1.6, eye)
    values, axes = np.linalg.eigh(worn.matrix())
    moved = axes @ np.diag(values / (1.0 - (fitted - tested) / 1000.0 * values)) @ axes.T
    np.testing.assert_allclose(moved, wanted.matrix(), atol=0.01)


@pytest.mark.parametrize(("panto", "face", "tilt"), [(10, 0, 10), (0, 15, 15), (20, 0, 20)])
def test_induced_prism(panto, face, tilt):
    """100·tan T·(t/n)·F1 against the trace; pantoscopic gives base down, face form base out with a plus front."""
    real = as_worn_real(Power(0), panto, face, front=8, thickness_mm=2.2, index=1.6, eye="right")
    wanted = tilt_prism(8, 2.2, 1.6, tilt)
    assert real.prism.amount == pytest.approx(wanted, abs=0.06)
    assert real.prism.base_up < 0 if panto else real.prism.base_in < 0


# ── properties ─────────────────────────────────────────────────────────────


@given(powers, angles, angles, indexes, eyes)
def test_there_and_back(power, panto, face, index, eye):
    assert as_worn(to_order(power, panto, face, index, eye), panto, face, index, eye).distance_from(power) < 1e-9
    assert to_order(as_worn(power, panto, face, index, eye), panto, face, index, eye).distance_from(power) < 1e-9


@given(powers, angles, angles, eyes, st.floats(10, 16), st.floats(10, 16))
def test_with_vertex_there_and_back(power, panto, face, eye, fitted, tested):
    how = {
        "pantoscopic": panto,
        "face_form": face,
        "index": 1.6,
        "eye": eye,
        "fitted_vertex_mm": fitted,
        "tested_vertex_mm": tested,
    }
    assert effect_at_eye(power_to_order(power, **how), **how).distance_from(power) < 1e-9


@given(powers, angles, angles, indexes)
def test_mirror_symmetry_of_the_eyes(power, panto, face, index):
    right = as_worn(power, panto, face, index, "right")
    left = as_worn(power.mirrored(), panto, face, index, "left")
    assert left.mirrored().distance_from(right) < 1e-9


@given(powers, indexes, eyes)
def test_no_tilt_no_change(power, index, eye):
    assert as_worn(power, 0, 0, index, eye).distance_from(power) < 1e-12
    assert to_order(power, 0, 0, index, eye).distance_from(power) < 1e-12


@given(st.floats(-20, 20), angles, indexes)
def test_one_tilt_by_principal_meridians(sphere, tilt, index):
    """For a sphere: power along the tilt is that across it divided by cos² T."""
    got = as_worn(Power(sphere), tilt, 0, index, "right")
    assert got.vertical == pytest.approx(got.horizontal / math.cos(math.radians(tilt)) ** 2, abs=1e-9)


@settings(max_examples=25)
@given(st.floats(-15, 10), st.floats(-4, 0), st.floats(0, 180), st.floats(0, 18), st.floats(0, 18), eyes)
def test_real_lens_there_and_back(sphere, cylinder, axis, panto, face, eye):
    power = Power(sphere, cylinder, axis)
    how = {"front": max(3.0, sphere + 3.0), "thickness_mm": 2.0 + max(0.0, sphere * 0.4), "index": 1.6, "eye": eye}
    order = to_order_real(power, panto, face, **how)
    assert as_worn_real(order, panto, face, **how).power.distance_from(power) < 1e-6


@pytest.mark.parametrize(("panto", "face"), [(50, 0), (0, 46), (-31, 0)])
def test_out_of_range(panto, face):
    with pytest.raises(OutOfRange):
        as_worn(Power(-2), panto, face, 1.5, "right")
