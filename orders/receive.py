"""The finished pair arrives: it is measured, held against its order, and passed, sent back or accepted with a reason.

    at the lab, or dispatched ──record──→ arrived ──pass / accept──→ to be collected
            ↑                                └────────reject────→ rejected: the lab makes it again under the same number,
            └──────────────────────────────────────────┘         or the branch replaces or cancels the order

What was measured is never changed: a second measuring is a second check. Rows are locked dispense first, then order (as in `issue`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, cast

from django.db import transaction
from django.utils import timezone

from dispensing.optics.tolerance import Feed
from orders.errors import OrderRefused
from orders.issue import LONGEST_REASON, _lock_both, take_feed_position
from orders.models import Order, OrderEvent, ReceiptCheck
from orders.receipt.points import points_for
from orders.receipt.typed import LONGEST, entries_for, understand
from orders.receipt.verdict import from_json, judge, to_json
from orders.webhooks.outbox import announce
from practice import access, audit
from practice.errors import Conflict, Invalid, Refused
from practice.models import Staff

State = Order.State
Decision = ReceiptCheck.Decision
MAY_ARRIVE = (State.ISSUED, State.ACKNOWLEDGED, State.IN_WORK, State.DISPATCHED, State.REJECTED, State.RECEIVED)
SHORTEST_REASON = 4


def why_no_receipt(order: Order) -> str | None:
    """Why nothing is measured on this order now; None when it can be."""
    return (
        None
        if order.state in MAY_ARRIVE
        else f"This order is {order.get_state_display()}: there is nothing to check on arrival."
    )


@transaction.atomic
def record_receipt(
    *,
    actor: Staff,
    order: Order,
    typed: Mapping[str, str],
    points: Iterable[str] = (),
    remark: str = "",
    version: int | None = None,
) -> ReceiptCheck:
    """Keep what was measured, with the verdict on it. Nothing is decided yet.

    `typed`: "right.sphere" and so on, as typed. Raises NotAllowed, Conflict, Refused or Invalid (fields as in `typed`, "remark").
    """
    dispense, row = _lock_both(order)
    access.require(actor, "receipt.record", branch=row.branch, subject=dispense)
    _same_version(row, version)
    no = why_no_receipt(row)
    if no is not None:
        raise Refused(no)
    document = json.loads(row.document)
    names = {f"{eye}.{e.name}" for e in entries_for(document) for eye in ("right", "left")}
    kept = {k: v.strip()[: LONGEST + 1] for k, v in typed.items() if k in names and v.strip()}
    found = understand(document, kept)
    errors = dict(found.errors)
    try:
        said = words(remark, least=0)
    except ValueError as problem:
        errors["remark"] = str(problem)
        said = ""
    if not kept and not errors:
        errors["right.sphere"] = "Nothing was measured yet."
    if errors:
        raise Invalid(errors)
    verdict = judge(document, found.readings, feed=cast("Feed", row.branch.prism_feed))
    allowed = {p.code for p in points_for(document, statement=row.branch.impact_statement)}
    now = timezone.now()
    check = ReceiptCheck.objects.create(
        order=row,
        at=now,
        by=actor,
        standard=verdict.standard,
        typed=kept,
        readings=found.values,
        verdict=to_json(verdict),
        outcome=verdict.outcome,
        copied=verdict.copied,
        most_used=max((u for j in verdict.judged if (u := j.used) is not None), default=None),
        points=sorted(allowed & set(points)),
        statement=row.branch.impact_statement if "impact" in set(points) & allowed else "",
        remark=said,
    )
    before = row.state
    row.state, row.waiting = State.RECEIVED, False
    row.version += 1
    row.save(update_fields=["state", "waiting", "version"])
    if before != State.RECEIVED:
        OrderEvent.objects.create(order=row, at=now, kind="received", by_staff=actor)
    data = {"check": check.pk, "outcome": check.outcome, "standard": check.standard}
    OrderEvent.objects.create(order=row, at=now, kind="checked", by_staff=actor, data=data)
    _told(actor, "receipt.recorded", row, {"state": before}, {"state": row.state, "readings": found.values, **data})
    return check


@transaction.atomic
def pass_pair(*, actor: Staff, check: ReceiptCheck, measured: bool = False) -> ReceiptCheck:
    """Everything measured is within, everything looked at is in order: the client can be called.

    `measured`: confirms that readings equal to the order in every digit were measured. Raises NotAllowed, Invalid ("measured") or
    Refused.
    """
    order, row = _decidable(check)
    access.require(actor, "receipt.decide", branch=order.branch, subject=order.dispense)
    if row.outcome != "within":
        raise Refused(
            "Something is outside tolerance: reject the pair, or accept it with a reason."
            if row.outcome == "outside"
            else "Not everything was measured: measure what is missing, or accept the pair with a reason."
        )
    open_points = [
        p
        for p in points_for(json.loads(order.document), statement=order.branch.impact_statement)
        if p.code not in row.points
    ]
    if open_points:
        raise Refused(
            f"Not yet found in order: {open_points[0].text}"
            + (f", and {len(open_points) - 1} more." if len(open_points) > 1 else ".")
        )
    if row.copied and not measured:
        raise Invalid(
            {"measured": "Every reading equals the order in every digit. Say that it was measured, or measure again."}
        )
    return _decide(actor, order, row, Decision.PASSED, State.PASSED, "", "passed")


@transaction.atomic
def accept_outside(*, actor: Staff, check: ReceiptCheck, reason: str) -> ReceiptCheck:
    """Hand the pair on although it is outside tolerance, not fully measured, or a point is not in order; a registered person's decision."""
    order, row = _decidable(check)
    access.require(actor, "receipt.accept_outside", branch=order.branch, subject=order.dispense)
    return _decide(actor, order, row, Decision.ACCEPTED, State.PASSED, _reason(reason), "accepted")


