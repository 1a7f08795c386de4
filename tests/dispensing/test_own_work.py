"""Nobody signs their own work, whoever the dispense belongs to now."""

from __future__ import annotations

from decimal import Decimal as D

import pytest

from dispensing import measure, record, sign_off, waiting
from dispensing.models import Dispense
from practice.errors import NotAllowed
from tests.factories import PASSWORD
from tests.orders.ready import ready_dispense

State = Dispense.State


def fresh(dispense):
    return Dispense.objects.get(pk=dispense.pk)


def part(dispense, name):
    return fresh(dispense).part_versions.get(name, 0)


def forward(dispense):
    made = fresh(dispense)
    sign_off.put_forward(actor=made.dispenser, dispense=made, version=made.version)
    return fresh(made)


def sign(dispense, actor):
    return sign_off.sign(actor=actor, dispense=dispense, version=dispense.version, password=PASSWORD)


@pytest.fixture
def made(cast):
    return ready_dispense(cast, actor=cast.trainee)


def adopt_again(dispense, actor, value="32.5"):
    measure.adopt_value(
        actor=actor, dispense=dispense, version=part(dispense, "readings"), quantity="far_pd", eye="left", value=D(value)
    )


def needs(dispense, actor, wish):
    record.save_needs(
        actor=actor,
        dispense=dispense,
        version=part(dispense, "needs"),
        uses=["all_round"],
        working_distance_mm=D(400),
        wish=wish,
    )


def test_a_dispense_that_was_taken_over_measured_and_given_back_is_signed_by_another(cast, made):
    sign_off.take_over(actor=cast.supervisor, dispense=made, version=made.version)
    reading = measure.NewReading(quantity="far_pd", eye="left", value=D("32.5"), method="pupillometer")
    measure.add_readings(actor=cast.supervisor, dispense=made, readings=[reading])
    adopt_again(made, cast.supervisor)
    given = fresh(made)
    sign_off.take_over(actor=cast.dispenser, dispense=given, version=given.version)
    needs(made, cast.dispenser, "Thin at the edge")  # the last change is the dispenser's: what counts is still the other's
    ready = forward(made)
    assert ready.dispenser == cast.dispenser
    with pytest.raises(NotAllowed, match="own work: you took or chose the left far PD") as problem:
        sign(ready, cast.supervisor)
    assert cast.dispenser.display_name in problem.value.message
    assert fresh(made).state == State.WAITING
    assert sign(ready, cast.second_supervisor)


def test_a_value_that_rests_on_somebodys_reading_is_theirs_whoever_adopts_it(cast, made):
    reading = measure.NewReading(quantity="far_pd", eye="left", value=D("32.5"), method="pupillometer")
    measure.add_readings(actor=cast.supervisor, dispense=made, readings=[reading])
    adopt_again(made, cast.trainee)
    with pytest.raises(NotAllowed, match="left far PD"):
        sign(forward(made), cast.supervisor)


def test_a_reading_that_was_left_out_counts_no_more(cast, made):
    reading = measure.NewReading(quantity="far_pd", eye="left", value=D("32.5"), method="pupillometer")
    measure.add_readings(actor=cast.supervisor, dispense=made, readings=[reading])
    theirs = made.readings.get(by=cast.supervisor)
    measure.strike_out_reading(actor=cast.trainee, dispense=made, reading=theirs, reason="The head was turned.")
    adopt_again(made, cast.trainee)
    ready = forward(made)
    assert sign_off.why_not_sign(actor=cast.supervisor, dispense=ready) is None


def test_the_fit_somebody_confirmed_is_theirs(cast, made):
    record.confirm_fit(
        actor=cast.supervisor,
        dispense=made,
        version=part(made, "fit"),
        adjusted=[],
        vertex_mm=D("12.5"),
        pantoscopic_deg=D(8),
        face_form_deg=D(5),
    )
    needs(made, cast.trainee, "Thin at the edge")
    assert any("final fit" in w for w in sign_off.own_work(cast.supervisor, fresh(made)))
    assert sign_off.own_work(cast.second_supervisor, fresh(made)) == ()


def test_whoever_made_the_last_change_does_not_sign_it(cast, made):
    needs(made, cast.supervisor, "Thin at the edge")
    ready = forward(made)
    with pytest.raises(NotAllowed, match="the last change to it is yours"):
        sign(ready, cast.supervisor)
    assert sign(ready, cast.manager)


def test_reading_the_prescription_back_is_a_check_and_makes_nothing_ones_own(cast, made):
    record.read_back_prescription(
        actor=cast.supervisor,
        dispense=made,
        version=part(made, "prescription"),
        right={"sphere": D("-2.25"), "cylinder": D("-0.75"), "axis": D(95), "add": D("2.00")},
        left={"sphere": D("-1.50"), "cylinder": D("-1.00"), "axis": D(80), "add": D("2.00")},
    )
    assert fresh(made).updated_by == cast.supervisor
    assert sign(forward(made), cast.supervisor)


def test_a_row_of_before_says_by_its_last_change(cast, made):
    Dispense.objects.filter(pk=made.pk).update(content_by=None, updated_by=cast.supervisor)
    assert sign_off.own_work(cast.supervisor, fresh(made))


def test_the_desk_and_the_page_say_why(cast, made, client):
    needs(made, cast.supervisor, "Thin at the edge")
    ready = forward(made)
    [row] = waiting.to_sign(cast.supervisor, cast.branch)
    assert "own work" in (row.no or "")
    [row] = waiting.to_sign(cast.second_supervisor, cast.branch)
    assert row.no is None
    client.force_login(cast.supervisor)
    page = client.get(f"/dispenses/{ready.reference}/sign-off/").content.decode()
    assert "Nobody signs their own work: the last change to it is yours." in page
    assert 'name="deed" value="sign"' not in page


def test_what_somebody_wrote_is_seen_by_whoever_signs_it(cast, made, client):
    needs(made, cast.trainee, "Thin at the edge")
    record.choose_lens(
        actor=cast.trainee,
        dispense=made,
        version=part(made, "lens"),
        option=cast.option,
        blank_diameter_mm=D(75),
        slab_off=True,
        remark="Keep the old bevel",
    )
    client.force_login(cast.supervisor)
    page = client.get(f"/dispenses/{made.reference}/sign-off/").content.decode()
    assert "wish: Thin at the edge" in page
    assert "slab-off; instruction to the laboratory: Keep the old bevel" in page
