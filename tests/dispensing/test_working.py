"""Every figure opens to its arithmetic, and the arithmetic is right: result, inputs and every line that says `=`."""

from __future__ import annotations

import math
import re
from dataclasses import fields, replace
from datetime import date

import pytest
from hypothesis import given, settings

from dispensing.case import (
    Adopted,
    Case,
    CurveStep,
    DrillPoint,
    Fit,
    LensChoice,
    LensDesign,
    Measurements,
    Needs,
    OrderedPower,
    PrescribedLens,
    Prescription,
    Reading,
)
from dispensing.figures import Figures, LensFigures, compute
from dispensing.working import EYE_RULES, PAIR_RULES, TITLES, Working, working
from tests.dispensing.test_figures import RESIN, single, usual, wild

EYE_FIGURES = [f.name for f in fields(LensFigures) if f.name != "front_curve_by"]  # a word about another figure
PAIR_FIGURES = [f.name for f in fields(Figures) if f.name not in ("right", "left", "unknown", "assumed", "outline_assumed")]
PATHS = [f"{eye}.{name}" for eye in ("right", "left") for name in EYE_FIGURES] + PAIR_FIGURES


def bifocal() -> Case:
    case = usual()
    design = LensDesign(family="flat_top_bifocal", segment_centre_below_top_mm=5.0, segment_width_mm=28.0)
    heights = Measurements(
        right=Adopted(far_pd=31.5, near_pd=29.5, height=16.5, pupil_height=22.0),
        left=Adopted(far_pd=32.5, near_pd=30.5, height=16.0, pupil_height=22.0, height_reference="rim_below_pupil"),
    )
    return replace(case, lens=replace(case.lens, design=design, front_curve=5.0), measurements=heights)


def drilled() -> Case:
    case = single(usual(), min_edge_mm=2.0)
    holes = (DrillPoint(x=22.0, y=4.0, diameter=1.4), DrillPoint(x=-22.0, y=4.0, diameter=1.4))
    rx = Prescription(
        right=PrescribedLens(sphere=2.0, cylinder=-1.0, axis=40.0, prism_h=2.0, base_h="out", prism_v=1.5, base_v="up"),
        left=PrescribedLens(sphere=1.0, cylinder=1.5, axis=130.0, prism_h=2.0, base_h="out"),
        vertex_mm=13.0,
    )
    return replace(case, frame=replace(case.frame, mount="drilled", drill_points=holes), prescription=rx)


def bare() -> Case:
    """Nothing more than must be: no outline, no minima, no working distance, no tilts."""
    case = single(usual())
    return replace(
        case,
        needs=Needs(),
        frame=replace(case.frame, outline=(), ed=None),
        fit=Fit(),
        lens=LensChoice(design=LensDesign(family="single_vision"), material=RESIN),
        measurements=Measurements(right=Adopted(far_pd=31.0), left=Adopted(far_pd=32.0)),
    )


CASES = {
    "progressive": usual(),
    "bifocal": bifocal(),
    "drilled with prism": drilled(),
    "near pair": replace(single(usual()), needs=Needs(uses=("near",))),
    "desk pair": replace(single(usual()), needs=Needs(uses=("screens",), working_distance_mm=650.0)),
    "bare": bare(),
    "stated": replace(
        usual(),
        lens=replace(
            usual().lens,
            compensation="maker",
            ordered_right=OrderedPower(sphere=-4.12, cylinder=-1.37, axis=171.0, add=2.0),
        ),
    ),
    "datum and visible rim": usual(
        measurements=Measurements(
            right=Adopted(far_pd=31.5, height=2.0, height_reference="datum"),
            left=Adopted(far_pd=32.5, height=20.5, height_reference="visible_rim"),
        )
    ),
    "thinned and fixed inset": replace(
        usual(),
        lens=replace(
            usual().lens,
            prism_thinning_down=1.5,
            design=LensDesign(family="progressive", corridor_mm=13.0, near_inset_mm=2.5),
        ),
    ),
    "maker's table": replace(
        usual(),
        lens=replace(
            usual().lens,
            design=replace(usual().lens.design, front_curves=(CurveStep(sphere_from=-6.0, sphere_to=6.0, curve=4.25),)),
        ),
    ),
    "ANSI": replace(usual(), rules=replace(usual().rules, tolerance_standard="ANSI Z80.1")),
}


def value_at(figures: Figures, path: str):
    eye, _, name = path.rpartition(".")
    return getattr(figures.of(eye) if eye else figures, name)


def agree(got, figure) -> bool:
    if isinstance(figure, OrderedPower):
        return all(
            (getattr(got, f.name) is None) == (getattr(figure, f.name) is None)
            and (
                getattr(figure, f.name) is None or math.isclose(getattr(got, f.name), getattr(figure, f.name), abs_tol=1e-9)
            )
            for f in fields(OrderedPower)
        )
    if isinstance(figure, tuple):
        return got == pytest.approx(figure, abs=1e-6)
    if isinstance(figure, bool):
        return got is figure
    return math.isclose(got, figure, rel_tol=1e-6, abs_tol=1e-6)


def test_every_figure_has_a_rule_and_a_title():
    assert set(EYE_RULES) == set(EYE_FIGURES)
    assert set(PAIR_RULES) == set(PAIR_FIGURES)
    assert set(TITLES) == set(EYE_FIGURES) | set(PAIR_FIGURES)


