"""A dispense that is ready to be ordered, recorded through the same use cases as the sheet's."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal as D

from django.utils import timezone

from dispensing import assess, measure, record, sign_off
from dispensing.models import Dispense
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
    for (quantity, eye), value in values.items():
        extra = {"method": "marked_lens", "reference": "box"} if quantity == "height" else {"method": "pupillometer"}
        for _ in range(2):  # a second reading wherever this prescription makes a millimetre matter
            measure.add_readings(
                actor=actor,
                dispense=made,
                readings=[measure.NewReading(quantity=quantity, eye=eye, value=value, **extra)],
            )
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
