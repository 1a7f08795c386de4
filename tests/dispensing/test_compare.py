"""Lenses side by side, frames ranked, what if: the pure part.

Held against `figures.compute` and `checks.assess` of the same Case one by one, and against closed forms worked here. The materials of the
demo are held against published tables in tests/orders/test_demo.py.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import pytest

from dispensing import case as c
from dispensing.checks import assess, registry
from dispensing.compare import SORTS, FrameItem, Option, compare, face_of, rank_frames, sort
from dispensing.compare.frames import why
from dispensing.compare.what_if import Moved, stretched, what_if
from dispensing.figures import compute
from dispensing.optics import boxing
from dispensing.optics.outlines import SHAPE_KINDS, outline_for
from dispensing.renderers.compare_sheet import PLAIN, _rank
from tests.dispensing.test_compute_many import DESIGNS, MATERIALS, a_case, same


def options(**more: object) -> list[Option]:
    return [
        Option(
            key=f"{d.identity}-{m.name}",
            choice=c.LensChoice(design=d, material=m, min_centre_mm=1.4, min_edge_mm=1.0, **more),
        )  # type: ignore[arg-type]
        for d in DESIGNS
        for m in MATERIALS
    ]


# --- lenses -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sphere", [-6.25, 3.0])
def test_a_row_is_what_the_sheet_would_say(sphere):
    case = a_case(sphere)
    for row in compare(case, options()):
        one = replace(case, lens=row.option.choice)
        assert row.case == one
        same(compute(one), row.figures)
        of_the_lens = [f for f in assess(one, compute(one)) if registry()[f.check].family == "lens"]
        assert [f.key for f in row.findings] == [f.key for f in of_the_lens if not f.check.startswith("ordered.")]


def test_what_is_not_made_and_what_does_not_fit_are_told_apart():
    case = a_case(-9.25)
    made = {row.option.key: row for row in compare(case, options())}
    assert made["SV-1.50"].verdict == "not_made"  # made to −8.00
    assert "lens.power-range" in {f.check for f in made["SV-1.50"].stops}
    deep = c.LensDesign(identity="P", name="Deep", family="progressive", min_height_mm=24.0)
    (row,) = compare(a_case(-2.0), [Option(key="P", choice=c.LensChoice(design=deep, material=MATERIALS[0]))])
    assert row.verdict == "unsuitable"  # heights 21.0 and 21.5
    assert row.height_margin == pytest.approx(-3.0)


def test_what_is_not_known_is_not_taken_to_fit():
    """How much light the tint lets through is not on record: it has to be asked before anybody drives with it."""
    choice = c.LensChoice(design=DESIGNS[0], material=MATERIALS[0], tint=c.Tint(name="smoke"))
    (row,) = compare(a_case(-2.0), [Option(key="T", choice=choice)])
    assert row.verdict == "ask"
    assert "tint.figures" in {f.check for f in row.confirms}


def test_the_least_blank_is_the_one_the_check_lets_pass():
    """For every row, the check of the blank is silent with the blank named, and stops with the next smaller one."""
    sizes = (55.0, 60.0, 65.0, 70.0, 75.0)
    design = replace(DESIGNS[0], blank_diameters=sizes)
    for sphere in (-4.0, 2.0):
        (row,) = compare(a_case(sphere), [Option(key="x", choice=c.LensChoice(design=design, material=MATERIALS[0]))])
        assert row.blank is not None
        assert row.blank_needed is not None

        def stops(diameter: float, row=row) -> bool:
            one = replace(row.case, lens=replace(row.option.choice, blank_diameter_mm=diameter))
            return any(f.check == "lens.blank-too-small" for f in assess(one, compute(one)))

        assert not stops(row.blank)
        smaller = [d for d in sizes if d < row.blank]
        assert smaller == [] or stops(max(smaller))


def test_no_blank_covers():
    design = replace(DESIGNS[0], blank_diameters=(50.0,))
    (row,) = compare(a_case(-4.0), [Option(key="x", choice=c.LensChoice(design=design, material=MATERIALS[0]))])
    assert row.blank is None
    assert row.verdict == "not_made"


@pytest.mark.parametrize("by", ["lens", "verdict", *SORTS])
@pytest.mark.parametrize("down", [False, True])
def test_sorting_loses_nothing_and_puts_the_unknown_last(by, down):
    rows = compare(replace(a_case(-4.0), fit=c.Fit()), options())
    found = sort(rows, by, down)
    assert sorted(r.option.key for r in found) == sorted(r.option.key for r in rows)
    if by in SORTS:
        values = [SORTS[by](r) for r in found]
        known = [v for v in values if v is not None]
        assert known == sorted(known, reverse=down)
        assert None not in values[: len(known)]


def test_index_and_thickness_in_the_order_that_the_trade_knows():
    """Same curves and minima: a minus edge and a plus centre thin as the index grows; the blur goes with 1/Abbe (Jalie)."""
    materials = [
        c.Material(name=str(n), nd=n, abbe=v, density=1.3) for n, v in ((1.5, 58), (1.6, 41), (1.67, 32), (1.74, 33))
    ]
    choices = [
        c.LensChoice(design=DESIGNS[0], material=m, min_centre_mm=1.4, min_edge_mm=1.0, front_curve=4.0) for m in materials
    ]
    for sphere, name in ((-6.0, "thickest"), (5.0, "centre")):
        if sphere > 0:
            choices = [replace(x, front_curve=9.0) for x in choices]
        rows = compare(a_case(sphere), [Option(key=str(i), choice=x) for i, x in enumerate(choices)])
        values = [getattr(r, name) for r in rows]
        assert values == sorted(values, reverse=True)
        assert len(set(values)) == len(values)
        for row, m in zip(rows, materials, strict=True):
            assert row.blur == pytest.approx(rows[0].blur * 58 / m.abbe, rel=1e-9)


def test_mass_is_volume_times_density():
    light, heavy = (replace(MATERIALS[0], density=d) for d in (1.10, 2.54))
    rows = compare(
        a_case(-4.0),
        [Option(key=str(m.density), choice=c.LensChoice(design=DESIGNS[0], material=m)) for m in (light, heavy)],
    )
    assert rows[1].figures.mass_g == pytest.approx(rows[0].figures.mass_g * 2.54 / 1.10, rel=1e-9)


def test_every_check_of_the_lens_has_plain_words():
    lens = {k for k, check in registry().items() if check.family == "lens" and not k.startswith("ordered.")}
    assert lens == set(PLAIN)
    for words in PLAIN.values():
        assert words.endswith(".")
        assert not {"Δ", "dioptre", "prism point", "Abbe"} & set(words.split()), words


# --- frames -----------------------------------------------------------------------------------------------------------


def a_frame(a: float, b: float, dbl: float, shape: str = "quadra_soft", **more: object) -> c.Frame:
    return c.Frame(
        name=f"{a}x{b}",
        identity=f"{a}",
        a=a,
        b=b,
        dbl=dbl,
        mount="full_rim",
        outline=tuple(outline_for(a, b, None, shape)),
        **more,
    )  # type: ignore[arg-type]


MANY = [
    FrameItem(key=f"{a}-{b}-{dbl}-{shape}", frame=a_frame(a, b, dbl, shape))
    for a, b, dbl, shape in zip(
        (44.0, 46.0, 48.0, 50.0, 52.0, 54.0, 56.0, 58.0, 47.0, 51.0, 53.0, 55.0),
        (38.0, 30.0, 36.0, 44.0, 30.0, 40.0, 46.0, 50.0, 24.0, 34.0, 36.0, 42.0),
        (20.0, 18.0, 19.0, 17.0, 18.0, 16.0, 18.0, 20.0, 20.0, 17.0, 18.0, 15.0),
        list(SHAPE_KINDS)[:12],
        strict=True,
    )
]


@pytest.mark.parametrize("sphere", [-5.0, 4.0])
@pytest.mark.parametrize("design", [DESIGNS[0], DESIGNS[2], DESIGNS[4]])
def test_ranked_figures_are_those_of_the_same_case_with_that_frame(sphere, design):
    case = replace(
        a_case(sphere), lens=c.LensChoice(design=design, material=MATERIALS[0], min_centre_mm=1.4, min_edge_mm=1.0)
    )
    drilled = FrameItem(
        key="d",
        frame=replace(
            MANY[4].frame,
            mount="drilled",
            drill_points=(c.DrillPoint(x=24.0, y=5.0, diameter=1.4), c.DrillPoint(x=-24.0, y=5.0, diameter=1.4)),
        ),
    )
    choices = {"full_rim": case.lens, "drilled": replace(case.lens, min_edge_mm=2.0)}
    face = face_of(case)
    rows = rank_frames(case, [*MANY, drilled], choices, face)
    assert len(rows) == len(MANY) + 1
    for row in rows:
        frame, m = row.item.frame, case.measurements
        at = {e: replace(m.of(e), height=face.up.of(e) + frame.b / 2, height_reference="box") for e in c.EYES}
        one = compute(replace(case, frame=frame, lens=choices[frame.mount], measurements=replace(m, **at)))
        for eye in c.EYES:
            assert row.decentration.of(eye) == pytest.approx((frame.a + frame.dbl) / 2 - m.of(eye).far_pd)
        assert row.thickest == pytest.approx(max(one.right.edge_thickest, one.left.edge_thickest), abs=1e-5)
        assert row.thinnest == pytest.approx(min(one.right.edge_thinnest, one.left.edge_thinnest), abs=1e-5)
        assert row.centre == pytest.approx(max(one.right.centre_thickness, one.left.centre_thickness), abs=1e-5)
        assert row.blank_needed == pytest.approx(max(one.right.blank_needed, one.left.blank_needed), abs=1e-9)
        assert row.height == pytest.approx(min(one.right.height_box, one.left.height_box))


def test_the_rank_is_by_what_is_said():
    case = replace(
        a_case(-5.0), lens=c.LensChoice(design=DESIGNS[2], material=MATERIALS[0], min_centre_mm=1.4, min_edge_mm=1.0)
    )
    rows = rank_frames(case, MANY, {"full_rim": case.lens})
    order = {"fits": 0, "ask": 1, "no": 2}
    assert [order[r.tier] for r in rows] == sorted(order[r.tier] for r in rows)
    for tier in order:
        costs = [r.cost for r in rows if r.tier == tier]
        assert costs == sorted(costs)
    shallow = next(r for r in rows if r.item.frame.b == 24.0)
    assert shallow.tier == "no"
    assert "too shallow" in why(shallow)
    assert all(why(r).startswith("Decentration") for r in rows if r.tier == "fits")


def test_a_frame_that_no_blank_covers_comes_last():
    design = replace(DESIGNS[0], blank_diameters=(60.0,))
    case = replace(a_case(-5.0), lens=c.LensChoice(design=design, material=MATERIALS[0]))
    rows = rank_frames(case, MANY, {"full_rim": case.lens})
    assert rows[-1].tier == "no"
    assert "largest made is 60" in why(rows[-1])
    face, m = face_of(case), case.measurements
    for row in rows:
        frame = row.item.frame
        at = {e: replace(m.of(e), height=face.up.of(e) + frame.b / 2) for e in c.EYES}
        one = replace(case, frame=frame, measurements=replace(m, **at))
        assert (row.blank is None) == any(f.check == "lens.blank-too-small" for f in assess(one, compute(one)))


def test_without_a_pd_or_a_prescription_nothing_is_invented():
    case = replace(a_case(-5.0), measurements=c.Measurements(), prescription=None)
    face = face_of(case)
    assert face.pd == c.Pair(None, None)
    rows = rank_frames(case, MANY, {})
    assert all(r.thickest is None and r.mean_decentration is None for r in rows)


def test_a_lens_that_cannot_be_made_in_one_frame_leaves_the_others():
    case = replace(a_case(16.0), lens=c.LensChoice(design=DESIGNS[0], material=MATERIALS[0], front_curve=21.0))
    small, large = a_frame(30.0, 22.0, 24.0), a_frame(64.0, 56.0, 18.0)
    rows = {
        r.item.key: r
        for r in rank_frames(
            case, [FrameItem(key="s", frame=small), FrameItem(key="l", frame=large)], {"full_rim": case.lens}
        )
    }
    assert rows["s"].thickest is not None
    assert rows["l"].thickest is None


# --- what if ----------------------------------------------------------------------------------------------------------


def with_lens(sphere: float, design: c.LensDesign = DESIGNS[0]) -> c.Case:
    return replace(
        a_case(sphere), lens=c.LensChoice(design=design, material=MATERIALS[0], min_centre_mm=1.4, min_edge_mm=1.0)
    )


def test_nothing_moved_is_what_is():
    case = with_lens(-4.0)
    found = what_if(case, Moved())
    assert found.after is found.before
    assert found.after.case is case


def test_a_stretched_outline_has_the_new_box_and_is_the_same_shape():
    outline = tuple(outline_for(52.0, 40.0, 54.0, "quadra_soft"))
    shape = boxing.box(stretched(outline, 44.0 / 52.0, 36.0 / 40.0))
    assert (shape.a, shape.b) == (pytest.approx(44.0, abs=0.05), pytest.approx(36.0, abs=0.05))
    assert boxing.area(shape) == pytest.approx(boxing.area(boxing.box(outline)) * 44 / 52 * 36 / 40, rel=1e-3)
    assert stretched((), 1.1, 1.0) == ()


def test_the_fitting_point_keeps_its_distance_from_the_datum_line():
    case = with_lens(-4.0, DESIGNS[2])
    found = what_if(case, Moved(b=30.0))
    for eye in c.EYES:
        assert found.after.figures.of(eye).height_datum == pytest.approx(found.before.figures.of(eye).height_datum)
        assert found.after.figures.of(eye).height_box == pytest.approx(found.before.figures.of(eye).height_box - 5.0)
    assert "lens.height-under-minimum" in {f.check for f in found.new}  # 16.0 under 17


def test_each_handle_gives_what_the_same_case_gives():
    case = with_lens(-4.0)
    found = what_if(case, Moved(dbl=16.0, pd=c.Pair(30.0, None), front_curve=3.0, up=c.Pair(2.0, None)))
    m = case.measurements
    other = replace(
        case,
        frame=replace(case.frame, dbl=16.0),
        lens=replace(case.lens, front_curve=3.0),
        measurements=replace(
            m, right=replace(m.right, far_pd=30.0, height=22.0), left=replace(m.left, height=m.left.height)
        ),
    )
    same(compute(other), found.after.figures)


def test_a_finished_round_lens_by_closed_form():
    """Plus sphere on a round of 65 mm about its centre: edge = least edge everywhere, so centre = edge + sag front − sag back.

    Worked here with plain sags and back vertex power, apart from the product's own solver.
    """
    case = with_lens(5.0)
    rx = replace(case.prescription, right=c.PrescribedLens(sphere=5.0), left=c.PrescribedLens(sphere=5.0))
    case = replace(case, prescription=rx)
    found = what_if(case, Moved(blank_diameter_mm=65.0, front_curve=9.0, round_blank=True))
    n, front, r = 1.498, 9.0 / 530.0, 32.5
    centre = 3.0
    for _ in range(60):
        f1 = 1000 * (n - 1) * front
        back = (f1 / (1 - centre / 1000 / n * f1) - 5.0) / (1000 * (n - 1))
        centre = 1.0 + (1 / front - math.sqrt(1 / front**2 - r * r)) - (1 / back - math.sqrt(1 / back**2 - r * r))
    assert found.after.figures.right.centre_thickness == pytest.approx(centre, abs=1e-4)
    ground = what_if(case, Moved(front_curve=9.0)).after.figures
    assert found.after.figures.right.centre_thickness > ground.right.centre_thickness + 0.5
    assert found.after.figures.mass_g > ground.mass_g
    larger = what_if(case, Moved(blank_diameter_mm=70.0, front_curve=9.0, round_blank=True)).after.figures
    assert larger.mass_g > found.after.figures.mass_g


def test_a_minus_lens_is_no_thicker_for_its_diameter():
    """Its least thickness is at the centre: the round gives the same lens as the outline does."""
    case = with_lens(-5.0)
    found = what_if(case, Moved(blank_diameter_mm=70.0, round_blank=True)).after.figures
    assert found.right.centre_thickness == pytest.approx(compute(case).right.centre_thickness, abs=1e-6)
    assert found.mass_g == pytest.approx(compute(case).mass_g, rel=1e-9)


def test_nothing_on_record_moves_nothing_and_fails_nowhere():
    bare = c.Case(today=a_case(0.0).today)
    found = what_if(
        bare,
        Moved(
            a=50.0, b=36.0, dbl=18.0, pd=c.Pair(31.0, 31.0), up=c.Pair(3.0, 3.0), round_blank=True, blank_diameter_mm=65.0
        ),
    )
    assert found.after.figures.mass_g is None
    assert found.after.figures.right.decentration_in == pytest.approx(3.0)


def test_alike_in_both_is_said_in_one():
    def row(thick, mass):
        return SimpleNamespace(thickest_anywhere=thick, figures=SimpleNamespace(mass_g=mass))

    one, same, thin = row(4.0, 20.0), row(4.05, 20.2), row(3.0, 12.0)
    assert _rank(one, [one, same]) == "Of these as thick and as heavy as the other."
    assert _rank(thin, [one, same, thin]) == "Of these the thinnest and the lightest."
    assert _rank(one, [one, row(4.0, 12.0)]) == "Of these the heaviest and as thick as the other."
