"""Vertex distance and vertex powers against published tables and an independent trace."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics.errors import OutOfRange, SingularPower
from dispensing.optics.power import EntryArrays, Power, entries_of
from dispensing.optics.vertex import (
    approximate_change,
    back_surface,
    back_vertex_power,
    compensate,
    compensate_entries,
    compensate_matrix,
    curve_in_index,
    equivalent_power,
    front_vertex_power,
    move,
    nominal_power,
    radius_mm,
    vertex_allowance,
)
from tests.dispensing.optics.outside import optiland_trace
from tests.dispensing.optics.worked import cases, expect

powers = st.builds(Power, st.floats(-20, 20), st.floats(-8, 8), st.floats(0, 180))
distances = st.floats(8, 18)


# c-pub-01: mrcophth.com; c-pub-02, -04: standard spectacle-to-corneal-plane tables (published, from memory).
@pytest.mark.parametrize("worked", [c for c in cases("c") if "F_D" in c.inputs], ids=str)
def test_sphere(worked):
    expect(worked, "F_new", move(worked["F_D"], worked["vertex_from_mm"], worked["vertex_to_mm"]))
    if "approx_F+dF^2" in worked.reference:
        change = approximate_change(worked["F_D"], worked["vertex_from_mm"], worked["vertex_to_mm"])
        assert worked["F_D"] + change == pytest.approx(worked.reference["approx_F+dF^2"], abs=1e-6)


@pytest.mark.parametrize("worked", [c for c in cases("c") if "sphere_D" in c.inputs], ids=str)
def test_sphero_cylinder(worked):
    power = Power(worked["sphere_D"], worked["cyl_D"], worked["axis_deg"])
    got = compensate(power, worked["vertex_from_mm"], worked["vertex_to_mm"]).in_form("minus")
    expect(worked, "sphere", got.sphere)
    expect(worked, "cyl", got.cylinder)
    expect(worked, "axis", got.axis)


@pytest.mark.parametrize(
    ("power", "tested", "fitted", "wanted"),
    [
        (-10, 12, 15, -10.31),
        (-10, 12, 14, -10.20),
        (12, 12, 14, 11.72),
        (-5, 12, 14, -5.05),
        (5, 12, 10, 5.05),
        (-8, 14, 11, -7.81),
        (22, 12, 10, 23.01),
    ],
)
def test_usual_figures(power, tested, fitted, wanted):
    """Textbook arithmetic, to two decimals."""
    assert move(power, tested, fitted) == pytest.approx(wanted, abs=0.005)


@given(powers, distances, distances)
def test_there_and_back(power, one, two):
    assert compensate(compensate(power, one, two), two, one).distance_from(power) < 1e-9


@given(powers, distances, distances)
def test_matrix_agrees_with_principal_meridians(power, one, two):
    by_matrix = Power.from_matrix(compensate_matrix(power.matrix(), one, two))
    by_meridian = compensate(power, one, two)
    by_array = compensate_entries(EntryArrays(*(np.array([v]) for v in power.entries())), [one], [two])
    assert by_matrix.distance_from(by_meridian) < 1e-9
    assert Power.from_entries(*(float(v[0]) for v in by_array)).distance_from(by_meridian) < 1e-9


@given(powers, distances)
def test_staying_changes_nothing(power, at):
    assert compensate(power, at, at).distance_from(power) < 1e-12


def test_focal_plane_is_singular():
    with pytest.raises(SingularPower, match="focal plane"):
        move(50, 30, 10)
    with pytest.raises(SingularPower):
        compensate_matrix(np.eye(2) * 50, 30, 10)
    with pytest.raises(SingularPower):
        compensate_entries(entries_of([50.0], [0.0], [90.0]), 30, 10)


def traced_power(power: float, front: float, thickness_mm: float, index: float) -> float:
    """Back vertex power of the real lens by optiland: what slope a ray 0.05 mm off the axis needs to leave parallel."""
    q, p = 0.05, 0.001
    ways = np.array([[0.0, 0.0, 1.0], [p, 0.0, 1.0]])
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    _, out = optiland_trace(Power(power), front, thickness_mm, index, [[q, 0.0, 0.0], [0.0, 0.0, 0.0]], ways)
    return -1000.0 * (out[0, 0] / q) / (out[1, 0] / p)


@pytest.mark.outside
@pytest.mark.parametrize("power", [-20, -12.5, -6, -1, 2, 6, 12, 20])
@pytest.mark.parametrize("to_mm", [8, 15, 18])
def test_by_trace(power, to_mm):
    """Independent: two real lenses, one at 12 mm and the computed one at the new distance, traced with optiland, have the same vergence
    at the cornea; agreement to 0.005 D."""
    at_cornea = []
    for f, distance in ((power, 12), (move(power, 12, to_mm), to_mm)):
        traced = traced_power(f, max(f + 2.0, 2.0), 6.0 if f > 0 else 1.5, 1.6)
        image = 1000.0 / traced - distance  # mm behind the cornea
        at_cornea.append(1000.0 / image)
    assert at_cornea[0] == pytest.approx(at_cornea[1], abs=0.005)


# ── surfaces: NFOS opt11 module 11 answers and an opticaled.com article (published) ──────────────


@pytest.mark.parametrize("worked", [c for c in cases("n") if "F2_D" in c.inputs], ids=str)
def test_vertex_powers(worked):
    surfaces = worked["F1_D"], worked["F2_D"], worked["t_mm"], worked["index"]
    got = {
        "bvp": back_vertex_power(*surfaces),
        "fvp": front_vertex_power(*surfaces),
        "equivalent": equivalent_power(*surfaces),
        "nominal": nominal_power(*surfaces[:2]),
    }
    for name in worked.expected:
        expect(worked, name, got[name])


@pytest.mark.parametrize("worked", [c for c in cases("n") if "bvp_D" in c.inputs], ids=str)
def test_back_surface(worked):
    front = worked["F1_D"], worked["t_mm"], worked["index"]
    back = back_surface(worked["bvp_D"], *front)
    expect(worked, "F2", back)
    expect(worked, "vertex_allowance", vertex_allowance(*front))
    expect(worked, "r2_mm", abs(radius_mm(back, worked["index"])))
    assert back_vertex_power(worked["F1_D"], back, worked["t_mm"], worked["index"]) == pytest.approx(worked["bvp_D"])


@pytest.mark.parametrize("worked", [c for c in cases("n") if "gauge_D" in c.inputs], ids=str)
def test_gauge(worked):
    true = curve_in_index(worked["gauge_D"], worked["lens_index"], worked["gauge_index"])
    expect(worked, "true_power", true)
    expect(worked, "radius_mm", radius_mm(true, worked["lens_index"]))


def test_plane_surface_has_no_radius():
    with pytest.raises(OutOfRange, match="plane"):
        radius_mm(0, 1.5)
