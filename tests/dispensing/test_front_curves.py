"""The maker's table of front curves: which step a power belongs to, and that thickness, mass and magnification follow it.

Expected thickness and magnification are those of the worked examples (see `optics/worked.py` for where each comes from), here with
the front curve read from a table instead of stated. Where a step begins and ends is common practice and marked so.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.case import (
    Adopted,
    Case,
    CurveStep,
    Fit,
    Frame,
    LensChoice,
    LensDesign,
    Material,
    Measurements,
    PrescribedLens,
    Prescription,
)
from dispensing.case_json import case_from_json, case_to_json
from dispensing.checks import assess
from dispensing.compare import Option, compare
from dispensing.figures import compute, compute_many
from dispensing.figures.curves import from_table, front_curve
from dispensing.optics.power import Power
from dispensing.optics.thickness import base_curve
from dispensing.working import working
from tests.dispensing.optics import worked


def step(low: float, high: float, curve: float) -> CurveStep:
    return CurveStep(sphere_from=low, sphere_to=high, curve=curve)


TABLE = (step(-8, -4, 2.0), step(-4, -2.25, 4.0), step(-2, 2, 6.0), step(3, 6, 8.0))


# --- which step --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sphere", "curve"),
    [
        (-8.0, 2.0),
        (-4.12, 2.0),
        (-4.0, 4.0),  # a shared border belongs to the step that begins there
        (-2.25, 4.0),
        (-2.2, 4.0),  # a quarter between two steps is none: the nearer one
        (-2.125, 6.0),  # its middle: the step that begins above
        (-2.06, 6.0),
        (2.0, 6.0),
        (2.5, None),  # a whole dioptre between two steps is a gap
        (3.0, 8.0),
        (6.0, 8.0),
        (6.12, None),
        (-8.12, None),
    ],
)
def test_the_step_of_a_power(sphere, curve):
    """Common practice; see `figures/curves.py`."""
    for steps in (TABLE, TABLE[::-1]):
        found = from_table(steps, sphere)
        assert (found and found.curve) == curve


@given(
    borders=st.lists(st.integers(-80, 60), min_size=2, max_size=9, unique=True).map(sorted),
    quarter=st.integers(-96, 80),
)
def test_a_table_without_gaps_answers_exactly_within_its_ends(borders, quarter):
    steps = [step(a / 4, b / 4, float(i)) for i, (a, b) in enumerate(pairwise(borders))]
    found = from_table(steps, quarter / 4)
    if not borders[0] <= quarter <= borders[-1]:
        assert found is None
    else:
        # counted another way: the last border that is not above it, but for the very end
        assert found is steps[min(sum(b <= quarter for b in borders) - 1, len(steps) - 1)]


@pytest.mark.parametrize("power", [Power(-4.5, 0.75, 10.0), Power(-3.75, -0.75, 100.0)])
def test_both_ways_of_writing_one_power_give_one_curve(power):
    """-4.50 / +0.75 × 10 is -3.75 / -0.75 × 100: entered with -3.75."""
    choice = LensChoice(design=LensDesign(front_curves=TABLE))
    assert front_curve(choice, power).curve == 4.0


def test_what_is_stated_goes_before_the_table_and_the_table_before_the_rule():
    power, tabled = Power(-5.0), LensDesign(front_curves=TABLE)
    found = front_curve(LensChoice(design=tabled, front_curve=3.25), power)
    assert (found.curve, found.by, found.beyond) == (3.25, "stated", False)
    found = front_curve(LensChoice(design=tabled), power)
    assert (found.curve, found.by, found.beyond) == (2.0, "maker", False)
    found = front_curve(LensChoice(design=tabled), Power(-9.0))
    assert (found.curve, found.by, found.beyond) == (base_curve(-9.0), "rule", True)
    found = front_curve(LensChoice(design=LensDesign()), power)
    assert (found.curve, found.by, found.beyond) == (base_curve(-5.0), "rule", False)
    found = front_curve(LensChoice(), power)
    assert found.by == "rule"


# --- what follows ------------------------------------------------------------------------------------------------------


def round_lens(sphere: float, true_front: float, index: float, diameter: float, **lens) -> Case:
    """One right lens, round, centred in its box; its true front surface power comes from a table at n = 1.53."""
    curve = true_front * 0.53 / (index - 1.0)
    return Case(
        today=date(2026, 3, 2),
        prescription=Prescription(right=PrescribedLens(sphere=sphere), vertex_mm=12.0),
        frame=Frame(a=diameter, b=diameter, dbl=18.0, outline=(diameter / 2,) * 400),
        fit=Fit(vertex_mm=12.0),
        measurements=Measurements(right=Adopted(far_pd=(diameter + 18.0) / 2)),
        lens=LensChoice(
            design=LensDesign(
                front_curves=(step(-20.0, sphere - 0.25, 9.0), step(sphere, sphere, curve), step(sphere, 20.0, curve))
            ),
            material=Material(name="m", nd=index, abbe=40.0, density=1.32),
            **lens,
        ),
    )


@pytest.mark.parametrize(
    "case", [c for c in worked.cases("g") if "edge_thickness" in c.expected and "diameter_mm" in c.inputs], ids=str
)
def test_thickness_of_minus_lenses_on_curves_of_a_table(case):
    i = case.inputs
    found = compute(
        round_lens(
            i["bvp_D"], i["front_D"], i["index"], i["diameter_mm"], min_centre_mm=i["centre_thickness_mm"], min_edge_mm=0.1
        )
    ).right
    assert found.front_curve_by == "maker"
    # the outline is a polygon of 400 points with its corners on the circle
    worked.expect(case, "edge_thickness", found.edge_thickest)
    if "volume_circular" in case.expected:
        assert found.volume_mm3 == pytest.approx(case.expected["volume_circular"]["value"], rel=3e-4)
        mass = case.reference["mass_g_at_1.32_g_cm3"]
        assert found.mass_g == pytest.approx(mass, rel=3e-4)


def test_thickness_of_a_plus_lens_on_a_curve_of_a_table():
    case = worked.case("g-cmp-04")
    i = case.inputs
    found = compute(
        round_lens(
            i["bvp_D"], i["front_D"], i["index"], i["diameter_mm"], min_centre_mm=0.1, min_edge_mm=i["edge_thickness_mm"]
        )
    ).right
    assert found.front_curve_by == "maker"
    worked.expect(case, "centre_thickness", found.centre_thickness)


@pytest.mark.parametrize("identity", ["h-cmp-07", "h-cmp-08"])
@pytest.mark.parametrize("letter", ["R", "L"])
def test_magnification_follows_the_front_curve_of_the_table(identity, letter):
    case = worked.case(identity)
    i = case.inputs[letter]
    front, centre, index, power = i["front_D"], i["ct_mm"], i["index"], i["bvp_D"]
    assert i["d_mm"] == 15.0  # back vertex to entrance pupil: the vertex distance of 12 mm and 3 mm
    # a small lens: the centre asked for is the centre made, and no edge asks for more
    found = compute(round_lens(power, front, index, 24.0, min_centre_mm=centre, min_edge_mm=0.1)).right
    assert (found.front_curve_by, found.centre_thickness) == ("maker", pytest.approx(centre, abs=1e-9))
    worked.expect(case, f"{letter}_percent", found.magnification_percent)


def test_an_edge_by_hand_with_the_curve_of_the_table_and_with_that_of_the_rule():
    """Sags r - √(r² - y²) by hand, back surface from the back vertex power: another way than the optics' closed form."""

    def edge(curve: float, sphere: float, index: float, centre: float, reach: float) -> float:
        front = curve * (index - 1) / 0.53
        back = sphere - front / (1 - centre / 1000 / index * front)
        sags = [
            r - math.copysign(math.sqrt(r * r - reach * reach), r)
            for r in (1000 * (index - 1) / front, -1000 * (index - 1) / back)
        ]
        return centre - sags[0] + sags[1]

    case = round_lens(-4.0, 2.25 * 0.6 / 0.53, 1.6, 60.0, min_centre_mm=1.5, min_edge_mm=0.5)
    by_table = compute(case).right
    by_rule = compute(replace(case, lens=replace(case.lens, design=LensDesign()))).right
    assert (by_table.front_curve, by_table.front_curve_by) == (pytest.approx(2.25), "maker")
    assert (by_rule.front_curve, by_rule.front_curve_by) == (4.0, "rule")  # Vogel: -4.00/2 + 6
    for found in (by_table, by_rule):
        assert found.edge_thickest == pytest.approx(edge(found.front_curve, -4.0, 1.6, 1.5, 30.0), abs=1e-6)
    assert by_rule.edge_thickest - by_table.edge_thickest > 0.1  # it is to be seen: the flatter lens is thinner at its edge


