"""Readings and adopted values."""

from __future__ import annotations

from decimal import Decimal as D
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing import measure, record
from dispensing.models import Adoption, Dispense, Reading
from practice.errors import Invalid, Refused
from practice.models import AuditEvent


@pytest.fixture
def dispense(cast):
    made = record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch)
    return record.choose_frame(actor=cast.trainee, dispense=made, version=0, item=cast.frame).dispense


def confirm(cast, dispense):
    return record.confirm_fit(actor=cast.trainee, dispense=dispense, version=0, adjusted=["level"])


def new(quantity="far_pd", eye="right", value="31.5", method="pupillometer", **more):
    return measure.NewReading(quantity=quantity, eye=eye, value=D(value), method=method, **more)


def add(cast, dispense, *readings):
    return measure.add_readings(actor=cast.trainee, dispense=dispense, readings=readings)


def adopt(cast, dispense, **more):
    now = Dispense.objects.get(pk=dispense.pk)
    values = {"quantity": "far_pd", "eye": "right", "value": D("31.5"), **more}
    return measure.adopt_value(actor=cast.trainee, dispense=now, version=record.part_version(now, "readings"), **values)


def test_several_readings_go_in_together_or_not_at_all(cast, dispense):
    with pytest.raises(Invalid) as wrong:
        add(cast, dispense, new(), new(value="315"))
    assert list(wrong.value.errors) == ["readings.1.value"]
    assert not Reading.objects.exists()
    add(cast, dispense, new(), new(value="32"), new(eye="left", value="33"))
    assert [(r.eye, r.value) for r in Reading.objects.all()] == [
        ("right", D("31.50")),
        ("right", D("32.00")),
        ("left", D("33.00")),
    ]
    assert AuditEvent.objects.filter(action="dispense.readings").count() == 1


def test_the_same_entry_sent_twice_is_one_reading(cast, dispense):
    add(cast, dispense, new(entry="a1"), new(value="32", entry="a2"))
    again = add(cast, dispense, new(entry="a1"), new(value="32.5", entry="a3"))
    assert [r.entry for r in Reading.objects.all()] == ["a1", "a2", "a3"]
    assert any("on record already" in s for s in again.said)


@pytest.mark.parametrize(
    ("reading", "field", "word"),
    [
        (new(value="63"), "value", "whole PD"),
        (new(value="3.1"), "value", "centimetres"),
        (new(value="-31"), "value", "millimetres"),
        (new(quantity="height", method="marked_lens", value="300"), "value", "height"),
        (new(quantity="height", method="pupillometer", value="22", reference="box"), "method", "no heights"),
        (new(method="clip_scale"), "method", "heights"),
        (new(quantity="height", method="other", value="22"), "reference", "read from"),
        (new(quantity="height", method="rule", reference="box", value="-2"), "value", "datum"),
        (new(observer_above_mm=D("5000")), "observer_above_mm", "mm"),
    ],
)
def test_a_slip_is_refused_beside_its_field(cast, dispense, reading, field, word):
    with pytest.raises(Invalid) as wrong:
        add(cast, dispense, reading)
    assert word in wrong.value.errors[f"readings.0.{field}"]
    assert not Reading.objects.exists()


@pytest.mark.parametrize(("mount", "refused"), [("full_rim", False), ("grooved", True), ("drilled", True)])
def test_a_clip_on_scale_is_for_full_rims_only(cast, dispense, mount, refused):
    dispense.frame["mount"] = mount
    dispense.save()
    reading = new(quantity="height", method="clip_scale", value="22")
    if refused:
        with pytest.raises(Invalid) as wrong:
            add(cast, dispense, reading)
        assert "lower rim" in wrong.value.errors["readings.0.method"]
    else:
        add(cast, dispense, reading)
        assert Reading.objects.get().reference == "visible_rim"


def test_heights_need_a_frame(cast):
    bare = record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch)
    with pytest.raises(Invalid, match="another look"):
        add(cast, bare, new(quantity="height", method="marked_lens", value="4"))


def test_adopting_waits_for_the_final_fit_and_is_a_recorded_choice(cast, dispense):
    add(cast, dispense, new())
    with pytest.raises(Refused, match="final fit"):
        adopt(cast, dispense)
    confirm(cast, dispense)
    adopt(cast, dispense, how="only reading")
    row = Adoption.objects.get()
    assert (row.value, row.how, row.by) == (D("31.5"), "only reading", cast.trainee)
    assert AuditEvent.objects.filter(action="dispense.value_adopted").count() == 1
    assert not adopt(cast, dispense, how="only reading").changed
    adopt(cast, dispense, value=None)
    assert Adoption.objects.count() == 2
    assert Adoption.objects.last().value is None


