"""Return visits: what is kept, who decides, what a re-make does to order and dispense."""

from __future__ import annotations

from datetime import timedelta

import pytest

from orders import issue, return_visit
from orders.models import Order, ReturnVisit
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.orders.ready import came_back, collected_order, ready_dispense

WHY = "Height measured 3 mm too low on the frame as worn."


@pytest.fixture
def order(cast):
    return came_back(cast, issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab))


@pytest.fixture
def visit(order):
    return order.returns.get()


def decide(cast, visit, actor=None, **change):
    values = {"outcome": "adjust", "cause": "fit", **change}
    return return_visit.decide_visit(actor=actor or cast.dispenser, visit=visit, **values)


def test_what_is_kept(visit):
    assert visit.complaints == ["near_blurred", "posture"]
    assert visit.measured["vertex"] == "15"
    top = visit.explained[0]
    assert top["ratio"] >= visit.explained[-1]["ratio"]
    assert any(c["code"] == "drop_right" and c["fits"] for c in visit.explained)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"complaints": [], "said": ""}, "complaints"),
        ({"typed": {"right.pd": "63x"}}, "right.pd"),
        ({"typed": {"pantoscopic": "80"}}, "pantoscopic"),
        ({"typed": {"old.right.sphere": "-2"}}, "old.left.sphere"),
        ({"typed": {"old.right.sphere": "-2", "old.left.sphere": "-2", "old.left.cylinder": "-1"}}, "old.left.axis"),
        ({"typed": {"old.left.add": "2"}}, "old.left.sphere"),
        ({"typed": {"old.vertex": "12o"}}, "old.vertex"),
        ({"said": "x" * 500}, "words"),
    ],
)
def test_bad_input_saves_nothing(cast, order, change, field):
    values = {"complaints": ["double"], "said": "", "typed": {}, **change}
    with pytest.raises(Invalid) as caught:
        return_visit.record_visit(actor=cast.dispenser, order=order, **values)
    assert list(caught.value.errors) == [field]
    assert ReturnVisit.objects.count() == 1


def test_unknown_codes_are_dropped(cast, order):
    made = return_visit.record_visit(
        actor=cast.trainee, order=order, complaints=["swim", "nonsense"], said="", typed={"junk": "1"}
    )
    assert made.complaints == ["swim"]
    assert made.measured == made.typed == {}


def test_a_second_visit_is_decided_after_the_first_has_ended_the_order(cast, order, visit, client):
    """Else it is open for ever, and with it the client can never be erased."""
    second = return_visit.record_visit(actor=cast.dispenser, order=order, complaints=["slides"], said="", typed={})
    decide(cast, visit, outcome="remake", cause="measurement", bears="branch", note=WHY)
    with pytest.raises(Invalid) as caught:
        decide(cast, second, outcome="remake", cause="fit", bears="branch", note=WHY)
    assert list(caught.value.errors) == ["outcome"]
    client.force_login(cast.dispenser)
    assert 'name="outcome"' in client.get(f"/orders/{order.number}/return/{second.pk}/").content.decode()
    decide(cast, second, outcome="nothing", cause="fit")
    order.refresh_from_db()
    assert order.state == "returned"
    assert not ReturnVisit.objects.filter(outcome="").exists()


def test_nobody_comes_back_with_what_was_not_collected(cast):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    with pytest.raises(Refused):
        return_visit.record_visit(actor=cast.dispenser, order=order, complaints=["double"], said="", typed={})


@pytest.mark.parametrize("who", ["trainee", "elsewhere", "foreigner"])
def test_who_may_not_decide(cast, visit, who):
    with pytest.raises(NotAllowed):
        decide(cast, visit, actor=getattr(cast, who))
    visit.refresh_from_db()
    assert visit.outcome == ""


@pytest.mark.parametrize(
    ("change", "fields"),
    [
        ({"outcome": "nonsense"}, {"outcome"}),
        ({"cause": ""}, {"cause"}),
        ({"outcome": "remake"}, {"bears", "note"}),
        ({"outcome": "refer"}, {"note"}),
        ({"outcome": "adapt"}, {"look_again_on"}),
        ({"bears": "somebody"}, {"bears"}),
    ],
)
def test_a_decision_is_complete_or_not_kept(cast, visit, change, fields):
    with pytest.raises(Invalid) as caught:
        decide(cast, visit, **change)
    assert set(caught.value.errors) == fields
    visit.refresh_from_db()
    assert visit.outcome == ""


