"""A client comes back. What they say and what is measured is kept with what it could mean; somebody decides what is done.

collected ──record_visit──→ (open visit) ──decide──→ adjusted · time to adapt (with a day to look again) · referred back · nothing
                                               └──→ made again: the order is over, its dispense is open to change, and the next order
                                                    that is issued from it stands in for this one
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from dispensing.case import Pair
from dispensing.models import Dispense
from orders.issue import _lock_both
from orders.models import Order, OrderEvent, ReturnVisit
from orders.receipt.typed import understand as understand_receipt
from orders.receipt.verdict import Readings, ordered_lens
from orders.receive import words
from orders.return_words import lists_of
from orders.returns.explain import Before, Candidate, WornNow, explain, to_json
from orders.returns.typed import PATHS, understand
from practice import access, audit
from practice.errors import Conflict, Invalid, Refused
from practice.models import Branch, Staff

Outcome = ReturnVisit.Outcome
LONGEST_ADAPTATION_DAYS = 90
SOON = timedelta(days=2)
FORGOTTEN = timedelta(days=28)


# --- what there is to compare ---------------------------------------------------------------------------------------------


def pair_before(order: Order) -> Before | None:
    """The powers of the client's last pair before this one: from the order it was made by."""
    earlier = (
        Order.objects.filter(
            dispense__client=order.dispense.client_id, group=order.group_id, state__in=["collected", "returned"]
        )
        .exclude(pk=order.pk)
        .exclude(dispense=order.dispense_id)
        .filter(issued_at__lt=order.issued_at)
        .order_by("-issued_at", "-pk")
        .first()
    )
    if earlier is None:
        return None
    document = json.loads(earlier.document)
    lenses = Pair(ordered_lens(document, "right"), ordered_lens(document, "left"))
    right, left = lenses.right.power, lenses.left.power
    if right is None or left is None:
        return None
    vertex = document["as_worn"]["vertex_distance"]
    return Before(
        right=right, left=left, vertex=float(vertex) if vertex else None, said=f"order {earlier.number}", lenses=lenses
    )


def receipt_readings(order: Order, document: Mapping[str, Any]) -> Readings:
    """What was measured when this pair was passed; nothing where it never was."""
    check = order.receipts.filter(decision__in=["passed", "accepted"]).order_by("-at", "-pk").first()
    return understand_receipt(document, check.typed).readings if check else Readings()


def explanations(
    order: Order, *, now: WornNow, complaints: Iterable[str], before: Before | None = None
) -> tuple[Candidate, ...]:
    """`before`: the pair before as it was measured; else the last one on record."""
    document = json.loads(order.document)
    return explain(
        document,
        readings=receipt_readings(order, document),
        now=now,
        before=before or pair_before(order),
        complaints=tuple(complaints),
    )


def to_see_to(branch: Branch) -> list[ReturnVisit]:
    """Visits of a branch that somebody has to come back to, oldest first: not decided yet, or given time to adapt that is up within days.

    A day to look again is over once they were there again, or `FORGOTTEN` later: somebody who is content does not come.
    """
    now, today = timezone.now(), branch.today()
    again = ReturnVisit.objects.filter(order=OuterRef("order"), pk__gt=OuterRef("pk"))
    due = Q(outcome=Outcome.ADAPT, look_again_on__lte=today + SOON, look_again_on__gte=today - FORGOTTEN) & ~Exists(again)
    rows = ReturnVisit.objects.filter(
        Q(outcome=Outcome.OPEN) | due,
        outcome__in=[Outcome.OPEN, Outcome.ADAPT],  # looked up by outcome and time, not read through
        at__gte=now - timedelta(days=2 * LONGEST_ADAPTATION_DAYS),
        order__branch=branch,
        order__state__in=[Order.State.COLLECTED, Order.State.RETURNED],
    )
    return list(rows.select_related("order__dispense__client", "order__lab").defer("order__document").order_by("at", "pk"))


# --- deeds ----------------------------------------------------------------------------------------------------------------