def test_each_eye_by_its_own_step_and_said_so():
    case = replace(
        round_lens(-5.0, 3.0, 1.6, 50.0),
        prescription=Prescription(right=PrescribedLens(sphere=-5.0), left=PrescribedLens(sphere=-9.0), vertex_mm=12.0),
        measurements=Measurements(right=Adopted(far_pd=34.0), left=Adopted(far_pd=34.0)),
    )
    case = replace(case, lens=replace(case.lens, design=LensDesign(front_curves=TABLE)))
    figures = compute(case)
    assert (figures.right.front_curve, figures.right.front_curve_by) == (2.0, "maker")
    assert (figures.left.front_curve, figures.left.front_curve_by) == (1.5, "rule")
    assert "left.front_curve" in figures.assumed
    assert not {"right.front_curve", "lens.front_curve"} & set(figures.assumed)
    assert working("right.edge_thickest", case, figures).assumed == working("right.mass_g", case, figures).assumed
    assert any("Vogel" in words for words in working("left.mass_g", case, figures).assumed)
    assert not any("Vogel" in words for words in working("right.mass_g", case, figures).assumed)
    assert any("Vogel" in words for words in working("mass_g", case, figures).assumed)  # of the pair: one of its halves
    assert "maker" in working("right.front_curve", case, figures).formula
    found = {f.check: f for f in assess(case, figures)}
    assert "left −9.00" in found["lens.front-curve-table"].message
    assert "right" not in found["lens.front-curve-table"].message


