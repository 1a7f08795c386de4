"""`compute_many` gives what `compute` gives, one by one, and cuts no lens twice."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import date

import pytest

from dispensing import case as c
from dispensing.figures import compute, compute_many, substance
from dispensing.optics.outlines import outline_for

FRAME = c.Frame(
    identity="T", name="Tern", a=52.0, b=40.0, dbl=18.0, ed=54.0, mount="full_rim",
    outline=tuple(outline_for(52.0, 40.0, 54.0, "quadra_soft")),
)  # fmt: skip
DESIGNS = (
    c.LensDesign(identity="SV", name="Plain", family="single_vision", sphere_min=-8.0, blank_diameters=(65.0, 70.0)),
    c.LensDesign(identity="SW", name="Plainer", family="single_vision", sphere_min=-6.0),
    c.LensDesign(identity="P13", name="Ridge", family="progressive", corridor_mm=13.0, min_height_mm=17.0),
    c.LensDesign(identity="P15", name="Ridge long", family="progressive", corridor_mm=15.0, min_height_mm=19.0),
    c.LensDesign(
        identity="B28", name="Flat", family="flat_top_bifocal", segment_width_mm=28.0, segment_centre_below_top_mm=5.0
    ),
)
MATERIALS = (
    c.Material(name="1.50", nd=1.498, abbe=58.0, density=1.32),
    c.Material(name="1.67", nd=1.66, abbe=32.0, density=1.36),
)


def a_case(sphere: float, **frame: object) -> c.Case:
    eye = {"cylinder": -0.75, "axis": 20.0, "add": 2.0}
    return c.Case(
        today=date(2026, 3, 2),
        needs=c.Needs(uses=("all_round",), working_distance_mm=400.0),
        prescription=c.Prescription(
            right=c.PrescribedLens(sphere=sphere, **eye), left=c.PrescribedLens(sphere=sphere - 0.5, **eye), vertex_mm=12.0
        ),
        frame=replace(FRAME, **frame),  # type: ignore[arg-type]
        fit=c.Fit(confirmed=True, vertex_mm=13.0, pantoscopic_deg=8.0, face_form_deg=5.0),
        measurements=c.Measurements(
            right=c.Adopted(far_pd=31.0, near_pd=29.0, height=21.0), left=c.Adopted(far_pd=32.5, near_pd=30.0, height=21.5)
        ),
    )


def options(case: c.Case) -> list[c.Case]:
    return [
        replace(case, lens=c.LensChoice(design=d, material=m, min_centre_mm=1.4, min_edge_mm=1.0))
        for d in DESIGNS
        for m in MATERIALS
    ]


def same(one: object, two: object) -> None:
    a, b = asdict(one), asdict(two)  # type: ignore[call-overload]
    for eye in ("right", "left"):
        lens_a, lens_b = a.pop(eye), b.pop(eye)
        for name, value in lens_a.items():
            if isinstance(value, float | tuple) and value:
                assert lens_b[name] == pytest.approx(value, abs=1e-9), (eye, name)
            else:
                assert lens_b[name] == value, (eye, name)
    for name, value in a.items():
        assert b[name] == (pytest.approx(value, abs=1e-9) if isinstance(value, float) else value), name


@pytest.mark.parametrize("sphere", [-6.25, 0.0, 4.5])
@pytest.mark.parametrize(
    "frame", [{}, {"mount": "drilled", "drill_points": (c.DrillPoint(x=24.0, y=6.0, diameter=1.4),)}, {"outline": ()}]
)
def test_together_as_one_by_one(sphere, frame):
    cases = options(a_case(sphere, **frame))
    for case, figures in zip(cases, compute_many(cases), strict=True):
        same(compute(case), figures)


def test_one_lens_that_cannot_be_made_takes_no_other_away():
    case = a_case(-4.0)
    cases = [
        replace(case, lens=c.LensChoice(design=DESIGNS[0], material=MATERIALS[0], front_curve=curve))
        for curve in (4.0, 30.0)
    ]
    good, bad = compute_many(cases)
    same(compute(cases[0]), good)
    same(compute(cases[1]), bad)
    assert good.mass_g is not None
    assert bad.mass_g is None


def test_cases_of_different_frames_are_kept_apart():
    cases = [*options(a_case(-3.0)), *options(a_case(-3.0, a=46.0, b=34.0, ed=47.0, outline=()))]
    for case, figures in zip(cases, compute_many(cases), strict=True):
        same(compute(case), figures)


def test_nothing_is_cut_twice(monkeypatch):
    cut: list[int] = []
    plain = substance._cut
    monkeypatch.setattr(
        substance, "_cut", lambda case, front, wanted: cut.append(len(wanted)) or plain(case, front, wanted)
    )
    compute_many(options(a_case(-3.0)))
    # single vision, progressive, segment: three places of the centre, two materials, two eyes
    assert cut == [12]
