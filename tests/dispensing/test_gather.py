"""Models become a Case in one place, in at most five queries."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal as D

import pytest
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from dispensing import measure, record
from dispensing.assess import assess_dispense
from dispensing.case import Adopted, Case, Frame, Measurements, Pair, Rules
from dispensing.checks.registry import assess
from dispensing.figures import compute
from dispensing.figures.usual import ASSUMED_SHAPE
from dispensing.gather import age_in_years, case_of, for_case, in_box
from dispensing.models import Dispense, Prescription, PrescriptionEye, Signature, Treatment
from dispensing.optics.outlines import outline_for
from dispensing.web.sheet.cautions import cautions

TODAY = date(2026, 11, 25)


def whole(cast, *, client=None, height="22"):
    """A dispense with every part filled."""
    made = record.start_dispense(actor=cast.trainee, client=client or cast.client, branch=cast.branch)
    record.save_needs(actor=cast.trainee, dispense=made, version=0, uses=["all_round"], working_distance_mm=D(350))
    record.save_prescription(
        actor=cast.trainee,
        dispense=made,
        version=0,
        right={"sphere": D("-4.75"), "cylinder": D("-1.25"), "axis": D(170), "add": D("2.25")},
        left={"sphere": D("-5.25"), "prism_h": D(2), "base_h": "out", "add": D("2.25")},
        vertex_mm=D(12),
        written_on=date(2026, 11, 3),
    )
    record.choose_frame(actor=cast.trainee, dispense=made, version=0, item=cast.frame)
    record.confirm_fit(actor=cast.trainee, dispense=made, version=0, adjusted=["level"], vertex_mm=D("12.5"))
    measure.add_readings(
        actor=cast.trainee,
        dispense=made,
        readings=[
            measure.NewReading(quantity="far_pd", eye="right", value=D("31.5"), method="pupillometer"),
            measure.NewReading(quantity="height", eye="right", value=D(height), method="marked_lens", reference="box"),
        ],
    )
    for n, (quantity, value) in enumerate((("far_pd", D("31.5")), ("height", D(height)))):
        measure.adopt_value(
            actor=cast.trainee,
            dispense=made,
            version=1 + n,
            quantity=quantity,
            eye="right",
            value=value,
            reference="box" if quantity == "height" else "",
        )
    record.choose_lens(
        actor=cast.trainee, dispense=made, version=0, option=cast.option, blank_diameter_mm=D(70), slab_off=True
    )
    return Dispense.objects.get(pk=made.pk)


def test_every_part_arrives(cast):
    case = case_of(whole(cast), today=TODAY)
    assert case.person.age_years == pytest.approx(65.7, abs=0.02)
    assert case.needs.working_distance_mm == 350
    assert case.prescription.right.cylinder == -1.25
    assert case.prescription.left.prism_in == -2
    assert case.frame.c == 70
    assert case.fit.confirmed
    assert case.fit.frame_identity == case.frame.identity
    assert case.measurements.right.far_pd == 31.5
    assert (case.measurements.right.height, case.measurements.right.height_reference) == (22, "box")
    assert case.measurements.left.far_pd is None
    assert [r.quantity for r in case.measurements.readings] == ["far_pd", "height"]
    assert case.lens.design.family == "progressive"
    assert case.lens.design.sphere_min == -12
    assert case.lens.min_edge_mm == 1.0  # of a full rim
    assert case.lens.blank_diameter_mm == 70
    assert (case.hands.dispenser_role, case.hands.dispenser_registered) == ("trainee", False)
    assert case.rules.restricted_below_age == 16


@pytest.mark.parametrize("pairs", [0, 3])
def test_five_queries_however_many_earlier_pairs(cast, django_assert_num_queries, pairs):
    for _ in range(pairs):
        Dispense.objects.filter(pk=whole(cast).pk).update(state="collected")
    made = whole(cast)
    with django_assert_num_queries(5):
        case = case_of(for_case(Dispense.objects.all()).get(pk=made.pk))
    assert len(case.earlier) == pairs


def test_an_empty_dispense_is_a_case_too(cast):
    made = record.start_dispense(actor=cast.dispenser, client=cast.client, branch=cast.branch)
    case = case_of(made, today=TODAY)
    assert case.prescription is None
    assert case.frame is None
    assert not case.fit.confirmed
    assert case.hands.dispenser_registered


def test_an_earlier_pair_is_of_the_day_at_the_branch(cast):
    first = whole(cast)
    Dispense.objects.filter(pk=first.pk).update(state="collected", created_at=datetime(2026, 3, 3, 13, tzinfo=UTC))
    cast.branch.time_zone = "Pacific/Auckland"  # there it is two in the morning of the next day
    cast.branch.save()
    assert [p.on for p in case_of(whole(cast)).earlier] == [date(2026, 3, 4)]


def test_earlier_pairs_are_of_this_client_signed_for_and_newest_first(cast):
    first = whole(cast, height="20")
    second = whole(cast, height="21")
    whole(cast)  # open: says nothing yet
    cancelled = whole(cast)
    Dispense.objects.filter(pk__in=[first.pk, second.pk]).update(state="collected")
    Dispense.objects.filter(pk=cancelled.pk).update(state="cancelled")
    Dispense.objects.filter(pk=first.pk).update(created_at=timezone.now() - timedelta(days=700))
    Dispense.objects.filter(pk=second.pk).update(created_at=timezone.now() - timedelta(days=30))
    older = Prescription.objects.create(client=cast.client, written_on=date(2020, 5, 1))
    PrescriptionEye.objects.create(prescription=older, eye="right", sphere=D("-4"))
    foreign = Prescription.objects.create(client=cast.foreign_client, written_on=date(2020, 5, 1))
    PrescriptionEye.objects.create(prescription=foreign, eye="right", sphere=D("9"))
    case = case_of(whole(cast))
    assert [p.height for p in case.earlier] == [Pair(21.0, None), Pair(20.0, None), Pair(None, None)]
    assert case.earlier[2].prescription.right.sphere == -4
    assert case.earlier[0].family == "progressive"


def test_a_newer_prescription_is_asked_about_wherever_it_is(cast):
    """On record and unused, or in a dispense that was opened later: the older one in hand must not pass in silence."""
    made = whole(cast)
    newer = Prescription.objects.create(client=cast.client, written_on=date(2026, 11, 20))
    for eye in ("right", "left"):
        PrescriptionEye.objects.create(prescription=newer, eye=eye, sphere=D("-6"))

    def asked() -> bool:
        case = case_of(made, today=date(2026, 11, 25))
        return "rx.superseded" in {f.check for f in assess(case, compute(case))}

    assert asked()
    assert case_of(made, today=TODAY).earlier[0].prescription.right.sphere == -6
    later = record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch, prescription=newer)
    assert asked()
    Dispense.objects.filter(pk=later.pk).update(state="ordered")
    assert asked()
    Dispense.objects.filter(pk=later.pk).update(state="cancelled")
    assert not asked()


@pytest.mark.parametrize("mount", ["drilled", "grooved"])
def test_no_rim_hides_the_edge_of_a_lens_held_by_screws_or_a_cord(mount):
    """The pupil's height and the segment's are converted alike, and a photograph too. A cord lies in the edge of the lens, so that
    what is seen below the pupil is the edge itself (common practice): the branch's allowance is for rims."""
    frame = Frame(a=52, b=38, dbl=18, mount=mount, outline=outline_for(52, 38, None, ASSUMED_SHAPE))
    assert in_box(frame, 0.5, 20.0, "visible_rim", 31.0) == in_box(frame, 0.5, 20.0, "rim_below_pupil", 31.0)
    seen = Adopted(far_pd=31.0, height=20.0, height_reference="visible_rim")
    case = Case(today=TODAY, frame=frame, measurements=Measurements(right=seen), rules=Rules(groove_mm=0.5))
    assert compute(case).right.height_box == pytest.approx(in_box(frame, 0.5, 20.0, "rim_below_pupil", 31.0))
    rimmed = replace(frame, mount="full_rim")
    assert in_box(rimmed, 0.5, 20.0, "visible_rim", 31.0) == pytest.approx(
        in_box(rimmed, 0.5, 20.0, "rim_below_pupil", 31.0) + 0.5
    )