@transaction.atomic
def reject_to_lab(*, actor: Staff, check: ReceiptCheck, reason: str) -> ReceiptCheck:
    """Send the pair back. The lab meets the order again in its feed, with the reason and what was found outside."""
    order, row = _decidable(check)
    access.require(actor, "receipt.decide", branch=order.branch, subject=order.dispense)
    return _decide(actor, order, row, Decision.REJECTED, State.REJECTED, _reason(reason), "rejected")


# --- their common part ----------------------------------------------------------------------------------------------------


def words(text: str, *, least: int = SHORTEST_REASON, most: int = LONGEST_REASON) -> str:
    """One line of words for a record; ValueError with the sentence to show."""
    said = " ".join(text.split())
    if "\x00" in said:
        raise ValueError("That contains a character that cannot be kept.")
    if len(said) < least or len(said) > most:
        raise ValueError(f"Say it in {least} to {most} characters." if least else f"At most {most} characters.")
    return said


def _reason(text: str) -> str:
    try:
        return words(text)
    except ValueError as problem:
        raise Invalid({"reason": str(problem)}) from problem


def _same_version(order: Order, version: int | None) -> None:
    if version is not None and version != order.version:
        raise Conflict("Somebody has moved this order on since you looked. Look again; nothing was saved.")


def newest_of(order: Order) -> ReceiptCheck | None:
    """The last measuring. By its key, which is given while the order's row is locked, and not by the clock, which may be set back."""
    return order.receipts.order_by("-pk").first()


def _decidable(check: ReceiptCheck) -> tuple[Order, ReceiptCheck]:
    _, order = _lock_both(check.order)
    row = ReceiptCheck.objects.select_for_update().get(pk=check.pk)
    newest = newest_of(order)
    if row.decision or order.state != State.RECEIVED:
        raise OrderRefused("receipt-decided", f"This is decided already: the order is {order.get_state_display()}.")
    if newest != row:
        raise Conflict("The pair was measured again since. Decide on the newest measuring.")
    return order, row


def _decide(
    actor: Staff, order: Order, row: ReceiptCheck, decision: Decision, state: Order.State, reason: str, kind: str
) -> ReceiptCheck:
    now = timezone.now()
    row.decision, row.reason, row.decided_at, row.decided_by = decision, reason, now, actor
    row.save(update_fields=["decision", "reason", "decided_at", "decided_by"])
    fields = ["state", "version"]
    order.state = state
    order.version += 1
    if decision == Decision.REJECTED:
        order.rejected_at, order.reject_reason, order.waiting = now, reason, True
        order.feed_position = take_feed_position(order.lab)  # news: the lab meets the order again
        fields += ["rejected_at", "reject_reason", "waiting", "feed_position"]
    order.save(update_fields=fields)
    data: dict[str, Any] = {"check": row.pk, "outside": [_said(j) for j in from_json(row.verdict).outside]}
    OrderEvent.objects.create(order=order, at=now, kind=kind, by_staff=actor, note=reason, data=data)
    if decision == Decision.REJECTED:
        announce(order, "rejected", now)
    _told(actor, f"receipt.{kind}", order, {"state": State.RECEIVED}, {"state": state, "reason": reason, **data})
    return row


def _said(row: Any) -> dict[str, Any]:
    return {
        "where": row.where,
        "what": row.label,
        "unit": row.unit,
        "off": round(row.difference, 3),
        "allowed": round(row.allowance, 3),
    }


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