@pytest.mark.parametrize("name", CASES)
def test_results_agree_with_the_figures(name):
    case = CASES[name]
    figures = compute(case)
    shown = 0
    for path in PATHS:
        figure, found = value_at(figures, path), working(path, case, figures)
        assert isinstance(found, Working)
        assert found.path == path
        assert found.title
        if figure in (None, ()):
            assert found.result is None
            assert found.result_text in ("not yet known", "does not apply to this lens")
            assert found.missing == tuple(figures.unknown.get(path, ()))
            continue
        shown += 1
        assert agree(found.result, figure), (path, found.result, figure)
        assert found.formula, path
        assert found.steps, path
        assert found.source, path
        assert found.result_text, path
        assert "cannot be shown" not in found.result_text
    assert shown > 40


def test_every_figure_is_shown_in_some_case():
    seen = set()
    for case in CASES.values():
        figures = compute(case)
        seen |= {p.rpartition(".")[2] for p in PATHS if value_at(figures, p) not in (None, ())}
    assert seen == set(EYE_FIGURES) | set(PAIR_FIGURES)


NUMBER = r"\d+(?:\.\d+)?"
PURE = re.compile(r"^[\d.\s()+−×/√²]+$")


def sides(step: str):
    """Left and right of a line that is nothing but arithmetic: `22.00 − 40.00/2 = 2.00`."""
    left, equals, right = step.rpartition(" = ")
    if not equals:
        return None
    right = right.split(" ")[0]
    if not PURE.match(left) or not PURE.match(right):
        return None
    text = left.replace("−", "-").replace("×", "*").replace("²", "**2").replace("√", "math.sqrt")
    text = re.sub(r"(\d)\s+\(", r"\1 * (", text)  # a number before a bracket multiplies
    return eval(text, {"math": math}), float(right.replace("−", "-"))  # what is printed is arithmetic, matched above


@pytest.mark.parametrize("name", CASES)
def test_the_lines_are_true(name):
    """Each printed line is worked out from its printed, rounded numbers: right within what the rounding can do."""
    case = CASES[name]
    figures = compute(case)
    lines = 0
    for path in PATHS:
        for step in working(path, case, figures).steps:
            found = sides(step)
            if found is None:
                continue
            lines += 1
            got, printed = found
            rounding = 0.03 + 0.012 * abs(printed) if "/" in step or "×" in step or "√" in step else 0.021
            assert got == pytest.approx(printed, abs=rounding), (path, step)
    assert lines > 10


def test_a_working_by_hand():
    """Decentration 35 − 31.5 = 3.5; height 22 − 40/2 = 2: sums a trainee does on paper."""
    case = usual()
    figures = compute(case)
    found = working("right.decentration_in", case, figures)
    assert found.steps == ("(52.00 + 18.00)/2 = 35.00", "35.00 − 31.50 = 3.50")
    assert found.result_text == "3.50 mm"
    assert [(i.label, i.value, i.unit) for i in found.inputs] == [
        ("a", 52.0, "mm"),
        ("distance between lenses d", 18.0, "mm"),
        ("monocular PD", 31.5, "mm"),
    ]
    assert working("right.decentration_up", case, figures).steps == ("22.00 − 40.00/2 = 2.00",)


def test_inputs_are_printed_short():
    case = usual()
    found = working("left.chromatic_blur", case, compute(case))
    assert found.eye == "left"
    assert [i.text for i in found.inputs] == ["−4.25 D", "27 mm", "20°", "41"]


def test_what_is_missing_is_said_in_words():
    case = usual(measurements=Measurements(), fit=Fit())
    figures = compute(case)
    assert working("right.decentration_in", case, figures).missing_words == ("PD, far, right",)
    assert working("left.magnification_percent", case, figures).missing_words[0] == "vertex distance as worn"
    for path in PATHS:
        for words in working(path, case, figures).missing_words:
            assert "_" not in words
            assert "." not in words


def test_readings_are_put_in():
    reading = Reading(quantity="far_pd", eye="right", value=31.4)
    case = usual()
    case = replace(
        case,
        measurements=replace(
            case.measurements, readings=(reading, replace(reading, value=31.6), replace(reading, eye="left"))
        ),
    )
    found = working("right.far_pd", case, compute(case))
    assert [i.value for i in found.inputs] == [31.4, 31.6]


def test_stand_ins_are_named_where_they_count():
    case = bare()
    figures = compute(case)
    mass = working("right.mass_g", case, figures)
    assert any("shape" in sentence for sentence in mass.assumed)
    assert any("thickness" in sentence for sentence in mass.assumed)
    assert any("Vogel" in sentence for sentence in mass.assumed)
    assert working("right.far_pd", case, figures).assumed == ()
    assert any("400 mm" in sentence for sentence in working("right.near_inset", case, figures).assumed)


def test_no_such_figure():
    case = usual()
    figures = compute(case)
    for path in (
        "",
        "right",
        "right.",
        "up.mass_g",
        "right.unknown",
        "assumed",
        "right.net_prism_h",
        "right.__class__",
        "net_prism_h.x",
    ):
        assert working(path, case, figures) is None, path


def test_signs_are_printed_as_the_trade_does():
    case = usual()
    found = working("right.expected", case, compute(case))
    assert re.fullmatch(r"−\d\.\d\d/−\d\.\d\d×\d+(\.\d)? add \+2\.00", found.result_text)
    assert "-" not in found.result_text
    assert not any("-" in step for step in found.steps)


@settings(max_examples=60, deadline=None)
@given(wild())
def test_never_raises(case):
    figures = compute(case)
    for path in PATHS:
        assert isinstance(working(path, case, figures), Working)


def test_figures_of_another_case_are_refused_not_raised():
    figures = compute(usual())
    empty = Case(today=date(2026, 1, 1))
    for path in PATHS:
        assert isinstance(working(path, empty, figures), Working)