def test_a_withdrawn_value_and_a_struck_out_reading_do_not_count(cast):
    made = whole(cast)
    measure.adopt_value(actor=cast.trainee, dispense=made, version=3, quantity="far_pd", eye="right", value=None)
    measure.strike_out_reading(actor=cast.trainee, dispense=made, reading=made.readings.first(), reason="blinked")
    case = case_of(made)
    assert case.measurements.right.far_pd is None
    assert [r.quantity for r in case.measurements.readings] == ["height"]


def test_hands_know_the_signature_and_an_open_copy(cast):
    made = whole(cast)
    Signature.objects.create(
        dispense=made, decision="signed", by=cast.supervisor, at=timezone.now(), dispense_version=made.version
    )
    hands = case_of(made).hands
    assert hands.signed_by == cast.supervisor.display_name
    assert hands.signer_registered
    Signature.objects.create(
        dispense=made, decision="lifted", by=cast.trainee, at=timezone.now(), dispense_version=made.version
    )
    hands = case_of(made).hands
    assert hands.signed_by is None
    assert hands.changed_after_signature
    assert not hands.open_order_for_same_pair
    copy = record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch, prescription=made.prescription)
    record.choose_frame(actor=cast.trainee, dispense=copy, version=0, item=cast.frame)
    Dispense.objects.filter(pk=copy.pk).update(state="ordered")
    assert case_of(made).hands.open_order_for_same_pair


