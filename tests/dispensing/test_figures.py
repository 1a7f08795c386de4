"""Figures of a whole Case: against the optics called apart, against published examples, and never an exception."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispensing.case import (
    Adopted,
    Case,
    DrillPoint,
    Fit,
    Frame,
    LensChoice,
    LensDesign,
    Material,
    Measurements,
    Needs,
    OrderedPower,
    PrescribedLens,
    Prescription,
    Rules,
)
from dispensing.figures import Figures, LensFigures, compute
from dispensing.optics import boxing, outlines, thickness
from dispensing.optics.power import Power
from tests.dispensing.optics import worked

RESIN = Material(name="1.60 resin", nd=1.6, abbe=41.0, density=1.3)
OUTLINE = outlines.outline_for(52.0, 40.0, 57.0, "contour", 400)


def usual(**changes) -> Case:
    """An everyday progressive dispense, everything on record."""
    case = Case(
        today=date(2026, 3, 2),
        needs=Needs(working_distance_mm=400.0),
        prescription=Prescription(
            right=PrescribedLens(sphere=-4.25, cylinder=-1.5, axis=170.0, add=2.0),
            left=PrescribedLens(sphere=-3.5, cylinder=-0.75, axis=20.0, add=2.0),
            vertex_mm=12.0,
        ),
        frame=Frame(a=52.0, b=40.0, dbl=18.0, ed=57.0, mount="full_rim", outline=OUTLINE),
        fit=Fit(vertex_mm=13.5, pantoscopic_deg=9.0, face_form_deg=5.0),
        measurements=Measurements(
            right=Adopted(far_pd=31.5, near_pd=29.5, height=22.0), left=Adopted(far_pd=32.5, near_pd=30.5, height=22.0)
        ),
        lens=LensChoice(
            design=LensDesign(family="progressive", corridor_mm=13.0), material=RESIN, min_centre_mm=1.5, min_edge_mm=1.0
        ),
    )
    return replace(case, **changes)


def single(case: Case, **lens) -> Case:
    return replace(case, lens=replace(case.lens, design=LensDesign(family="single_vision"), **lens))


def mirrored(case: Case) -> Case:
    """The same person in a mirror: eyes exchanged, axes 180 - A."""
    assert case.prescription is not None

    def turned(lens: PrescribedLens) -> PrescribedLens:
        return replace(lens, axis=None if lens.axis is None else (180.0 - lens.axis) or 180.0)

    return replace(
        case,
        prescription=replace(case.prescription, right=turned(case.prescription.left), left=turned(case.prescription.right)),
        measurements=replace(case.measurements, right=case.measurements.left, left=case.measurements.right),
    )


# --- published and worked examples through the whole Case ------------------------------------------------------------


@pytest.mark.parametrize("case", [c for c in worked.cases("e", "e-pub") if "PD_mm" in c.inputs], ids=str)
def test_published_decentrations_and_blanks(case):
    i = case.inputs
    frame = Frame(a=i["A_mm"], b=40.0, dbl=i["DBL_mm"], ed=i.get("ED_mm"))
    adopted = Adopted(far_pd=i["PD_mm"] / 2)
    found = compute(Case(today=date(2026, 1, 1), frame=frame, measurements=Measurements(right=adopted, left=adopted)))
    for eye in found.right, found.left:
        if "decentration_each" in case.expected:
            worked.expect(case, "decentration_each", eye.decentration_in)
        else:
            assert eye.blank_rule - 2.0 == pytest.approx(case.expected["min_blank"]["value"])


@pytest.mark.parametrize("case", [c for c in worked.cases("m") if "eye" in c.inputs], ids=str)
def test_heights_on_a_worked_outline(case):
    i = case.inputs
    data = worked.outline(i["outline"])
    shape = boxing.box(data["radii_mm"])
    reference, value = (
        ("rim_below_pupil", i["height_above_local_rim_mm"])
        if "height_above_local_rim_mm" in i
        else ("box", i["height_above_lower_box_tangent_mm"])
    )
    dbl = 18.0
    pd = 0.5 * (shape.a + dbl) - i["pupil_nasal_of_box_centre_mm"]
    found = compute(
        Case(
            today=date(2026, 1, 1),
            frame=Frame(a=shape.a, b=shape.b, dbl=dbl, outline=tuple(data["radii_mm"])),
            measurements=Measurements(right=Adopted(far_pd=pd, height=value, height_reference=reference)),
        )
    ).right
    got = {
        "height_above_datum_line": found.height_datum,
        "height_above_local_rim_point": found.height_rim,
        "height_above_lower_box_tangent": found.height_box,
        "rim_above_lower_tangent": found.height_box - found.height_rim,
        "B": shape.b,
    }
    for name in case.expected:
        worked.expect(case, name, got[name])


def test_the_cut_lens_of_the_worked_examples():
    case = worked.case("g-cmp-11")
    i, data = case.inputs, worked.outline("A")
    shape = boxing.box(data["radii_mm"])
    found = compute(
        Case(
            today=date(2026, 1, 1),
            prescription=Prescription(right=PrescribedLens(sphere=i["sphere_D"], cylinder=i["cyl_D"], axis=i["axis_deg"])),
            frame=Frame(a=shape.a, b=shape.b, dbl=18.0, outline=tuple(data["radii_mm"])),
            measurements=Measurements(
                right=Adopted(far_pd=0.5 * (shape.a + 18.0) - i["oc_nasal_mm"], height=0.5 * shape.b + i["oc_up_mm"])
            ),
            lens=LensChoice(
                design=LensDesign(family="single_vision"),
                material=replace(RESIN, nd=i["index"], density=i["density_g_cm3"]),
                min_centre_mm=i["centre_thickness_mm"],
                min_edge_mm=1.0,
                front_curve=i["front_D"] * 0.53 / (i["index"] - 1.0),
            ),
        )
    ).right
    worked.expect(case, "max_edge", found.edge_thickest)
    worked.expect(case, "min_edge", found.edge_thinnest)
    worked.expect(case, "volume", found.volume_mm3)
    assert found.mass_g == pytest.approx(case.expected["mass"]["value"], abs=0.02)
    assert found.centre_thickness == pytest.approx(i["centre_thickness_mm"])


@pytest.mark.parametrize(
    ("sphere", "tested", "fitted", "wanted"),
    [(-10.0, 12, 15, -10.31), (-10.0, 12, 14, -10.20), (12.0, 12, 14, 11.72), (-5.0, 12, 14, -5.05), (-8.0, 14, 11, -7.81)],
)
def test_expected_power_for_another_vertex_distance(sphere, tested, fitted, wanted):
    """F / (1 - xF): the figures of the usual vertex table (derived by arithmetic; two decimals)."""
    case = usual(
        prescription=Prescription(
            right=PrescribedLens(sphere=sphere), left=PrescribedLens(sphere=sphere), vertex_mm=tested
        ),
        fit=Fit(vertex_mm=fitted, pantoscopic_deg=0.0, face_form_deg=0.0),
    )
    found = compute(case)
    assert found.right.expected.sphere == pytest.approx(wanted, abs=0.006)
    assert found.right.expected.cylinder == 0.0
    # what is ordered unchanged does not give the prescription at the eye; what is expected does
    assert found.right.at_eye.sphere != pytest.approx(sphere, abs=0.01)
    done = compute(replace(case, lens=replace(case.lens, ordered_right=found.right.expected)))
    assert done.right.at_eye.sphere == pytest.approx(sphere, abs=1e-9)


@pytest.mark.parametrize("case", [c for c in worked.cases("d") if "order_sphere" in c.expected], ids=str)
def test_expected_power_for_tilts(case):
    i = case.inputs
    rx = PrescribedLens(sphere=i["sphere_D"], cylinder=i["cyl_D"], axis=i["axis_deg"])
    found = compute(
        usual(
            prescription=Prescription(right=rx, left=rx, vertex_mm=13.0),
            fit=Fit(vertex_mm=13.0, pantoscopic_deg=i["panto_deg"], face_form_deg=i["faceform_deg"]),
            lens=LensChoice(material=replace(RESIN, nd=i["index"])),
        )
    ).right
    worked.expect(case, "order_sphere", found.expected.sphere)
    worked.expect(case, "order_cyl", found.expected.cylinder)
    worked.expect(case, "order_axis", found.expected.axis)
    worked.expect(case, "asworn_sphere", found.at_eye.sphere)
    worked.expect(case, "asworn_cyl", found.at_eye.cylinder)
    worked.expect(case, "asworn_axis", found.at_eye.axis)


def test_prism_tolerances_of_a_pair():
    """-6.00 pair, no prism: horizontal ±1.20, vertical ±0.60 Δ (ISO 21987, figures as carried in GB 13511.1-2011; from memory)."""
    rx = Prescription(right=PrescribedLens(sphere=-6.0), left=PrescribedLens(sphere=-6.0), vertex_mm=12.0)
    found = compute(single(usual(prescription=rx)))
    assert (found.prism_tolerance_h, found.prism_tolerance_v) == pytest.approx((1.2, 0.6))
    # one millimetre makes 0.6 Δ: 2 mm of PD, 1 mm of height
    assert found.right.prism_per_mm_h == pytest.approx(0.6)
    assert (found.right.pd_need_mm, found.right.height_need_mm) == pytest.approx((2.0, 1.0))


def test_vertical_imbalance_of_a_published_pair():
    """R +1.00, L +3.00: 2 Δ at 10 mm below the centres (McCarthy, Optician CET)."""
    rx = Prescription(right=PrescribedLens(sphere=1.0), left=PrescribedLens(sphere=3.0), vertex_mm=12.0)
    assert compute(usual(prescription=rx)).vertical_imbalance_near == pytest.approx(-2.0)


def test_image_jump_of_a_published_segment():
    """D segment 28, centre 5 mm below the top, add +2.00: 1 Δ (textbook Ophthalmic Lenses, ch. 10, p. 114)."""
    design = LensDesign(family="flat_top_bifocal", segment_centre_below_top_mm=5.0)
    case = usual()
    assert compute(replace(case, lens=replace(case.lens, design=design))).right.image_jump == pytest.approx(1.0)


# --- decisions made here ---------------------------------------------------------------------------------------------


def test_everything_is_known_of_a_usual_case():
    found = compute(usual())
    assert found.unknown == {}
    assert not found.outline_assumed
    inapplicable = {"segment_top_below_pupil", "image_jump", "edge_at_drill_points"}
    for eye in (found.right, found.left):
        for one in fields(LensFigures):
            if one.name not in inapplicable:
                assert getattr(eye, one.name) not in (None, ()), one.name
    for one in fields(Figures):
        assert getattr(found, one.name) is not None, one.name
    assert len(found.right.edge_profile) == 400
    assert min(found.right.edge_profile) == found.right.edge_thinnest
    assert max(found.right.edge_profile) == found.right.edge_thickest


def test_blank_is_centred_on_the_prism_reference_point_of_a_progressive():
    case = usual()
    progressive, plain = compute(case).right, compute(single(case)).right
    assert progressive.reference_y == pytest.approx(plain.reference_y - 4.0)
    shape = boxing.box(OUTLINE)
    for found in (progressive, plain):
        farthest = max(
            math.hypot(x - found.reference_x, y - found.reference_y) for x, y in zip(shape.x, shape.y, strict=True)
        )
        assert found.blank_needed == pytest.approx(2 * farthest, abs=1e-9)


def test_prism_at_the_fitting_cross_of_a_progressive():
    """4 mm above the prism reference point of a -5.00 lens: 2 Δ base up, by Prentice."""
    rx = Prescription(right=PrescribedLens(sphere=-5.0, add=2.0), left=PrescribedLens(sphere=-5.0, add=2.0), vertex_mm=12.0)
    found = compute(usual(prescription=rx))
    assert found.right.prism_up == pytest.approx(2.0)
    assert found.net_prism_v == 0.0


def test_prism_thinning_is_yoked_and_makes_no_difference_between_the_eyes():
    case = usual()
    rx = Prescription(right=PrescribedLens(sphere=2.0, add=2.5), left=PrescribedLens(sphere=2.0, add=2.5), vertex_mm=12.0)
    plain = compute(replace(case, prescription=rx))
    thinned = compute(replace(case, prescription=rx, lens=replace(case.lens, prism_thinning_down=1.5)))
    assert thinned.net_prism_v == plain.net_prism_v == 0.0
    assert thinned.right.prism_up == pytest.approx(plain.right.prism_up - 1.5)
    assert thinned.right.mass_g != pytest.approx(plain.right.mass_g, abs=0.05)


def test_near_pair_has_the_near_power_and_the_near_pd():
    case = replace(single(usual()), needs=Needs(uses=("near",), working_distance_mm=400.0))
    found = compute(case)
    assert found.right.ordered.sphere == pytest.approx(-2.25)
    assert found.right.ordered.add is None
    assert found.right.decentration_in == pytest.approx(35.0 - 29.5)
    desk = compute(replace(case, needs=Needs(uses=("screens",))))
    assert desk.right.ordered.sphere == pytest.approx(-3.25)  # half the addition where no intermediate one is written


def test_prism_moves_the_substance_to_the_base():
    case = single(usual())
    rx = Prescription(
        right=PrescribedLens(sphere=0.0, prism_h=4.0, base_h="in"),
        left=PrescribedLens(sphere=0.0, prism_h=4.0, base_h="out"),
        vertex_mm=12.0,
    )
    found = compute(replace(case, prescription=rx))
    assert found.net_prism_h == 0.0
    nasal, temporal = (found.right.edge_profile[0], found.right.edge_profile[200])
    assert nasal > temporal + 2.0
    assert found.left.edge_profile[200] > found.left.edge_profile[0] + 2.0
    assert -90 < (found.right.edge_thickest_at_deg + 180) % 360 - 180 < 90


def test_missing_base_leaves_the_order_unknown_but_not_the_power():
    rx = Prescription(right=PrescribedLens(sphere=-3.0, prism_h=3.0), left=PrescribedLens(sphere=-3.0), vertex_mm=12.0)
    found = compute(usual(prescription=rx))
    assert found.right.ordered is None
    assert found.unknown["right.ordered"] == ("prescription.right.base_h",)
    assert found.net_prism_h is None
    assert found.right.principal_max == -3.0
    assert found.left.ordered is not None
    assert found.left.mass_g is not None


def test_strong_lens_needs_its_vertex_distance():
    rx = Prescription(right=PrescribedLens(sphere=-9.5), left=PrescribedLens(sphere=-2.0))
    found = compute(usual(prescription=rx))
    assert found.right.expected is None
    assert found.unknown["right.expected"] == ("prescription.vertex_mm",)
    assert found.left.expected is not None
    assert "prescription.vertex_mm" in found.assumed


@pytest.mark.parametrize(
    ("change", "figure", "missing"),
    [
        ({"frame": None}, "right.decentration_in", "frame"),
        ({"frame": Frame(b=40.0, dbl=18.0)}, "left.decentration_in", "frame.a"),
        ({"measurements": Measurements()}, "right.far_pd", "measurements.right.far_pd"),
        ({"measurements": Measurements()}, "binocular_far_pd", "measurements.left.far_pd"),
        ({"measurements": Measurements()}, "right.height_box", "measurements.right.height"),
        ({"prescription": None}, "right.ordered", "prescription"),
        (
            {"prescription": Prescription(right=PrescribedLens(sphere=-2.0, cylinder=-1.0))},
            "right.ordered",
            "prescription.right.axis",
        ),
        ({"prescription": Prescription(left=PrescribedLens(sphere=-2.0))}, "right.mass_g", "prescription.right.sphere"),
        ({"lens": LensChoice(design=LensDesign(family="progressive"))}, "right.mass_g", "lens.material"),
        (
            {"lens": LensChoice(design=LensDesign(family="progressive"))},
            "left.corridor_end_height",
            "lens.design.corridor_mm",
        ),
        (
            {"lens": LensChoice(design=LensDesign(family="round_bifocal"))},
            "left.image_jump",
            "lens.design.segment_centre_below_top_mm",
        ),
        ({"fit": Fit()}, "right.magnification_percent", "fit.vertex_mm"),
    ],
)
def test_what_is_missing_is_named(change, figure, missing):
    found = compute(usual(**change))
    assert missing in found.unknown[figure]
    holder: object = found
    for part in figure.split("."):
        holder = getattr(holder, part)
    assert holder in (None, ())


def test_stand_in_outline_is_said_and_has_the_frames_sizes():
    case = usual(frame=Frame(a=50.0, b=38.0, dbl=18.0, ed=54.0, mount="full_rim"))
    found = compute(case)
    assert found.outline_assumed
    assert "frame.outline" in found.assumed
    assert found.right.mass_g > 0
    traced = compute(
        replace(case, frame=replace(case.frame, outline=outlines.outline_for(50.0, 38.0, 54.0, "quadra_soft")))
    )
    assert not traced.outline_assumed
    assert traced.right.blank_needed == pytest.approx(found.right.blank_needed, abs=0.2)


def test_an_outline_that_cannot_be_used_does_not_stop_the_rest():
    found = compute(usual(frame=Frame(a=52.0, b=40.0, dbl=18.0, ed=57.0, outline=(20.0, float("nan"), -3.0))))
    assert found.outline_assumed
    assert found.right.decentration_in == pytest.approx(3.5)


def test_drilled_lens_holds_its_least_thickness_at_the_holes():
    holes = (DrillPoint(x=22.0, y=4.0, diameter=1.4), DrillPoint(x=-22.0, y=4.0, diameter=1.4))
    case = single(usual(), min_edge_mm=2.0)
    rimless = replace(case, frame=replace(case.frame, mount="drilled", drill_points=holes))
    found = compute(rimless)
    assert len(found.right.edge_at_drill_points) == 2
    assert min(found.right.edge_at_drill_points) >= 2.0 - 1e-4
    # no groove to add in a rimless mount
    seen = replace(rimless.measurements, right=Adopted(far_pd=31.5, height=21.0, height_reference="visible_rim"))
    assert compute(replace(rimless, measurements=seen)).right.height_rim == pytest.approx(21.0)
    grooved = replace(
        rimless, frame=replace(rimless.frame, mount="full_rim"), measurements=seen, rules=Rules(groove_mm=0.6)
    )
    assert compute(grooved).right.height_rim == pytest.approx(21.6)


def test_one_impossible_lens_leaves_the_other_its_figures():
    rx = Prescription(right=PrescribedLens(sphere=-38.0), left=PrescribedLens(sphere=-3.0), vertex_mm=12.0)
    found = compute(usual(prescription=rx))
    assert found.right.mass_g is None
    assert found.unknown["right.mass_g"]
    assert found.left.mass_g is not None


def test_stated_order_is_what_the_lens_is_made_to():
    stated = OrderedPower(sphere=-4.5, cylinder=-1.0, axis=165.0, prism_in=0.5, add=2.0)
    case = usual()
    found = compute(replace(case, lens=replace(case.lens, ordered_right=stated)))
    assert found.right.ordered == stated
    assert found.right.principal_max == -5.5
    assert found.net_prism_h == 0.5


@settings(max_examples=30, deadline=None)
@given(
    st.tuples(*[st.floats(-9, 7), st.floats(-3, 0), st.floats(1, 179)] * 2),
    st.floats(28, 36),
    st.floats(28, 36),
    st.floats(16, 26),
)
def test_a_mirror_changes_the_eyes_and_nothing_else(powers, pd_r, pd_l, height):
    s1, c1, a1, s2, c2, a2 = powers
    case = usual(
        prescription=Prescription(
            right=PrescribedLens(sphere=s1, cylinder=c1, axis=a1, add=2.0),
            left=PrescribedLens(sphere=s2, cylinder=c2, axis=a2, add=2.0),
            vertex_mm=12.0,
        ),
        measurements=Measurements(right=Adopted(far_pd=pd_r, height=height), left=Adopted(far_pd=pd_l, height=height - 1)),
    )
    one, other = compute(case), compute(mirrored(case))
    for field_ in fields(LensFigures):
        a, b = getattr(one.right, field_.name), getattr(other.left, field_.name)
        if isinstance(a, OrderedPower):
            assert (a.sphere, a.cylinder, a.prism_in, a.prism_up) == pytest.approx(
                (b.sphere, b.cylinder, b.prism_in, b.prism_up), abs=1e-7
            )
            here, there = Power(a.sphere, a.cylinder, a.axis or 180.0), Power(b.sphere, b.cylinder, b.axis or 180.0)
            assert here.distance_from(there.mirrored()) < 1e-7
        elif isinstance(a, tuple) and a:
            assert a == pytest.approx(b, abs=1e-5)
        elif isinstance(a, float) and not field_.name.endswith("_at_deg"):
            assert a == pytest.approx(b, abs=1e-5), field_.name
        elif not field_.name.endswith("_at_deg"):
            assert a == b, field_.name
    assert one.mass_g == pytest.approx(other.mass_g, abs=1e-5)
    if one.vertical_imbalance_near is not None:
        assert one.vertical_imbalance_near == pytest.approx(-other.vertical_imbalance_near, abs=1e-9)


anything = st.none() | st.floats() | st.sampled_from([0.0, -0.0, 1e300, -1e300, 5.0, 30.0, 90.0, 180.0, -20.0, 0.25])


@st.composite
def wild(draw):
    """Cases that can be built and make no sense."""
    number = lambda: draw(anything)  # noqa: E731
    lens = lambda: PrescribedLens(  # noqa: E731
        sphere=number(), cylinder=number(), axis=number(), add=number(), near_sphere=number(), prism_h=number(), prism_v=number(),
        base_h=draw(st.sampled_from([None, "in", "out"])), base_v=draw(st.sampled_from([None, "up", "down"])), balance=draw(st.booleans()),
    )  # fmt: skip
    adopted = lambda: Adopted(  # noqa: E731
        far_pd=number(), near_pd=number(), height=number(),
        height_reference=draw(st.sampled_from(["box", "rim_below_pupil", "datum", "visible_rim"])), pupil_height=number(),
    )  # fmt: skip
    family = st.sampled_from(
        ["single_vision", "round_bifocal", "flat_top_bifocal", "trifocal", "progressive", "degressive"]
    )
    odd = st.lists(st.floats() | st.floats(15, 30), max_size=40).map(tuple) | st.just(OUTLINE)
    solid = lambda: draw(st.floats())  # noqa: E731
    return Case(
        today=date(2026, 1, 1),
        needs=Needs(uses=draw(st.sampled_from([(), ("near",), ("screens",), ("distance", "near")])), working_distance_mm=number()),
        prescription=draw(st.none() | st.builds(lambda: Prescription(right=lens(), left=lens(), vertex_mm=number()))),
        frame=draw(st.none() | st.builds(lambda: Frame(
            a=number(), b=number(), dbl=number(), ed=number(), groove_mm=number(), outline=draw(odd),
            mount=draw(st.sampled_from([None, "full_rim", "grooved", "drilled"])),
            drill_points=(DrillPoint(x=solid(), y=solid(), diameter=1.0),),
        ))),
        fit=Fit(vertex_mm=number(), pantoscopic_deg=number(), face_form_deg=number()),
        measurements=Measurements(right=adopted(), left=adopted()),
        lens=LensChoice(
            design=draw(st.none() | st.builds(lambda: LensDesign(
                family=draw(family), corridor_mm=number(), near_inset_mm=number(), segment_centre_below_top_mm=number(),
                cross_above_prism_point_mm=solid(),
            ))),
            material=draw(st.none() | st.builds(lambda: Material(name="x", nd=solid(), abbe=solid(), density=solid())) | st.just(RESIN)),
            front_curve=number(), min_centre_mm=number(), min_edge_mm=number(), prism_thinning_down=solid(),
            ordered_right=draw(st.none() | st.builds(lambda: OrderedPower(sphere=solid(), cylinder=solid(), axis=number(), prism_in=solid()))),
        ),
    )  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(wild())
def test_never_raises_and_no_figure_is_not_a_number(case):
    found = compute(case)
    for eye in (found.right, found.left):
        for one in fields(LensFigures):
            value = getattr(eye, one.name)
            if isinstance(value, float) and one.name not in ("far_pd", "near_pd"):
                assert math.isfinite(value), one.name
    for one in fields(Figures):
        value = getattr(found, one.name)
        if isinstance(value, float):
            assert math.isfinite(value), one.name
    for paths in found.unknown.values():
        assert paths


def test_an_empty_case_has_no_figures_and_says_why():
    found = compute(Case(today=date(2026, 1, 1)))
    for eye in ("right", "left"):
        for one in fields(LensFigures):
            assert getattr(found.of(eye), one.name) in (None, ()), one.name
        assert found.unknown[f"{eye}.ordered"] == ("prescription",)
    assert thickness.base_curve(0.0) == 6.0
