"""Orders on paper: whole sheets or tray labels, one or many in one PDF, and what was printed when and by whom in each order's trace.

What was printed once is not printed again unless that is asked for: two papers of one order can become two pairs of lenses.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from django.db import transaction
from django.utils import timezone

from orders.models import Lab, Order, OrderEvent
from orders.renderers import pdf
from orders.renderers.tray_label import tray_labels
from practice import access, audit
from practice.errors import Invalid, NotAllowed
from practice.models import Staff

What = Literal["sheets", "labels"]
KINDS: dict[str, str] = {"sheets": "sheet_printed", "labels": "label_printed"}
FETCHED = "sheet_fetched"  # by the lab, as a PDF
MOST = 200
SAME_LOOK = timedelta(minutes=5)  # a viewer asks for a document more than once, and so does somebody who turns back to it


@dataclass(frozen=True, slots=True)
class Earlier:
    """An order that was printed before."""

    order: Order
    at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class Printed:
    body: bytes
    orders: list[Order]  # in the order of the pages
    left_out: list[Earlier]  # printed before, and not asked for again


def printed_before(orders: Iterable[Order], what: What) -> list[Earlier]:
    """Those of these orders that have been printed so, with the last time."""
    rows = {o.pk: o for o in orders}
    last: dict[int, OrderEvent] = {}
    for event in OrderEvent.objects.filter(order__in=list(rows), kind=KINDS[what]).select_related("by_staff"):
        last[event.order_id] = event
    return [
        Earlier(rows[pk], e.at, e.by_staff.display_name if e.by_staff else "")
        for pk, e in sorted(last.items(), key=lambda each: rows[each[0]].number)
    ]


@transaction.atomic
def print_orders(*, actor: Staff, orders: Sequence[Order], what: str, again: bool = False) -> Printed:
    """One PDF of these orders by number. Raises NotAllowed, or Invalid (field "orders") where nothing is left to print.

    Two people who print the same at the same time: the rows are locked, so the second one meets what the first has printed.
    """
    if what not in KINDS:
        raise Invalid({"what": "Choose sheets or tray labels."})
    if not orders or len({o.pk for o in orders}) > MOST:
        raise Invalid({"orders": f"Choose 1 to {MOST} orders."})
    kind: What = "sheets" if what == "sheets" else "labels"
    rows = list(
        Order.objects.select_for_update(of=("self",), no_key=True)
        .filter(pk__in=[o.pk for o in orders])
        .select_related("branch", "group")  # not what replaces it: joined, that would be as it was before the wait
        .order_by("pk")
    )
    for branch in {o.branch_id: o.branch for o in rows}.values():
        access.require(actor, "order.print", branch=branch)
    earlier = [] if again else printed_before(rows, kind)
    skip = {e.order.pk for e in earlier}
    chosen = sorted((o for o in rows if o.pk not in skip), key=lambda o: o.number)
    if not chosen:
        raise Invalid({"orders": "All of these are printed already. Ask for them again if they have to be."})
    body = _sheets(chosen) if kind == "sheets" else _labels(chosen)
    now = timezone.now()
    OrderEvent.objects.bulk_create([OrderEvent(order=o, at=now, kind=KINDS[kind], by_staff=actor, data={}) for o in chosen])
    audit.record(
        actor=actor,
        action=f"order.{kind}_printed",
        subject=f"order {chosen[0].number}" if len(chosen) == 1 else f"{len(chosen)} orders",
        group=chosen[0].group,
        branch=chosen[0].branch if len({o.branch_id for o in chosen}) == 1 else None,
        after={"numbers": [o.number for o in chosen], **({"again": True} if again else {})},
    )
    return Printed(body, chosen, earlier)


def print_one(*, actor: Staff, order: Order, what: What) -> bytes:
    """The sheet or label of one order, opened by itself: a paper of it as any other, and recorded as one.

    Whoever sees the order may read it so, at any branch of the group: a client walks in anywhere. Again within SAME_LOOK by the same
    person it is the same paper. Raises NotAllowed.
    """
    if not access.scoped(Order.objects.filter(pk=order.pk), actor).exists():
        raise NotAllowed("There is no such order.")
    body = (_sheets if what == "sheets" else _labels)([order])
    note_one(order=order, kind=KINDS[what], by=actor)
    return body


@transaction.atomic
def note_one(*, order: Order, kind: str, by: Staff | Lab) -> bool:
    """Record that a document of this order was handed out, to somebody of the branch or to its lab; False: it was just now."""
    row = Order.objects.select_for_update(of=("self",), no_key=True).only("number", "group", "branch").get(pk=order.pk)
    who = {"by_staff": by} if isinstance(by, Staff) else {"by_lab": by}
    now = timezone.now()
    if OrderEvent.objects.filter(order=row, kind=kind, at__gt=now - SAME_LOOK, **who).exists():
        return False
    OrderEvent.objects.create(order=row, at=now, kind=kind, data={}, **who)
    action = next((f"order.{what}_printed" for what, printed in KINDS.items() if printed == kind), f"order.{kind}")
    audit.record(
        actor=by if isinstance(by, Staff) else None,
        actor_name=by.name if isinstance(by, Lab) else "",
        action=action,
        subject=f"order {row.number}",
        group=row.group,
        branch=row.branch,
        after={"numbers": [row.number]},
    )
    return True


def _sheets(orders: Sequence[Order]) -> bytes:
    return pdf.render_many([(json.loads(o.document), o.document_sha256, cancellation_of(o)) for o in orders])


def _labels(orders: Sequence[Order]) -> bytes:
    return tray_labels([(json.loads(o.document), o.state == Order.State.CANCELLED) for o in orders])


def cancellation_of(order: Order) -> pdf.Cancellation | None:
    """What the sheet says of an order that was cancelled after it was issued."""
    if order.state != Order.State.CANCELLED or not order.cancelled_at:
        return None
    later = getattr(order, "replaced_by", None)
    return pdf.Cancellation(
        at=order.cancelled_at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        reason=order.cancel_reason,
        replaced_by=later.number if later else "",
    )
