"""What a lab says about an order: that it has it, when it will be done, what it asks, how far it is, that it cannot make it.

Every deed is one transaction: the order's row is locked, its state checked, an OrderEvent and an audit row written. Saying the
same thing twice is the same as saying it once. A lab reaches its own orders only: any other raises Order.DoesNotExist.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Literal

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from orders import at_once
from orders.errors import OrderRefused, Stale
from orders.issue import take_feed_position
from orders.models import Lab, Order, OrderEvent, Question
from orders.webhooks.outbox import announce
from practice import access, audit
from practice.errors import Invalid, Refused
from practice.models import Staff

State = Order.State
Acknowledged = Literal["order", "cancellation"]
FORWARD = (State.ISSUED, State.ACKNOWLEDGED, State.IN_WORK, State.DISPATCHED)
REPORTED = (State.IN_WORK, State.DISPATCHED)
AT_BRANCH = (State.RECEIVED, State.PASSED, State.COLLECTED, State.RETURNED)  # the finished pair is not the lab's any more
BATCH = 1000


# of an order and what it belongs to: not its document, and of the others no more than the trail names them by
_NEEDED = (
    "number", "state", "waiting", "version", "promised_on", "fetched_at", "rejected_at", "lab_id", "issued_at",
    "group__name", "branch__name", "dispense__client__reference",
)  # fmt: skip


def _locked(lab: Lab, number: str, version: int | None) -> Order:
    order = (
        Order.objects.select_for_update(of=("self",))
        .select_related("group", "branch", "dispense__client")
        .only(*_NEEDED)
        .get(lab=lab, number=number)
    )
    if version is not None and version != order.version:
        raise Stale("The order has changed since it was read.")
    return order


def _refuse_if_cancelled(order: Order) -> None:
    if order.state == State.CANCELLED:
        raise OrderRefused("order-cancelled", "The practice has cancelled this order. Do not make it.")


def _refuse_if_arrived(order: Order) -> None:
    if order.state in AT_BRANCH:
        raise OrderRefused("order-further-on", f"The branch has the pair: this order is {order.get_state_display()}.")


def _write(order: Order, lab: Lab, kind: str, *, fields: Iterable[str], note: str = "", data: dict[str, Any]) -> OrderEvent:
    order.version += 1
    order.save(update_fields=[*fields, "version"])
    event = OrderEvent.objects.create(order=order, at=timezone.now(), kind=kind, by_lab=lab, note=note, data=data)
    audit.record(
        actor=None,
        actor_name=lab.name,
        action=f"order.{kind}",
        subject=f"order {order.number}",
        group=order.group,
        branch=order.branch,
        client=order.dispense.client,
        after={"state": order.state, **({"note": note} if note else {}), **data},
    )
    return event


@transaction.atomic
def acknowledge(*, lab: Lab, number: str, what: Acknowledged = "order", version: int | None = None) -> Order:
    """The lab has the order, or knows that it is cancelled.

    An order that was cancelled in between is not acknowledged by mistake: that needs `what="cancellation"`.
    """
    order = _locked(lab, number, version)
    if what == "cancellation":
        if order.state != State.CANCELLED:
            raise OrderRefused("order-not-cancelled", "This order is not cancelled.")
        if order.waiting:
            order.waiting = False
            _write(order, lab, "cancellation_seen", fields=["waiting"], data={})
        return order
    _refuse_if_cancelled(order)
    if order.state == State.ISSUED:
        order.state, order.waiting = State.ACKNOWLEDGED, False
        _write(order, lab, "acknowledged", fields=["state", "waiting"], data={})
    elif order.state == State.REJECTED and order.waiting:
        order.waiting = False
        _write(order, lab, "rejection_seen", fields=["waiting"], data={})
    return order


@transaction.atomic
def note_fetched(*, lab: Lab, keys: Iterable[int]) -> int:
    """The lab was handed these orders; what it was handed before is not noted again. The number that is noted.

    Not a change of the order: its version stays. Rows are locked in the order of their keys, as everywhere.
    """
    rows = list(
        Order.objects.select_for_update(of=("self",))
        .filter(lab=lab, pk__in=list(keys), fetched_at=None)
        .only("pk", "number")
        .order_by("pk")
    )
    if not rows:
        return 0
    now = timezone.now()
    Order.objects.filter(pk__in=[o.pk for o in rows]).update(fetched_at=now)
    OrderEvent.objects.bulk_create(
        [OrderEvent(order=o, at=now, kind="fetched", by_lab=lab, data={}) for o in rows], batch_size=500
    )
    audit.record(
        actor=None,
        actor_name=lab.name,
        action="order.fetched",
        subject=f"order {rows[0].number}" if len(rows) == 1 else f"{len(rows)} orders of lab {lab.code}",
        group=lab.group,
        after={"numbers": [o.number for o in rows]},
    )
    return len(rows)


@dataclass(frozen=True, slots=True)
class BatchLine:
    """What became of one number of a batch: "acknowledged", "already", "cancelled" or "not-found"."""

    number: str
    outcome: str


def _many_seen(lab: Lab, orders: list[Order], kind: str, now: datetime, **change: str) -> None:
    """One trace line each and one audit row for them all, by a lab that has seen them; nothing for none."""
    if not orders:
        return
    Order.objects.filter(pk__in=[o.pk for o in orders]).update(waiting=False, version=F("version") + 1, **change)
    OrderEvent.objects.bulk_create(
        [OrderEvent(order=o, at=now, kind=kind, by_lab=lab, data={}) for o in orders], batch_size=500
    )
    audit.record(
        actor=None,
        actor_name=lab.name,
        action=f"order.{kind}",
        subject=f"{len(orders)} orders of lab {lab.code}",
        group=lab.group,
        after={"numbers": [o.number for o in orders]},
    )


@transaction.atomic
def acknowledge_many(*, lab: Lab, numbers: Iterable[str]) -> list[BatchLine]:
    """Many orders at once, all in one transaction: each is acknowledged, or said to be already so, cancelled or not found.

    Rows are locked in the order of their keys, so that two batches that overlap cannot block each other for ever.
    Raises Invalid for more than BATCH numbers.
    """
    wanted = list(dict.fromkeys(numbers))
    if not wanted or len(wanted) > BATCH:
        raise Invalid({"numbers": f"Give 1 to {BATCH} order numbers."})
    if at_once.works():
        done = at_once.acknowledge_many(
            lab_id=lab.pk, name=lab.name, code=lab.code, group_id=lab.group_id, now=timezone.now(), numbers=wanted
        )
        return [BatchLine(n, done.get(n, "not-found")) for n in wanted]
    rows = {
        o.number: o
        for o in Order.objects.select_for_update(of=("self",))
        .filter(lab=lab, number__in=wanted)
        .only("pk", "number", "state", "waiting")
        .order_by("pk")
    }
    fresh = [o for o in rows.values() if o.state == State.ISSUED]
    now = timezone.now()
    _many_seen(lab, fresh, "acknowledged", now, state=State.ACKNOWLEDGED)
    back = [o for o in rows.values() if o.state == State.REJECTED and o.waiting]
    _many_seen(lab, back, "rejection_seen", now)  # as `acknowledge` does: else the lab would meet them in its list for ever
    taken = {o.number for o in (*fresh, *back)}

    def outcome(number: str) -> str:
        if number in taken:
            return "acknowledged"
        order = rows.get(number)
        if order is None:
            return "not-found"
        return "cancelled" if order.state == State.CANCELLED else "already"

    return [BatchLine(n, outcome(n)) for n in wanted]


@transaction.atomic
def report_progress(
    *, lab: Lab, number: str, state: str, tracking: str = "", note: str = "", version: int | None = None
) -> Order:
    """In work, or dispatched with its tracking number. An order moves forward only; news about the same step adds to the trace."""
    if state not in REPORTED:
        raise Invalid({"state": f"One of: {', '.join(REPORTED)}."})
    order = _locked(lab, number, version)
    _refuse_if_cancelled(order)
    if order.state == State.CANNOT_MAKE:
        raise OrderRefused("order-cannot-be-made", "The lab has said that it cannot make this order.")
    _refuse_if_arrived(order)
    # a rejected pair is made again under the same number: the way begins anew
    have = FORWARD.index(State.ACKNOWLEDGED if order.state == State.REJECTED else State(order.state))
    want = FORWARD.index(State(state))
    if want < have:
        raise OrderRefused("order-further-on", f"This order is already {order.get_state_display()}.")
    data = {"tracking": tracking} if tracking else {}
    if want == have:
        last = order.events.filter(kind=state).order_by("-at", "-id").first()
        if last is not None and (last.data, last.note) == (data, note):
            return order
    order.state, order.waiting = State(state), False
    _write(order, lab, state, fields=["state", "waiting"], note=note, data=data)
    return order


@transaction.atomic
def promise(*, lab: Lab, number: str, on: date, note: str = "", version: int | None = None) -> Order:
    """The day the lab means to dispatch. Raises Invalid for one that has passed everywhere, or is more than a year off: a slip."""
    today = timezone.now().date()
    if not today - timedelta(days=1) <= on <= today + timedelta(days=366):
        raise Invalid({"on": "This day has passed." if on < today else "This day is more than a year off."})
    order = _locked(lab, number, version)
    _refuse_if_cancelled(order)
    _refuse_if_arrived(order)
    if order.state in (State.DISPATCHED, State.CANNOT_MAKE):
        raise OrderRefused("order-further-on", f"This order is already {order.get_state_display()}.")
    if order.promised_on == on:
        return order
    before, order.promised_on = order.promised_on, on
    data = {"on": on.isoformat(), **({"before": before.isoformat()} if before else {})}
    _write(order, lab, "promised", fields=["promised_on"], note=note, data=data)
    return order


@transaction.atomic
def cannot_make(*, lab: Lab, number: str, reason: str, version: int | None = None) -> Order:
    """The lab gives the order back. The branch cancels it or sends it to another lab."""
    order = _locked(lab, number, version)
    _refuse_if_cancelled(order)
    if order.state == State.CANNOT_MAKE:
        return order
    _refuse_if_arrived(order)
    if order.state == State.DISPATCHED:
        raise OrderRefused("order-further-on", "This order is already dispatched.")
    order.state, order.waiting = State.CANNOT_MAKE, False
    _write(order, lab, "cannot_make", fields=["state", "waiting"], note=reason, data={})
    return order


@transaction.atomic
def ask(*, lab: Lab, number: str, text: str, field: str = "", version: int | None = None) -> Question:
    """A question to the branch. Asked twice with the same words while it is open, it is one question.

    `field`: a path in the document, to a value or to a part of it; Invalid ("field") for one that is not there.
    """
    order = _locked(lab, number, version)
    _refuse_if_cancelled(order)
    if field and not _in_document(order, field):
        raise Invalid({"field": "This order has no such value. Give a path such as lenses.right.ordered.axis, or none."})
    same = order.questions.filter(text=text, field=field, answered_at__isnull=True).first()
    if same is not None:
        return same
    question = Question.objects.create(order=order, text=text, field=field, asked_at=timezone.now())
    _write(
        order, lab, "question", fields=[], note=text, data={"question": question.pk, **({"field": field} if field else {})}
    )
    return question


def _in_document(order: Order, path: str) -> bool:
    text = Order.objects.values_list("document", flat=True).get(pk=order.pk)
    node: Any = json.loads(text)
    for step in path.replace("[", ".").replace("]", "").split("."):
        if isinstance(node, dict) and step in node:
            node = node[step]
        elif isinstance(node, list) and step.isascii() and step.isdecimal() and int(step[:9]) < len(node):
            node = node[int(step[:9])]
        else:
            return False
    return True


@transaction.atomic
def answer_question(*, actor: Staff, question: Question, text: str) -> Question:
    """Words from the branch. A changed value is never an answer: that is a new order which replaces this one."""
    order = (
        Order.objects.select_for_update(of=("self",))
        .select_related("group", "branch", "lab", "dispense__client")
        .get(pk=question.order_id)
    )
    row = Question.objects.select_for_update().get(pk=question.pk)
    access.require(actor, "order.replace", branch=order.branch, subject=order.dispense)
    if not text.strip():
        raise Invalid({"answer": "Write an answer."})
    if row.answered_at is not None:
        who = (
            "You have"
            if row.answered_by_id == actor.pk
            else f"{row.answered_by.display_name if row.answered_by else ''} has"
        )
        raise Refused(f"{who} answered this question already: “{row.answer}” The lab has that answer; yours was not sent.")
    now: datetime = timezone.now()
    row.answer, row.answered_at, row.answered_by = text.strip()[:400], now, actor
    row.save(update_fields=["answer", "answered_at", "answered_by"])
    order.feed_position = take_feed_position(order.lab)  # news: a lab that follows its feed meets the order again
    order.version += 1
    order.save(update_fields=["feed_position", "version"])
    OrderEvent.objects.create(
        order=order, at=now, kind="answered", by_staff=actor, note=row.answer, data={"question": row.pk}
    )
    announce(order, "answered", now)
    audit.record(
        actor=actor,
        action="order.answered",
        subject=f"order {order.number}",
        group=order.group,
        branch=order.branch,
        client=order.dispense.client,
        after={"question": row.text, "answer": row.answer},
    )
    return row
