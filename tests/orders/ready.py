"""A dispense that is ready to be ordered, recorded through the same use cases as the sheet's."""

from __future__ import annotations

import json
from datetime import timedelta
from decimal import Decimal as D

from django.utils import timezone

from dispensing import assess, measure, record, sign_off
from dispensing.models import Dispense
from orders import collect, receive, return_visit
from orders.handover.gather import person_of
from orders.handover.points import FIT, cautions_for
from orders.models import Order
from orders.receipt.points import points_for
from tests.factories import PASSWORD

FINDINGS_WANT_REASONS = "Looked at again and right."


def ready_dispense(cast, *, actor=None, client=None, answered: bool = True) -> Dispense:
    """Progressive lenses in a full rim, every part recorded; every `confirm` answered unless told not to."""
    actor = actor or cast.dispenser
    today = timezone.localdate()
    made = record.start_dispense(actor=actor, client=client or cast.client, branch=cast.branch)
    record.save_needs(actor=actor, dispense=made, version=0, uses=["all_round"], working_distance_mm=D(400))
    record.save_prescription(
        actor=actor,
        dispense=made,
        version=0,
        right={"sphere": D("-2.25"), "cylinder": D("-0.75"), "axis": D(95), "add": D("2.00")},
        left={"sphere": D("-1.50"), "cylinder": D("-1.00"), "axis": D(80), "add": D("2.00")},
        vertex_mm=D(12),
        written_on=today - timedelta(days=20),
        prescriber="P. Quillfeather",
    )
    record.choose_frame(actor=actor, dispense=made, version=0, item=cast.frame)
    record.confirm_fit(
        actor=actor,
        dispense=made,
        version=0,
        adjusted=["level"],
        vertex_mm=D("12.5"),
        pantoscopic_deg=D(8),
        face_form_deg=D(5),
    )
    values = {
        ("far_pd", "right"): D("31.5"),
        ("far_pd", "left"): D("32.0"),
        ("near_pd", "right"): D("29.5"),
        ("near_pd", "left"): D("30.0"),
        ("height", "right"): D("22"),
        ("height", "left"): D("22"),
    }
    measured = [
        measure.NewReading(
            quantity=quantity,
            eye=eye,
            value=value,
            method="marked_lens" if quantity == "height" else "pupillometer",
            reference="box" if quantity == "height" else "",
        )
        for (quantity, eye), value in values.items()
    ]
    # a second reading wherever this prescription makes a millimetre matter
    measure.add_readings(actor=actor, dispense=made, readings=measured * 2)
    for (quantity, eye), value in values.items():
        made.refresh_from_db()
        measure.adopt_value(
            actor=actor,
            dispense=made,
            version=made.part_versions.get("readings", 0),
            quantity=quantity,
            eye=eye,
            value=value,
            reference="box" if quantity == "height" else "",
        )
    record.choose_lens(actor=actor, dispense=made, version=0, option=cast.option, blank_diameter_mm=D(75))
    made = Dispense.objects.get(pk=made.pk)
    if answered:
        for finding in assess.assess_dispense(made).open_confirms:
            assess.give_reason(actor=actor, dispense=made, finding_key=finding.key, text=FINDINGS_WANT_REASONS)
    return Dispense.objects.get(pk=made.pk)


def signed_dispense(cast, *, client=None) -> Dispense:
    """A trainee's, put forward and signed by their supervisor."""
    made = ready_dispense(cast, actor=cast.trainee, client=client)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    made.refresh_from_db()
    sign_off.sign(actor=cast.supervisor, dispense=made, version=made.version, password=PASSWORD)
    return Dispense.objects.get(pk=made.pk)


# what `ready_dispense` orders, as a focimeter might read it: within tolerance, not copied
GOOD_READINGS = {
    "right.sphere": "-225", "right.cylinder": "-0.75", "right.axis": "96", "right.add": "2.00",
    "left.sphere": "-2,50", "left.cylinder": "+1.00", "left.axis": "170", "left.add": "2.00",
    "right.prism_in": "0", "right.prism_up": "0.25 up", "left.prism_in": "0.1 out", "left.prism_up": "0.25 up",
    "right.pd": "31.5", "left.pd": "32", "right.height": "22", "left.height": "22.5",
}  # fmt: skip


def passed_order(cast, order):
    """The pair measured, found in order and passed."""
    points = [p.code for p in points_for(json.loads(order.document), statement=order.branch.impact_statement)]
    check = receive.record_receipt(actor=cast.dispenser, order=order, typed=GOOD_READINGS, points=points)
    receive.pass_pair(actor=cast.dispenser, check=check)
    return Order.objects.get(pk=order.pk)


def collected_order(cast, order, **change):
    """Passed and handed over."""
    order = passed_order(cast, order)
    values = {
        "fit_points": [p.code for p in FIT],
        "marks": "yes",
        "acuity": {"both": "6/5", "near": "N5"},
        "advice": ["clean", "keep"],
        "cautions": [c.code for c in cautions_for(json.loads(order.document), person_of(order))],
        **change,
    }
    collect.record_collection(actor=cast.dispenser, order=order, **values)
    return Order.objects.get(pk=order.pk)


def came_back(cast, order):
    """Collected, and the client is back: near is not sharp, the frame has slipped 3 mm."""
    order = collected_order(cast, order)
    return_visit.record_visit(
        actor=cast.dispenser,
        order=order,
        complaints=["near_blurred", "posture"],
        said="I have to lift my chin to read.",
        typed={"right.height": "25", "left.height": "25", "right.pd": "31.5", "left.pd": "32", "vertex": "15"},
    )
    return Order.objects.get(pk=order.pk)