def test_designs_that_differ_in_their_table_alone_are_reckoned_apart():
    base = round_lens(-4.0, 3.0, 1.6, 50.0)
    designs = [LensDesign(front_curves=(step(-8, 4, curve),)) for curve in (1.0, 4.0)] + [LensDesign()]
    cases = [replace(base, lens=replace(base.lens, design=d)) for d in designs]
    assert compute_many(cases) == [compute(c) for c in cases]
    assert len({f.right.edge_thickest for f in compute_many(cases)}) == 2  # the rule has 4.00 too
    rows = compare(base, [Option(key=str(i), choice=c.lens) for i, c in enumerate(cases)])
    assert [r.figures.right.front_curve_by for r in rows] == ["maker", "maker", "rule"]


def test_a_table_travels_as_json_and_the_checks_say_the_same():
    case = round_lens(
        -5.0, 3.0, 1.6, 50.0, front_curve=5.0, coating="mirror", coating_code="M", coating_offered_until=date(2026, 3, 1)
    )
    case = replace(
        case,
        lens=replace(case.lens, design=LensDesign(front_curves=TABLE, made_with=("HC",), offered_until=date(2026, 3, 2))),
    )
    again = case_from_json(case_to_json(case))
    assert again == case
    found = {f.check: f.severity for f in assess(again, compute(again))}
    assert found["lens.front-curve-unlisted"] == "confirm"
    assert found["lens.treatment-not-made"] == "stop"
    assert found["lens.no-longer-offered"] == "confirm"
