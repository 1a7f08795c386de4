"""Powers against published transpositions and sums, and against numpy's linear algebra."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics.errors import NotFinite, OutOfRange
from dispensing.optics.power import (
    Power,
    along_many,
    axis_in_scale,
    entries_of,
    powers_from,
    round_power,
    round_to_step,
)
from tests.dispensing.optics.worked import case, cases, expect

powers = st.builds(Power, st.floats(-20, 20), st.floats(-10, 10), st.floats(0, 180))


def lens(data) -> Power:
    return Power(data["sphere_D"], data["cyl_D"], data["axis_deg"])


def turned(a: float, b: float) -> float:
    """Smallest angle between two axes."""
    return abs((a - b + 90.0) % 180.0 - 90.0)


def expect_power(worked, got: Power) -> None:
    expect(worked, "sphere", got.sphere)
    expect(worked, "cyl", got.cylinder)
    expect(worked, "axis", got.axis)


# a-pub-01: NFOS teaching page, opt11 module 8 (published). a-cmp-10: edge of the scale.
@pytest.mark.parametrize("worked", cases("a", "a-pub-01", "a-cmp-10"), ids=str)
def test_transposition(worked):
    expect_power(worked, lens(worked.inputs).transposed())


def test_transposition_of_the_reference_sheet():
    """+2.00/-1.75x180 is +0.25/+1.75x90 (textbook example)."""
    assert Power(2.0, -1.75, 180).transposed() == Power(0.25, 1.75, 90)


# a-pub-02: M. Jalie, Lens Talk, The Indian Optician, May-June 2022, p. 105 (published).
@pytest.mark.parametrize("worked", cases("a", "a-pub-02", "a-cmp-01", "a-cmp-03", "a-cmp-05"), ids=str)
def test_sum_at_any_axes(worked):
    lenses = worked.inputs.get("lenses") or [worked["lens1"], worked["lens2"]]
    expect_power(worked, lens(lenses[0]) + lens(lenses[1]))


def test_difference_at_any_axes():
    worked = case("a-cmp-14")
    expect_power(worked, lens(worked["new"]) - lens(worked["old"]))


@pytest.mark.parametrize("worked", cases("a", "a-cmp-07", "a-cmp-09"), ids=str)
def test_vector_and_matrix(worked):
    power = lens(worked.inputs)
    vector, matrix = power.vector(), power.matrix()
    expect(worked, "M", vector.m)
    expect(worked, "J0", vector.j0)
    expect(worked, "J45", vector.j45)
    expect(worked, "f11", matrix[0, 0])
    expect(worked, "f12", matrix[0, 1])
    expect(worked, "f22", matrix[1, 1])
    expect(worked, "blur_strength_B", vector.length)


def test_vector_of_the_1997_paper():
    """Thibos, Wheeler & Horner 1997: Jackson crossed cylinder +1.00/-2.00x180 is J0 = +1, x45 is J45 = +1 (from memory)."""
    assert Power(1, -2, 180).vector() == pytest.approx((0, 1, 0), abs=1e-12)
    assert Power(1, -2, 45).vector() == pytest.approx((0, 0, 1), abs=1e-12)


@pytest.mark.parametrize("worked", cases("a", "a-cmp-15", "a-cmp-16", "a-cmp-17"), ids=str)
def test_power_along_a_meridian(worked):
    expect(worked, "power", lens(worked.inputs).along(worked["meridian_deg"]))


def test_vertical_powers_of_mccarthy():
    """McCarthy on anisometropia (Optometry in Practice 2013; 14: 1-10): +2.00/-1.75x180 has +0.25 along the vertical."""
    assert Power(2.00, -1.75, 180).vertical == pytest.approx(0.25)
    assert Power(2.75, -1.00, 130).vertical == pytest.approx(2.34, abs=0.005)


# ── independent: linear algebra ────────────────────────────────────────────


def rotated_cylinder(power: Power) -> np.ndarray:
    """R·diag(S, S + C)·Rᵀ: the matrix built by turning the principal powers, not by the closed form."""
    a = math.radians(power.axis)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    return turn @ np.diag([power.sphere, power.sphere + power.cylinder]) @ turn.T


@given(powers)
def test_matrix_is_the_turned_principal_powers(power):
    assert power.matrix() == pytest.approx(rotated_cylinder(power), abs=1e-9)


@given(powers, powers)
def test_sums_by_eigenvalues(one, two):
    """Independent: scipy's eigen-decomposition of the summed matrices."""
    total = one + two
    values, vectors = scipy.linalg.eigh(rotated_cylinder(one) + rotated_cylinder(two))
    assert sorted(p.power for p in total.principals) == pytest.approx(sorted(values), abs=1e-9)
    if abs(total.cylinder) > 1e-3:
        flat = vectors[:, 1]  # minus form: the axis lies along the algebraically greater power
        assert turned(total.axis, math.degrees(math.atan2(flat[1], flat[0]))) < 1e-4


@given(powers, st.floats(0, 180))
def test_meridian_form_is_the_quadratic_form(power, meridian):
    u = np.array([math.cos(math.radians(meridian)), math.sin(math.radians(meridian))])
    assert power.along(meridian) == pytest.approx(u @ power.matrix() @ u, abs=1e-9)


@given(powers)
def test_transposing_twice_is_identity(power):
    back = power.transposed().transposed()
    assert back.sphere == pytest.approx(power.sphere, abs=1e-12)
    assert back.cylinder == power.cylinder
    assert turned(back.axis, power.axis) < 1e-9
    assert power.transposed().distance_from(power) < 1e-9