def test_branch_rules_and_changed_limits_are_carried(cast):
    cast.branch.restricted_below_age = None
    cast.branch.tolerance_standard = "ANSI Z80.1"
    cast.branch.limits = {"pd.far.low": {"value": 50, "reason": "our clients", "by": "x", "on": "2026-01-01"}}
    cast.branch.save()
    rules = case_of(whole(cast)).rules
    assert rules.restricted_below_age is None
    assert rules.tolerance_standard == "ANSI Z80.1"
    assert rules.limits == (("pd.far.low", 50.0),)


def test_a_tint_without_transmittance_is_neither_clear_nor_opaque_but_asked_about(cast):
    made = whole(cast)
    tint = Treatment.objects.create(group=cast.group, code="T", kind="tint", name="smoke")
    record.choose_lens(actor=cast.trainee, dispense=made, version=1, option=cast.option, tint=tint)
    case = case_of(made)
    assert (case.lens.tint.transmittance_clear, case.lens.tint.transmittance_dark) == (None, None)
    found = [f for f in assess_dispense(made).open_stops if f.check == "tint.figures"]
    assert [(f.severity, f.missing) for f in found] == [("unknown", ("lens.tint",))]  # nothing is ordered with it
    assert "not yet known" in next(x.words for x in cautions(case) if x.about == "Tint and driving")


@given(st.dates(date(1900, 1, 1), date(2026, 1, 1)), st.integers(0, 40000))
def test_age_agrees_with_the_calendar(born, days):
    """Completed years the way a person counts them: by comparing month and day."""
    today = min(born + timedelta(days=days), date(2060, 1, 1))
    age = age_in_years(born, today)
    assert int(age) == today.year - born.year - ((today.month, today.day) < (born.month, born.day))
    assert 0 <= age - int(age) < 1


def test_a_birthday_begins_on_its_day():
    assert age_in_years(date(2010, 11, 26), TODAY) < 16
    assert age_in_years(date(2010, 11, 25), TODAY) == 16.0
    assert age_in_years(date(2008, 2, 29), date(2026, 2, 28)) < 18 <= age_in_years(date(2008, 2, 29), date(2026, 3, 1))
