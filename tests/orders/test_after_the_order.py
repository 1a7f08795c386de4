"""From the parcel to the client: what is recorded, who may decide, what the lab is told, what is refused."""

from __future__ import annotations

import json
from datetime import date, timedelta

import pytest

from orders import collect, guard, issue, lab_progress, receive
from orders.errors import OrderRefused
from orders.models import Collection, Order, OrderEvent, ReceiptCheck
from orders.receipt.points import points_for
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.factories import ClientFactory
from tests.orders.ready import ready_dispense, signed_dispense

REASON = "Right axis is 9 degrees off."
GOOD = {
    "right.sphere": "-225", "right.cylinder": "-0.75", "right.axis": "96", "right.add": "2.00",
    "left.sphere": "-2,50", "left.cylinder": "+1.00", "left.axis": "170", "left.add": "2.00",
    "right.prism_in": "0", "right.prism_up": "0.25 up", "left.prism_in": "0.1 out", "left.prism_up": "0.25 up",
    "right.pd": "31.5", "left.pd": "32", "right.height": "22", "left.height": "22.5",
}  # fmt: skip


@pytest.fixture
def order(cast):
    return issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)


def all_points(order):
    return [p.code for p in points_for(json.loads(order.document), statement=order.branch.impact_statement)]


def checked(cast, order, actor=None, points=None, **change):
    return receive.record_receipt(
        actor=actor or cast.dispenser, order=order, typed={**GOOD, **change},
        points=all_points(order) if points is None else points,
    )  # fmt: skip


def collected(cast, order, actor=None, **change):
    from orders.handover.gather import person_of
    from orders.handover.points import FIT, cautions_for

    order.refresh_from_db()
    values = {
        "fit_points": [p.code for p in FIT],
        "marks": "yes",
        "acuity": {"both": "6/5", "near": "N5"},
        "advice": ["clean", "keep"],
        "cautions": [c.code for c in cautions_for(json.loads(order.document), person_of(order))],
        **change,
    }
    return collect.record_collection(actor=actor or cast.dispenser, order=order, **values)


# --- receipt


def test_what_was_typed_is_kept_as_typed_and_as_understood(cast, order):
    check = checked(cast, order)
    assert check.outcome == "within", check.verdict
    assert check.typed["right.sphere"] == "-225"
    assert check.readings["right.sphere"] == "-2.25"
    assert check.readings["left.prism_in"] == "-0.10"
    order.refresh_from_db()
    assert order.state == "received"
    assert [e.kind for e in order.events.all()][-2:] == ["received", "checked"]
    assert AuditEvent.objects.filter(action="receipt.recorded", subject=f"order {order.number}").count() == 1


def test_the_order_is_the_measure_not_the_prescription(cast, order):
    """The order states compensated powers here; what fits the prescription does not fit the order."""
    content = json.loads(order.document)
    content["lenses"]["right"]["ordered"]["sphere"] = "-2.62"
    with guard.set_aside():
        Order.objects.filter(pk=order.pk).update(document=json.dumps(content))
    order.refresh_from_db()
    assert checked(cast, order).outcome == "outside"


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"right.sphere": "-30"}, "right.sphere"),
        ({"right.axis": "190"}, "right.axis"),
        ({"right.axis": ""}, "right.axis"),
        ({"right.cylinder": ""}, "right.cylinder"),
        ({"left.prism_in": "0.5"}, "left.prism_in"),
        ({"left.prism_up": "0.5 in"}, "left.prism_up"),
        ({"left.height": "x" * 60}, "left.height"),
        ({"left.sphere": ""}, "left.sphere"),
    ],
)
def test_bad_input_names_its_field_and_saves_nothing(cast, order, change, field):
    with pytest.raises(Invalid) as caught:
        checked(cast, order, **change)
    assert list(caught.value.errors) == [field]
    assert not ReceiptCheck.objects.exists()
    order.refresh_from_db()
    assert order.state == "issued"


def test_a_pair_is_passed_once_everything_is_within_and_in_order(cast, order):
    check = checked(cast, order, points=["secure"])
    with pytest.raises(Refused, match="Not yet found in order"):
        receive.pass_pair(actor=cast.dispenser, check=check)
    check = checked(cast, order)
    receive.pass_pair(actor=cast.dispenser, check=check)
    order.refresh_from_db()
    assert order.state == "passed"
    with pytest.raises(OrderRefused):
        receive.reject_to_lab(actor=cast.dispenser, check=check, reason=REASON)