@transaction.atomic
def record_visit(
    *, actor: Staff, order: Order, complaints: Iterable[str], said: str, typed: Mapping[str, str]
) -> ReturnVisit:
    """Keep what the client says and what is measured now, with the explanations that follow from it.

    Raises NotAllowed, Refused (not collected) or Invalid (fields "complaints", "words", and those of `orders.returns.typed`).
    """
    dispense, row = _lock_both(order)
    access.require(actor, "return.record", branch=row.branch, subject=dispense)
    if row.state != Order.State.COLLECTED:
        raise Refused(f"This order is {row.get_state_display()}: a return visit is about a pair that was collected.")
    if dispense.client.erased_at is not None:
        raise Refused("This client has been erased. Put them on record anew.")
    chosen = set(complaints)
    lists = lists_of(row.group_id)
    codes = [c for c in lists.choose["complaint"] if c in chosen]
    kept = {k: typed[k].strip()[:41] for k in PATHS if typed.get(k, "").strip()}
    found = understand(kept)
    errors = dict(found.errors)
    try:
        text = words(said, least=0)
    except ValueError as problem:
        errors["words"], text = str(problem), ""
    if not codes and not text and "words" not in errors:
        errors["complaints"] = "Tick what the client says, or write it down."
    if errors:
        raise Invalid(errors)
    at = timezone.now()
    meant = [lists.like["complaint"].get(c) or c for c in codes]  # an own complaint is explained like the built-in one
    visit = ReturnVisit.objects.create(
        order=row,
        at=at,
        by=actor,
        complaints=codes,
        words=text,
        typed=kept,
        measured=found.values,
        explained=to_json(explanations(row, now=found.now, complaints=meant, before=found.before)),
    )
    OrderEvent.objects.create(order=row, at=at, kind="return_visit", by_staff=actor, data={"visit": visit.pk})
    _told(
        actor, "return.recorded", row, {}, {"visit": visit.pk, "complaints": codes, "words": text, "measured": found.values}
    )
    return visit


@transaction.atomic
def decide_visit(
    *,
    actor: Staff,
    visit: ReturnVisit,
    outcome: str,
    cause: str,
    bears: str = "",
    note: str = "",
    look_again_on: date | None = None,
) -> ReturnVisit:
    """What is done. "remake" ends the order and opens its dispense; "adapt" needs a day to look again; "remake" says who bears it.

    Raises NotAllowed, Conflict (decided already), Refused or Invalid (fields named as the arguments).
    """
    dispense, order = _lock_both(visit.order)
    row = ReturnVisit.objects.select_for_update().get(pk=visit.pk)
    access.require(actor, "return.decide", branch=order.branch, subject=dispense)
    if row.outcome:
        raise Conflict(f"This visit is decided already: {row.get_outcome_display()}.")
    errors: dict[str, str] = {}
    lists = lists_of(order.group_id)
    own_outcome = ""
    if outcome not in lists.choose["outcome"]:
        errors["outcome"] = "Choose what is done."
    elif outcome in lists.like["outcome"]:
        own_outcome, outcome = outcome, lists.like["outcome"][outcome]
    if cause not in lists.choose["cause"]:
        errors["cause"] = "Choose the cause; “Not found” is an answer too."
    if bears not in ReturnVisit.Bears.values or (outcome == Outcome.REMAKE and not bears):
        errors["bears"] = "Say who bears the cost."
    try:
        said = words(note, least=4 if outcome in (Outcome.REMAKE, Outcome.REFER) else 0)
    except ValueError as problem:
        errors["note"], said = str(problem), ""
    today = order.branch.today()
    if outcome == Outcome.ADAPT:
        if look_again_on is None:
            errors["look_again_on"] = "Say when to look again."
        elif not 0 < (look_again_on - today).days <= LONGEST_ADAPTATION_DAYS:
            errors["look_again_on"] = f"A day within the next {LONGEST_ADAPTATION_DAYS} days."
    # made again after another visit: this one still has to be decided, or it is open for ever
    again = order.state == Order.State.RETURNED
    if again and outcome == Outcome.REMAKE:
        errors["outcome"] = "It is made again already, after another visit. Choose what else was done about this one."
    if errors:
        raise Invalid(errors)
    if order.state != Order.State.COLLECTED and not again:
        raise Refused(f"This order is {order.get_state_display()}.")
    now = timezone.now()
    row.outcome, row.cause, row.bears, row.note = Outcome(outcome), cause, ReturnVisit.Bears(bears), said
    row.outcome_word = own_outcome
    row.look_again_on = look_again_on if outcome == Outcome.ADAPT else None
    row.decided_at, row.decided_by = now, actor
    row.save(
        update_fields=["outcome", "outcome_word", "cause", "bears", "note", "look_again_on", "decided_at", "decided_by"]
    )
    before = {"order": order.state, "dispense": dispense.state}
    if outcome == Outcome.REMAKE:
        order.state, order.cancel_reason = Order.State.RETURNED, said
        order.version += 1
        order.save(update_fields=["state", "cancel_reason", "version"])
        dispense.state = Dispense.State.OPEN
        dispense.version += 1  # what was signed was signed for the pair that came back
        dispense.save(update_fields=["state", "version", "updated_at"])
    data = {"visit": row.pk, "outcome": outcome, "cause": cause} | ({"outcome_word": own_outcome} if own_outcome else {})
    OrderEvent.objects.create(order=order, at=now, kind="return_decided", by_staff=actor, note=said, data=data)
    after = {"order": order.state, "dispense": dispense.state, "bears": bears, "note": said, **data}
    _told(actor, "return.decided", order, before, after)
    return row


def _told(actor: Staff, action: str, order: Order, before: dict[str, Any], after: dict[str, Any]) -> None:
    audit.record(
        actor=actor,
        action=action,
        subject=f"order {order.number}",
        group=order.group,
        branch=order.branch,
        client=order.dispense.client,
        before=before,
        after=after,
    )