@given(powers, st.sampled_from(["minus", "plus"]))
def test_there_and_back(power, form):
    for back in (
        Power.from_matrix(power.matrix(), form),
        Power.from_vector(*power.vector(), form),
        Power.from_principal(power.axis, power.sphere, power.sphere + power.cylinder, form),
    ):
        assert back.distance_from(power) < 1e-9
        assert back.cylinder <= 0 if form == "minus" else back.cylinder >= 0
        assert 0 < back.axis <= 180


@given(powers, powers)
def test_difference_undoes_sum(one, two):
    assert ((one + two) - two).distance_from(one) < 1e-9


@given(powers)
def test_mirrored_twice(power):
    assert power.mirrored().mirrored().distance_from(power) < 1e-9
    assert power.mirrored().matrix() == pytest.approx(power.matrix() * [[1, -1], [-1, 1]], abs=1e-9)


@given(st.lists(powers, min_size=1, max_size=20), st.sampled_from(["minus", "plus"]))
def test_arrays_agree_with_single_lenses(lenses, form):
    columns = [p.sphere for p in lenses], [p.cylinder for p in lenses], [p.axis for p in lenses]
    f11, f12, f22 = entries_of(*columns)
    for i, power in enumerate(lenses):
        assert (f11[i], f12[i], f22[i]) == pytest.approx(power.entries(), abs=1e-12)
    back = powers_from(f11, f12, f22, form)
    for i, power in enumerate(lenses):
        assert Power(back.sphere[i], back.cylinder[i], back.axis[i]).distance_from(power) < 1e-9
    assert along_many(*columns, 37.0) == pytest.approx([p.along(37.0) for p in lenses], abs=1e-12)


# ── ends of the range ──────────────────────────────────────────────────────


@pytest.mark.parametrize(("given_axis", "kept"), [(0, 180), (180, 180), (90, 90), (0.5, 0.5)])
def test_axis_zero_is_180(given_axis, kept):
    assert Power(0, -1, given_axis).axis == kept


@pytest.mark.parametrize("degrees", [-90, 90, 270, 450])
def test_axis_in_scale(degrees):
    assert axis_in_scale(degrees) == 90


@pytest.mark.parametrize("axis", [-1, 181, 195])
def test_axis_outside_the_scale(axis):
    with pytest.raises(OutOfRange, match="axis"):
        Power(-1, -1, axis)


def test_unsymmetrical_matrix_is_refused():
    with pytest.raises(OutOfRange, match="symmetrical"):
        Power.from_matrix([[1, 0], [0.5, 1]])
    with pytest.raises(OutOfRange, match="two rows"):
        Power.from_matrix([1, 2, 3])


def test_arrays_name_the_place():
    with pytest.raises(NotFinite, match=r"cylinder\[1\]"):
        entries_of([0, 0], [0, float("nan")], [90, 90])
    with pytest.raises(OutOfRange, match="axis"):
        entries_of([0, 0], [0, 0], [90, 190])
    with pytest.raises(ValueError, match="same length"):
        entries_of([0, 0], [0, 0, 0], [90, 90])


def test_strongest_and_weakest():
    power = Power(1, -3, 20)
    assert power.strongest == (110, -2)
    assert power.weakest == (20, 1)


# ── rounding ───────────────────────────────────────────────────────────────


@pytest.mark.parametrize("worked", cases("b", "b-cmp-11", "b-cmp-14", "b-cmp-15"), ids=str)
def test_ties(worked):
    expect(worked, "half_away_from_zero", round_to_step(worked["value"], worked["step"]))
    expect(worked, "half_to_even_step", round_to_step(worked["value"], worked["step"], "ties to even"))


@pytest.mark.parametrize(
    ("value", "step", "rounded"),
    [
        ("-2.375", "0.25", "-2.50"),
        (2.3749999999999996, 0.25, "2.50"),  # a computed tie
        ("-0.125", "0.25", "-0.25"),
        ("0.1", "0.25", "0.00"),
        ("-0.1", "0.25", "0.00"),
        (Decimal("31.25"), "0.5", "31.5"),
    ],
)
def test_round_to_step(value, step, rounded):
    got = round_to_step(value, step)
    assert got == Decimal(rounded)
    assert not str(got).startswith("-0.0")


@given(st.floats(-30, 30), st.sampled_from(["0.25", "0.125", "0.01", "1"]))
def test_rounding_never_moves_more_than_half_a_step(value, step):
    got = round_to_step(value, step)
    assert abs(got - Decimal(value)) <= Decimal(step) / 2 + Decimal("1e-8")
    assert got % Decimal(step) == 0
    assert round_to_step(-value, step) == -got


@pytest.mark.parametrize("step", [0, -0.25, float("nan")])
def test_bad_step(step):
    with pytest.raises((OutOfRange, NotFinite)):
        round_to_step(1.0, step)


@given(powers)
def test_rounded_power_is_no_worse_than_figure_by_figure(power):
    best = round_power(power)
    figures = Power(
        float(round_to_step(power.sphere, "0.25")),
        float(round_to_step(power.cylinder, "0.25")),
        axis_in_scale(float(round_to_step(power.axis, 1))),
    )
    assert best.distance_from(power) <= figures.distance_from(power) + 1e-9
    assert round_to_step(best.sphere, "0.25") == Decimal(best.sphere)


def test_rounding_both_figures_up_is_not_nearest():
    """-3.13/-0.63 figure by figure is -3.25/-0.75, 0.24 D off in one meridian; -3.25/-0.50 is nearer."""
    assert round_power(Power(-3.13, -0.63, 90)) == Power(-3.25, -0.5, 90)
    assert round_power(Power(-3.0, -0.05, 90)) == Power(-3.0)