def test_a_value_in_doubt_can_be_adopted_again(cast, dispense):
    confirm(cast, dispense)
    adopt(cast, dispense)
    Adoption.objects.update(in_doubt=True)
    assert adopt(cast, dispense).changed
    assert not Adoption.objects.last().in_doubt


def test_two_people_adopting_at_once_collide(cast, dispense):
    confirm(cast, dispense)
    stale = Dispense.objects.get(pk=dispense.pk)
    adopt(cast, dispense)
    with pytest.raises(record.PartConflict):
        measure.adopt_value(actor=cast.dispenser, dispense=stale, version=0, quantity="far_pd", eye="right", value=D("33"))


def test_a_height_is_adopted_with_its_reference(cast, dispense):
    confirm(cast, dispense)
    with pytest.raises(Invalid):
        adopt(cast, dispense, quantity="height", value=D(22))
    adopt(cast, dispense, quantity="height", value=D(22), reference="rim_below_pupil")
    assert Adoption.objects.get().reference == "rim_below_pupil"
    with pytest.raises(Invalid):
        adopt(cast, dispense, quantity="height", eye="both", value=D(22), reference="box")


def test_striking_out_needs_a_reason_and_keeps_the_row(cast, dispense):
    add(cast, dispense, new())
    row = Reading.objects.get()
    with pytest.raises(Invalid):
        measure.strike_out_reading(actor=cast.trainee, dispense=dispense, reading=row, reason=" ")
    measure.strike_out_reading(actor=cast.trainee, dispense=dispense, reading=row, reason="client moved")
    row.refresh_from_db()
    assert row.struck_out_at is not None
    assert not measure.strike_out_reading(actor=cast.trainee, dispense=dispense, reading=row, reason="again").changed


# --- the suggested value --------------------------------------------------------------------------------------------


def _row(value, **more):
    return Reading(quantity="height", eye="left", value=value, reference=more.pop("reference", "box"), **more)


@given(st.lists(st.decimals("10", "40", places=1), min_size=1, max_size=9))
def test_the_suggestion_is_the_median(values):
    """Against the standard library's median."""
    found = measure.suggestion([_row(v) for v in values], "height", "left")
    assert found.value == median(values)
    assert found.how == ("only reading" if len(values) == 1 else "median")


def test_one_slip_does_not_move_the_suggestion_and_other_references_do_not_mix():
    rows = [_row(D("22.5")), _row(D("22.5")), _row(D("19.8"))]
    assert measure.suggestion(rows, "height", "left").value == D("22.5")
    rows.append(_row(D("2.4"), reference="datum"))
    assert measure.suggestion(rows, "height", "left").value == D("2.4")
    assert measure.suggestion([_row(D("22"), in_doubt=True)], "height", "left") is None


def test_the_pupil_of_a_segment_lens_is_a_height_like_any_other(cast, dispense):
    """Kept as it was read; in the Case it stands in the box, since every figure takes it from there."""
    from dispensing.gather import case_of

    confirm(cast, dispense)
    with pytest.raises(Invalid):
        add(cast, dispense, new("pupil", "both", "22", "marked_lens"))
    with pytest.raises(Invalid):
        add(cast, dispense, new("pupil", value="22", method="pupillometer"))
    add(cast, dispense, new("pupil", value="2.5", method="marked_lens"))
    assert Reading.objects.get().reference == "datum"
    adopt(cast, dispense, quantity="pupil", value=D("2.5"), reference="datum")
    case = case_of(Dispense.objects.get(pk=dispense.pk))
    assert case.measurements.right.pupil_height == 2.5 + float(cast.frame.b) / 2
    assert case.measurements.left.pupil_height is None
    adopt(cast, dispense, quantity="pupil", value=D("21"), reference="visible_rim")  # needs the PD: where below the pupil?
    assert case_of(Dispense.objects.get(pk=dispense.pk)).measurements.right.pupil_height is None
    adopt(cast, dispense, value=D("32"))
    found = case_of(Dispense.objects.get(pk=dispense.pk)).measurements.right.pupil_height
    assert (found is not None) == bool(cast.frame.outline)