def test_only_the_newest_measuring_is_decided_on(cast, order):
    first = checked(cast, order)
    checked(cast, order)
    with pytest.raises(Conflict):
        receive.pass_pair(actor=cast.dispenser, check=first)


def test_the_newest_is_the_last_that_was_measured_also_when_the_clock_was_set_back(cast, order):
    """The first, fine one must not be passed because the second, measured outside, has the earlier time."""
    first = checked(cast, order)
    second = checked(cast, order, **{"right.sphere": "-3.00"})
    ReceiptCheck.objects.filter(pk=second.pk).update(at=first.at - timedelta(minutes=5))
    with pytest.raises(Conflict):
        receive.pass_pair(actor=cast.dispenser, check=first)
    assert receive.reject_to_lab(actor=cast.dispenser, check=second, reason=REASON).decision == "rejected"


def test_outside_or_incomplete_is_not_passed(cast, order):
    with pytest.raises(Refused, match="outside tolerance"):
        receive.pass_pair(actor=cast.dispenser, check=checked(cast, order, **{"right.axis": "106"}))
    with pytest.raises(Refused, match="Not everything was measured"):
        receive.pass_pair(actor=cast.dispenser, check=checked(cast, order, **{"right.prism_up": ""}))


def test_readings_equal_in_every_digit_are_questioned(cast, order):
    content = json.loads(order.document)
    same = {}
    for eye in ("right", "left"):
        o, c = content["lenses"][eye]["ordered"], content["lenses"][eye]["centration"]
        same |= {
            f"{eye}.sphere": o["sphere"], f"{eye}.cylinder": o["cylinder"], f"{eye}.axis": o["axis"], f"{eye}.add": o["addition"],
            f"{eye}.prism_in": "0", f"{eye}.prism_up": "0", f"{eye}.pd": c["far_pd"], f"{eye}.height": c["height"],
        }  # fmt: skip
    check = checked(cast, order, **same)
    assert check.copied
    with pytest.raises(Invalid) as caught:
        receive.pass_pair(actor=cast.dispenser, check=check)
    assert "measured" in caught.value.errors
    receive.pass_pair(actor=cast.dispenser, check=check, measured=True)


def test_who_may_decide(cast, order):
    check = checked(cast, order, actor=cast.trainee, **{"right.axis": "106"})
    for deed, who in (
        (receive.reject_to_lab, cast.trainee), (receive.accept_outside, cast.trainee),
        (receive.accept_outside, cast.unregistered), (receive.reject_to_lab, cast.elsewhere),
        (receive.accept_outside, cast.foreigner),
    ):  # fmt: skip
        with pytest.raises(NotAllowed):
            deed(actor=who, check=check, reason=REASON)
    with pytest.raises(NotAllowed):
        checked(cast, order, actor=cast.elsewhere)
    with pytest.raises(Invalid):
        receive.accept_outside(actor=cast.dispenser, check=check, reason=" ")
    receive.accept_outside(actor=cast.dispenser, check=check, reason=REASON)
    order.refresh_from_db()
    assert order.state == "passed"


def test_a_rejected_pair_comes_up_in_the_labs_feed_and_is_made_again(cast, order, door):
    lab_progress.acknowledge(lab=cast.lab, number=order.number)
    lab_progress.report_progress(lab=cast.lab, number=order.number, state="dispatched")
    last = door.get("orders").json()["last"]
    receive.reject_to_lab(actor=cast.dispenser, check=checked(cast, order, **{"right.axis": "106"}), reason=REASON)
    news = door.get("orders", after=last).json()["orders"]
    assert [(n["number"], n["state"], n["waiting"], n["rejected"]["reason"]) for n in news] == [
        (order.number, "rejected", True, REASON)
    ]
    event = order.events.get(kind="rejected")
    assert event.data["outside"] == [{"where": "right", "what": "axis", "unit": "°", "off": 11.0, "allowed": 6.0}]
    assert door.post(f"orders/{order.number}/acknowledgement", {"what": "order"}).json()["waiting"] is False
    assert door.post(f"orders/{order.number}/progress", {"state": "in_work"}).status_code == 200
    assert door.post(f"orders/{order.number}/progress", {"state": "dispatched"}).status_code == 200
    receive.pass_pair(actor=cast.dispenser, check=checked(cast, order))
    refused = door.post(f"orders/{order.number}/progress", {"state": "in_work"})
    assert refused.status_code == 409
    assert refused.json()["type"].endswith("order-further-on")
    for what, body in (
        ("promise", {"on": str(date.today() + timedelta(days=30))}),
        ("cannot-make", {"reason": "Broken again."}),
    ):
        assert door.post(f"orders/{order.number}/{what}", body).status_code == 409, what