def test_adapt_has_a_day_to_look_again(cast, visit):
    today = cast.branch.today()
    for wrong in (today, today + timedelta(days=91), today - timedelta(days=1)):
        with pytest.raises(Invalid):
            decide(cast, visit, outcome="adapt", cause="adaptation", look_again_on=wrong)
    made = decide(cast, visit, outcome="adapt", cause="adaptation", look_again_on=today + timedelta(days=14))
    assert made.look_again_on == today + timedelta(days=14)
    with pytest.raises(Conflict):
        decide(cast, visit)


def test_a_remake_ends_the_order_and_opens_its_dispense(cast, order, visit):
    decide(cast, visit, outcome="remake", cause="measurement", bears="branch", note=WHY)
    order = Order.objects.get(pk=order.pk)
    assert (order.state, order.dispense.state) == ("returned", "open")
    from dispensing.assess import assess_dispense, give_reason

    for finding in assess_dispense(order.dispense).open_confirms:
        give_reason(actor=cast.dispenser, dispense=order.dispense, finding_key=finding.key, text="Measured anew and right.")
    new = issue.issue_order(actor=cast.dispenser, dispense=order.dispense, lab=cast.lab)
    assert new.replaces_id == order.pk
    assert f'"number":"{order.number}","reason":"{WHY}"' in new.document
    assert order.events.filter(kind="replaced").count() == 1
    again = collected_order(cast, new)
    assert again.state == "collected"
    assert AuditEvent.objects.filter(action="return.decided").count() == 1


def test_a_remake_of_a_trainees_dispense_is_signed_anew(cast):
    from tests.orders.ready import signed_dispense

    signed = signed_dispense(cast)
    order = came_back(cast, issue.issue_order(actor=cast.supervisor, dispense=signed, lab=cast.lab))
    decide(cast, order.returns.get(), outcome="remake", cause="measurement", bears="branch", note=WHY)
    with pytest.raises((Refused, NotAllowed)):
        issue.issue_order(actor=cast.supervisor, dispense=Order.objects.get(pk=order.pk).dispense, lab=cast.lab)


def test_the_pair_before_is_the_last_one_collected(cast, order):
    assert return_visit.pair_before(order) is None
    second = collected_order(cast, issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab))
    before = return_visit.pair_before(second)
    assert before.said == f"order {order.number}"
    assert before.right.sphere == pytest.approx(-2.25)


def test_the_pair_before_as_measured_counts_before_the_one_on_record(cast, order):
    """What is worn need not be what was ordered last: 0.75 D of change by the old pair in hand, none by the record."""
    second = collected_order(cast, issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab))
    typed = {"old.right.sphere": "-150", "old.right.cylinder": "-.75", "old.right.axis": "95", "old.right.add": "150",
             "old.left.sphere": "-1.5", "old.left.cylinder": "-1", "old.left.axis": "85", "old.left.add": "+1.50", "old.vertex": "13"}  # fmt: skip
    visit = return_visit.record_visit(actor=cast.dispenser, order=second, complaints=["swim"], said="", typed=typed)
    assert visit.measured["old.right.sphere"] == "-1.50"
    rows = {c["code"]: c for c in visit.explained}
    assert rows["change_right"]["size"] == pytest.approx(0.75, abs=0.1)  # received as -2.25/-0.75 x 96
    assert "Before −1.50/−0.75×95, now" in rows["change_right"]["figures"]
    assert "change_add_right" in rows
    by_record = return_visit.record_visit(actor=cast.dispenser, order=second, complaints=["swim"], said="", typed={})
    assert "change_right" not in {c["code"] for c in by_record.explained}


def test_who_has_still_to_be_seen_to(cast, order, visit, monkeypatch):
    """Not decided: at once. Given time to adapt: when it is up, until they come again or four weeks have gone by."""
    today = cast.branch.today()
    assert return_visit.to_see_to(cast.branch) == [visit]
    assert return_visit.to_see_to(cast.other_branch) == []
    decide(cast, visit, outcome="adapt", cause="adaptation", look_again_on=today + timedelta(days=10))
    for days, there in ((0, False), (7, False), (8, True), (10, True), (38, True), (39, False)):
        monkeypatch.setattr(type(cast.branch), "today", lambda self, d=days: today + timedelta(days=d))
        assert bool(return_visit.to_see_to(cast.branch)) is there, days
    monkeypatch.setattr(type(cast.branch), "today", lambda self: today + timedelta(days=10))
    again = return_visit.record_visit(actor=cast.dispenser, order=order, complaints=["swim"], said="", typed={})
    assert return_visit.to_see_to(cast.branch) == [again]
    decide(cast, again)
    assert return_visit.to_see_to(cast.branch) == []
