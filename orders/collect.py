"""The pair is handed over: fitted on the face, seen through, explained. A restricted client gets it from a registered person."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping

from django.db import transaction
from django.utils import timezone

from dispensing.assess import restricted
from dispensing.models import Dispense
from orders.handover.gather import person_of
from orders.handover.points import FIT, MARKS, advice_for, cautions_for
from orders.issue import _lock_both
from orders.models import Collection, Order, OrderEvent
from orders.receive import words
from practice import access, audit
from practice.errors import Conflict, Invalid, Refused
from practice.models import Staff

LONGEST_ACUITY = 12
PLACES = ("right", "left", "both", "near")


@transaction.atomic
def record_collection(
    *,
    actor: Staff,
    order: Order,
    fit_points: Iterable[str],
    marks: str,
    acuity: Mapping[str, str],
    advice: Iterable[str],
    cautions: Iterable[str],
    remark: str = "",
    version: int | None = None,
) -> Collection:
    """Close the order: the dispense is collected.

    All points of the fit, and acuity, or a remark that says why not; every caution acknowledged. Raises NotAllowed, Conflict,
    Refused or Invalid (fields "fit", "marks", "acuity.right", …, "cautions", "remark").
    """
    dispense, row = _lock_both(order)
    why = restricted(dispense)
    access.require(actor, "collection.record", branch=row.branch, subject=dispense, restricted=why)
    if version is not None and version != row.version:
        raise Conflict("Somebody has moved this order on since you looked. Look again; nothing was saved.")
    if row.state != Order.State.PASSED:
        raise Refused(f"This order is {row.get_state_display()}: only a pair that was passed is handed over.")
    document, person = json.loads(row.document), person_of(row)
    errors: dict[str, str] = {}
    try:
        said = words(remark, least=0)
    except ValueError as problem:
        errors["remark"], said = str(problem), ""
    fit = [p.code for p in FIT if p.code in set(fit_points)]
    if len(fit) < len(FIT) and not said and "remark" not in errors:
        errors["fit"] = "Not every point is ticked: look at them all, or say in the remark what is left and why."
    if marks not in {code for code, _ in MARKS}:
        errors["marks"] = "Say what was seen of the fitting marks."
    seen = {}
    for place in PLACES:
        text = " ".join(acuity.get(place, "").split())
        if len(text) > LONGEST_ACUITY or "\x00" in text:
            errors[f"acuity.{place}"] = f"At most {LONGEST_ACUITY} characters, such as 6/6 or N5."
        elif text:
            seen[place] = text
    if not {"both", "right", "left"} & seen.keys() and not said and not any(e.startswith("acuity") for e in errors):
        errors["acuity.both"] = "Type what was read with the new pair, or say in the remark why it was not taken."
    must = [c.code for c in cautions_for(document, person)]
    heard = set(cautions)
    if not heard.issuperset(must):
        errors["cautions"] = "Every caution has to be said and understood before the pair is worn."
    if errors:
        raise Invalid(errors)
    given = set(advice)
    now = timezone.now()
    made = Collection.objects.create(
        order=row,
        at=now,
        by=actor,
        restricted=list(why),
        fit_points=fit,
        marks_rechecked=marks,
        acuity=seen,
        advice=[a.code for a in advice_for(document, person) if a.code in given],
        cautions=must,
        remark=said,
    )
    row.state = Order.State.COLLECTED
    row.version += 1
    row.save(update_fields=["state", "version"])
    before, dispense.state = dispense.state, Dispense.State.COLLECTED
    dispense.save(update_fields=["state", "updated_at"])
    OrderEvent.objects.create(order=row, at=now, kind="collected", by_staff=actor)
    audit.record(
        actor=actor,
        action="collection.recorded",
        subject=f"order {row.number}",
        group=row.group,
        branch=row.branch,
        client=dispense.client,
        before={"dispense": before},
        after={
            "dispense": dispense.state,
            "fit": fit,
            "marks": marks,
            "acuity": seen,
            "cautions": must,
            "restricted": list(why),
        },
    )
    return made