def test_a_rejected_pair_can_be_replaced_at_another_lab(cast, order):
    receive.reject_to_lab(actor=cast.dispenser, check=checked(cast, order, **{"right.axis": "106"}), reason=REASON)
    order.refresh_from_db()
    new = issue.replace_order(actor=cast.dispenser, order=order, lab=cast.lab, reason="The other lab makes it.")
    assert new.replaces_id == order.pk
    assert new.state == "issued"


def test_an_impact_statement_is_asked_for_where_the_branch_has_one(cast, order):
    cast.branch.impact_statement = "Impact-resistant by 21 CFR 801.410."
    cast.branch.save()
    check = checked(cast, order, points=[p for p in all_points(order) if p != "impact"])
    with pytest.raises(Refused):
        receive.pass_pair(actor=cast.dispenser, check=check)
    order.refresh_from_db()
    assert "impact" not in check.points
    order = Order.objects.get(pk=order.pk)
    check = receive.record_receipt(actor=cast.dispenser, order=order, typed=GOOD, points=[*all_points(order), "impact"])
    receive.pass_pair(actor=cast.dispenser, check=check)
    assert check.statement == "Impact-resistant by 21 CFR 801.410."


def test_nothing_arrives_of_an_order_that_is_over(cast, order):
    issue.cancel_order(actor=cast.dispenser, order=order, reason="Not wanted any more.")
    order.refresh_from_db()
    with pytest.raises(Refused):
        checked(cast, order)


# --- collection


@pytest.fixture
def passed(cast, order):
    receive.pass_pair(actor=cast.dispenser, check=checked(cast, order))
    return Order.objects.get(pk=order.pk)


def test_collected(cast, passed):
    made = collected(cast, passed)
    passed.refresh_from_db()
    assert (passed.state, passed.dispense.state) == ("collected", "collected")
    assert made.acuity == {"both": "6/5", "near": "N5"}
    assert "steps" in made.cautions
    assert OrderEvent.objects.filter(order=passed, kind="collected").count() == 1
    with pytest.raises(Refused):
        collected(cast, passed)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"fit_points": ["level"]}, "fit"),
        ({"marks": ""}, "marks"),
        ({"acuity": {}}, "acuity.both"),
        ({"acuity": {"both": "x" * 20}}, "acuity.both"),
        ({"cautions": []}, "cautions"),
        ({"remark": "x" * 500}, "remark"),
    ],
)
def test_collection_asks_for_what_is_missing(cast, passed, change, field):
    with pytest.raises(Invalid) as caught:
        collected(cast, passed, **change)
    assert list(caught.value.errors) == [field]
    assert not Collection.objects.exists()


def test_a_remark_explains_what_was_left_out(cast, passed):
    made = collected(cast, passed, fit_points=["level"], acuity={}, remark="Client's daughter collects; fit on Monday.")
    assert made.fit_points == ["level"]


def test_a_pair_that_was_not_passed_is_not_handed_over(cast, order):
    with pytest.raises(Refused):
        collected(cast, order)


def test_a_child_gets_it_from_a_registered_person(cast):
    child = ClientFactory(branch=cast.branch, sight_impaired=True)
    signed = signed_dispense(cast, client=child)
    order = issue.issue_order(actor=cast.supervisor, dispense=signed, lab=cast.lab)
    receive.pass_pair(actor=cast.dispenser, check=checked(cast, order))
    for who in (cast.trainee, cast.unregistered, cast.elsewhere):
        with pytest.raises(NotAllowed):
            collected(cast, order, actor=who)
    made = collected(cast, order, actor=cast.dispenser)
    assert made.restricted == ["registered sight-impaired"]
