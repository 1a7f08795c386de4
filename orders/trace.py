"""The way of one order in steps: what has happened when and by whom, and what is still to come."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from orders.models import Order, OrderEvent
from orders.outbox import AT_LAB

State = Order.State


@dataclass(frozen=True, slots=True)
class Step:
    label: str
    at: datetime | None  # the last time it happened; None: not yet
    by: str = ""
    detail: str = ""


def _who(event: OrderEvent) -> str:
    if event.by_staff is not None:
        return event.by_staff.display_name
    return event.by_lab.name if event.by_lab is not None else ""


STEPS = (
    ("Issued", ("issued",)),
    ("Fetched by the lab", ("fetched",)),
    ("Acknowledged", ("acknowledged",)),
    ("Promised", ("promised",)),
    ("In work", ("in_work",)),
    ("Dispatched", ("dispatched",)),
    ("Arrived", ("received",)),
    ("Checked", ("passed", "accepted")),
    ("Collected", ("collected",)),
)
AGAIN = {"In work", "Dispatched", "Arrived", "Checked"}  # after a rejection these are still to come
INSTEAD = (
    ("Cannot be made", ("cannot_make",), State.CANNOT_MAKE),
    ("Rejected to the lab", ("rejected",), State.REJECTED),
    ("Cancelled", ("cancelled",), State.CANCELLED),
)


def steps(order: Order, events: Iterable[OrderEvent]) -> list[Step]:
    """In the order of the way; what an order that has stopped does not reach any more is left out, and so is
    what it went by without (a day that was never promised)."""
    last = {e.kind: e for e in events}
    stopped = next(
        ((label, last[k]) for label, kinds, state in INSTEAD for k in kinds if order.state == state and k in last), None
    )
    found: list[Step] = []
    reached = -1
    for label, kinds in STEPS:
        event = next((last[k] for k in kinds if k in last), None)
        if event is not None:
            reached = len(found)
        if event is not None and order.state == State.REJECTED and label in AGAIN and event.at <= last["rejected"].at:
            event = None
        if event is None:
            if stopped is None or order.state == State.REJECTED:
                found.append(Step(label, None))
            continue
        detail = ""
        if event.data.get("tracking"):
            detail = f"tracking {event.data['tracking']}"
        elif event.kind == "promised" and order.promised_on:
            detail = f"for {_day(order.promised_on)}"
        found.append(Step(label, event.at, _who(event), detail))
    still = {"Promised"} if order.state in AT_LAB else set()
    still |= AGAIN if order.state == State.REJECTED else set()
    found = [step for i, step in enumerate(found) if step.at is not None or i > reached or step.label in still]
    if stopped is not None:
        label, event = stopped
        at = 1 + max((i for i, step in enumerate(found) if step.at is not None), default=-1)
        found.insert(at, Step(label, event.at, _who(event), event.note))
    return found


def _day(value: date) -> str:
    return f"{value:%-d %b %Y}"
