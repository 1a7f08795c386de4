"""One slip is told once, in a natural order, with the nearest change worked out."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from graphlib import TopologicalSorter

import pytest

from dispensing.checks import assess, registry
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import everything, told, without_symptoms
from dispensing.checks.validity import out_of_date
from dispensing.checks.view import View
from dispensing.figures import Figures, compute
from dispensing.optics.heights import height_parallax
from tests.dispensing.checks.build import NEAR, PROGRESSIVE, SINGLE, before, changed, reading


def said(base, **changes):
    case = changed(base, changes)
    return [f for f in assess(case, compute(case)) if f.severity != "note"]


def find(check, severity, *subjects):
    return Finding(check=check, severity=severity, message="x.", subjects=subjects)


def test_no_two_checks_explain_each_other():
    """Else both would be left out and nothing said."""
    tuple(
        TopologicalSorter(
            {one.identifier: (*one.explains, *one.stop_explains) for one in registry().values()}
        ).static_order()
    )


def test_a_wrong_part_explains_the_whole_and_not_the_other_part():
    slip = find("rx.slip", "stop", "prescription.left.sphere")
    both = find("rx.mirror-signs", "confirm", "prescription.right.sphere", "prescription.left.sphere")
    right, left = (find("rx.changed", "note", f"prescription.{eye}.sphere") for eye in ("right", "left"))
    assert without_symptoms([slip, find("rx.cylinder-forms-mixed", "confirm", *both.subjects), right, left]) == [
        slip,
        right,
    ]
    order = find("ordered.half-transposed", "stop", "lens.ordered_right", "prescription.right.axis")
    symptoms = [
        find("ordered.not-compensated", "confirm", f"lens.ordered_{eye}", "fit.vertex_mm") for eye in ("right", "left")
    ]
    assert without_symptoms([order, *symptoms]) == [order, symptoms[1]]


def test_a_milder_reason_leaves_out_nothing_graver():
    mild = find("fit.face-form-range", "confirm", "fit.face_form_deg")
    grave = find("ordered.unexplained", "stop", "lens.ordered_right", "prescription.right.sphere")
    assert without_symptoms([mild, grave]) == [mild, grave]


@pytest.mark.parametrize(
    ("path", "rare", "cannot", "check"),
    [
        ("fit.vertex_mm", 20.0, 1.3, "fit.vertex-range"),
        ("fit.pantoscopic_deg", 24.0, 45.0, "fit.pantoscopic-range"),
        ("fit.face_form_deg", 22.0, 45.0, "fit.face-form-range"),
        ("rx.vertex_mm", 18.5, 1.2, "rx.vertex-implausible"),
    ],
)
def test_a_rare_fit_that_may_be_right_does_not_hide_what_it_asks_of_the_power(path, rare, cannot, check):
    """-10.00 moved by 8 mm is 0.7 D weaker or stronger at the eye (F/(1 - dF)): whoever confirms the distance has to be told."""

    def checks(value):
        worn = {"fit.vertex_mm": 12.0, "rx.vertex_mm": 12.0, path: value}
        return [f.check for f in said(SINGLE, **{"R.sphere": -10.0, "L.sphere": -10.0, **worn})]

    assert {check, "ordered.not-compensated"} <= set(checks(rare))
    assert check in checks(cannot)
    assert "ordered.not-compensated" not in checks(cannot)


def test_exchanged_columns_are_one_finding():
    found = said(SINGLE, **{"rx.read_back": None, "R.cylinder": 90.0, "R.axis": 0.5, "L.cylinder": -0.75})
    assert [f.check for f in found] == ["rx.axis-cylinder-exchanged", "rx.read-back"]


def test_exchanged_box_figures_are_one_finding():
    found = said(PROGRESSIVE, **{"f.a": 38.0, "f.b": 52.0})
    assert [f.check for f in found] == ["frame.outline-against-box"]
    assert found[0].resolution.startswith("a 52 mm, b 38 mm")


def test_readings_that_disagree_come_before_what_follows_from_one_of_them():
    found = said(
        PROGRESSIVE,
        **{
            "m.R.height": 25.0,
            "m.readings": (*(reading("height", e, h) for e, h in (("right", 22.0), ("right", 25.0), ("left", 22.5))),),
        },
    )
    assert [f.check for f in found] == ["height.repeats-disagree"]


def test_what_was_answered_hides_no_other_question():
    """Readings that disagree may be why the heights differ. Kept with a reason they stand, and 3 mm between the eyes is to be asked about."""
    case = changed(
        PROGRESSIVE,
        {
            "m.R.height": 25.0,
            "m.readings": (*(reading("height", e, h) for e, h in (("right", 22.0), ("right", 25.0), ("left", 22.5))),),
        },
    )
    found = everything(case, compute(case))
    (first,) = [f for f in told(found) if f.severity != "note"]
    assert first.check == "height.repeats-disagree"
    assert {f.check for f in told(found, {first.key}) if f.severity != "note"} == {first.check, "height.unequal"}


def test_a_reason_answers_what_asks_the_same_in_other_words():
    """And what is worth knowing stays explained; what stops is answered by no reason."""
    age = find("rx.add-for-age", "confirm", "prescription.right.add")
    size = find("rx.add-range", "confirm", "prescription.right.add")
    assert without_symptoms([age, size], {age.key}) == [age]
    other = find("pattern.another-client", "confirm", "prescription.right.sphere", "prescription.left.sphere")
    power, pd = (
        find("rx.changed", "note", "prescription.right.sphere"),
        find("pd.changed", "confirm", "measurements.right.far_pd"),
    )
    assert without_symptoms([other, power, pd]) == [other]
    assert without_symptoms([other, power, pd], {other.key}) == [other, pd]
    # what asks the same is as answered: it hides no other question either
    eyes = ("prescription.right.sphere", "prescription.left.sphere")
    sides = find("pattern.record-swapped", "confirm", *eyes, "measurements.right.far_pd")
    swapped, signs = find("rx.eyes-swapped", "confirm", *eyes), find("rx.mirror-signs", "confirm", *eyes)
    assert without_symptoms([sides, swapped, signs]) == [sides]
    assert without_symptoms([sides, swapped, signs], {sides.key}) == [sides, signs]
    assert without_symptoms([sides, replace(swapped, severity="stop"), signs], {sides.key})[1:] == [
        replace(swapped, severity="stop")
    ]
    parts = find("pd.parts-do-not-sum", "stop", "measurements.right.far_pd", "measurements.left.far_pd")
    uneven = find("pd.unequal", "confirm", *parts.subjects)
    assert without_symptoms([parts, uneven], {parts.key}) == [parts]


def test_a_paper_that_is_somebody_elses_is_asked_about_before_reading_it_back():
    found = said(SINGLE, **{"rx.read_back": None, "R.sphere": 1.25, "L.sphere": 1.5, "earlier": (before("-4", "-4.25"),)})
    checks = [f.check for f in found]
    assert checks.index("pattern.another-client") < checks.index("rx.read-back")


def test_near_pds_in_the_far_fields_are_named():
    found = said(SINGLE, **{"m.R.far_pd": 29.5, "m.L.far_pd": 30.0, "m.readings": (), "m.binocular_far_pd": 63.5})
    (one,) = [f for f in found if f.check == "pd.parts-do-not-sum"]
    assert one.resolution == "Are these near PDs? Measure again: right 33.5 mm or left 34 mm?"


def test_a_low_height_is_measured_again_before_the_design_is_changed():
    (one,) = [
        f for f in said(PROGRESSIVE, **{"m.R.height": 15.0, "m.readings": ()}) if f.check == "lens.height-under-minimum"
    ]
    assert one.resolution.startswith("The left height is 22.5 mm: measure this one again first.")


def test_the_date_that_was_probably_meant():
    def resolution(written):
        (one,) = [f for f in said(SINGLE, **{"rx.written_on": written}) if f.check == "rx.written-in-future"]
        return one.resolution

    assert resolution(date(2027, 3, 30)).startswith("30 Mar 2026? ")
    assert resolution(date(2026, 12, 3)).startswith("3 May 2026? ")
    assert resolution(date(2029, 12, 31)) == "Correct the date from the prescription."


def test_a_height_read_from_above_says_what_to_expect():
    high = reading("height", "right", 20.0, observer_level=None, observer_above_mm=60.0, observer_distance_mm=400.0)
    (one,) = [
        f
        for f in said(PROGRESSIVE, **{"m.R.height": 20.0, "m.readings": (high,)})
        if f.check == "height.observer-not-level"
    ]
    # similar triangles: 60/400 of the 15 mm from lens to entrance pupil is 2.25 mm; from above the line of sight meets the lens above
    # the pupil, so that the reading is too high (as `height_parallax` has it)
    assert height_parallax(60.0, 400.0, 12.0) > 0
    assert one.resolution == "Sit level with the client and measure again; about 17.8 mm would be expected."


def test_slab_off_names_lens_and_amount():
    (one,) = [
        f
        for f in said(PROGRESSIVE, **{"R.sphere": -1.0, "L.sphere": -4.5, "R.cylinder": None, "L.cylinder": None})
        if f.check == "seeing.imbalance"
    ]
    assert one.resolution.startswith(
        "Slab-off of about 3.5 Δ on the left lens"
    )  # 3.5 D at 10 mm, Prentice; on the more minus lens


def test_a_frame_closer_than_the_eyes_wants_a_wider_one():
    """Centres 62 apart and PD 37 each: 6 mm outwards; 68 apart would leave 3 mm an eye."""
    eyes = {"m.R.far_pd": 37.0, "m.L.far_pd": 37.0, "m.binocular_far_pd": None, "m.readings": ()}
    case = changed(SINGLE, {"f.a": 46.0, "f.dbl": 16.0, "f.outline": (), "f.ed": None, **eyes})
    (one,) = [f for f in assess(case, compute(case)) if f.check == "pd.decentration"]
    assert one.resolution.startswith("A frame 6 mm wider")


@pytest.mark.parametrize(
    ("prism", "words"),
    [
        ({"R.prism_h": 8.0, "R.base_h": "out"}, "Split between the eyes it is 4.00 Δ in each."),
        # 8 in before the right and 3 up before the left: half of each before either eye, (4² + 1.5²)^½
        (
            {"R.prism_h": 8.0, "R.base_h": "in", "L.prism_v": 3.0, "L.base_v": "up"},
            "Split between the eyes it is 4.27 Δ in each.",
        ),
        # both bases the same way is no prism between the eyes, and cannot be shared out
        (
            {"R.prism_v": 7.0, "R.base_v": "up", "L.prism_v": 3.0, "L.base_v": "up"},
            "A design made with 7.00 Δ, or a smaller prism from the prescriber.",
        ),
    ],
)
def test_a_prism_beyond_what_is_made_is_split_by_direction(prism, words):
    (one,) = [f for f in said(SINGLE, **prism) if f.check == "lens.prism-range"]
    assert one.resolution == words


def consequence(base, check, **changes):
    case = changed(base, changes)
    return next(f for f in assess(case, compute(case)) if f.check == check)


@pytest.mark.parametrize(
    ("right", "left", "between"),
    [
        (-6.0, -6.0, "0.00"),  # both lenses 3 mm towards one side: 1.8 base out and 1.8 base in, which cancel
        (-6.0, -2.0, "1.20"),  # 1.8 one way and 0.6 the other
        (3.0, -3.0, "1.80"),  # 0.9 out and 0.9 out
    ],
)
def test_exchanged_pds_are_told_by_what_the_pair_does(right, left, between):
    """Prentice for each lens with the sign of its shift: base in = - F e / 10 for a lens e mm too far out, and both added."""
    errors = {"right": 3.0, "left": -3.0}
    pair = sum(-power * errors[eye] / 10 for eye, power in (("right", right), ("left", left)))
    assert f"{abs(pair):.2f}" == between
    plain = {f"{e}.{n}": None for e in "RL" for n in ("cylinder", "axis")}
    eyes = {"m.R.far_pd": 33.0, "m.L.far_pd": 30.0, "m.binocular_far_pd": None, "earlier": (before(pd=(30.0, 33.0)),)}
    one = consequence(SINGLE, "pd.swapped", **{"R.sphere": right, "L.sphere": left, **plain, **eyes, "m.readings": ()})
    assert f"{between} Δ between the eyes" in one.consequence


def test_exchanged_heights_are_told_by_what_the_pair_does():
    """-6.00 in both, 2 mm: 1.2 Δ down before one eye and 1.2 up before the other, 2.4 between them."""
    eyes = {"m.R.height": 22.0, "m.L.height": 20.0, "R.cylinder": None, "R.axis": None, "L.cylinder": None, "L.axis": None}
    read = (reading("height", "right", 20.0), reading("height", "left", 22.0))
    one = consequence(PROGRESSIVE, "height.exchanged", **{"R.sphere": -6.0, "L.sphere": -6.0, **eyes, "m.readings": read})
    assert "2.40 Δ vertically between the eyes" in one.consequence


def test_lowered_centres_are_no_answer_in_a_pair_that_is_looked_far_through():
    """R -1.00 L -4.50: 3.5 Δ 10 mm down. Centres 7 mm lower would leave 1 Δ there and make 2.5 Δ straight ahead."""
    unlike = {"R.sphere": -1.0, "L.sphere": -4.5, "R.cylinder": None, "L.cylinder": None, "R.add": None, "L.add": None}
    far = consequence(SINGLE, "seeing.imbalance", **unlike, **{"n.uses": ("all_round", "near")})
    assert far.resolution.startswith("A pair of its own for near")
    assert "would leave 1.8 Δ where one reads, and make as much where one looks far" in far.resolution
    near = consequence(SINGLE, "seeing.imbalance", **unlike, **{"n.uses": ("near",)})
    assert near.resolution.startswith("Optical centres 7.1 mm below the pupil leave 1.0 Δ")


def test_a_base_is_that_of_the_lens_that_is_made():
    """-1.00 with an addition of +2.50 is +1.50 in a pair for near. Centred 3 mm too far out the eye looks nasal of the centre, where a plus
    lens bends light outwards: base out. The -1.00 of the prescription would be base in."""
    plain = {f"{e}.{n}": None for e in "RL" for n in ("cylinder", "axis")}
    given = {"R.sphere": -1.0, "L.sphere": -1.0, "R.add": 2.5, "L.add": 2.5, **plain}
    places = {"m.R.near_pd": 33.0, "m.readings": (reading("near_pd", "right", 30.0),), "m.binocular_near_pd": None}
    one = consequence(NEAR, "pd.off-readings", **given, **places)
    assert one.consequence.startswith("3 mm here is 0.45 Δ base out")  # 1.50 x 0.3


@pytest.mark.parametrize("months", [6, 12, 24])
def test_a_prescription_is_out_of_date_from_the_day_after(months):
    """Against the calendar: the day so many months later, or the last of a month that is too short. Every day of three years is held."""

    def last_day(written):
        year, month = divmod(written.year * 12 + written.month - 1 + months, 12)
        return min(
            date(year, month + 1, 1) + timedelta(days=written.day - 1),
            date(year + month // 11, (month + 1) % 12 + 1, 1) - timedelta(days=1),
        )

    for today in (date(2026, 5, 4), date(2026, 2, 28), date(2026, 3, 1), date(2026, 11, 25)):
        for written in (today - timedelta(days=days) for days in range(120, 1100)):
            case = changed(SINGLE, {"rx.written_on": written, "rules.prescription_valid_months": months})
            view = View(replace(case, today=today), Figures())
            found = bool([*out_of_date(view, Finder("rx.out-of-date", "stop", ""))])
            assert found is (today > last_day(written)), (written, today)
