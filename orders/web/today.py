"""The start page: what waits for the person who has signed in, and what the labs are doing for their branch."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from dispensing import waiting
from orders import recheck, return_visit
from orders.lab_progress import AT_BRANCH
from orders.models import Order, ReturnVisit
from practice import access
from practice.models import Branch
from practice.web.fields import Field
from practice.web.shell import branch_of
from practice.words import how_long

UNANSWERED_AFTER = timedelta(hours=24)  # common practice: a lab says the same or the next working day that it has an order
ORDERS_SHOWN = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderRow:
    order: Order
    since: datetime
    promised_on: date | None
    late: bool
    questions: int
    visit: ReturnVisit | None = None  # the return visit that somebody has to come back to

    @property
    def waited(self) -> str:
        return how_long(timezone.now() - self.since)


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderList:
    title: str
    rows: list[OrderRow]
    total: int


def _orders(branch: Branch) -> list[OrderList]:
    """Orders of a branch by what has to be done about them; what has to be looked into first."""
    today, now = branch.today(), timezone.now()
    live = (
        Order.objects.filter(branch=branch)
        .defer("document")
        .select_related("dispense__client", "lab")
        .annotate(open_questions=Count("questions", filter=Q(questions__answered_at=None)))
        .order_by("issued_at")
    )
    state = Order.State
    # the states it is in, not those it is not: the first are looked up, the others would be read through, years of them
    open_orders = live.filter(
        state__in=[s for s in state.values if s not in (state.CANCELLED, state.DISPATCHED, *AT_BRANCH)]
    )
    recent = live.filter(issued_at__gte=now - timedelta(days=90))
    dispatched, arrived, passed = (recent.filter(state=s) for s in (state.DISPATCHED, state.RECEIVED, state.PASSED))

    def row(order: Any) -> OrderRow:
        done = (Order.State.DISPATCHED, *AT_BRANCH)
        late = (order.promised_on is not None and order.promised_on < today and order.state not in done) or (
            order.state == Order.State.ISSUED and now - order.issued_at > UNANSWERED_AFTER
        )
        return OrderRow(
            order=order, since=order.issued_at, promised_on=order.promised_on, late=late, questions=order.open_questions
        )

    rows = [row(o) for o in open_orders]
    visits = [
        OrderRow(order=v.order, since=v.at, promised_on=None, late=False, questions=0, visit=v)
        for v in return_visit.to_see_to(branch)
    ]
    asked = [r for r in rows if r.questions or r.order.state == Order.State.CANNOT_MAKE]
    rest = [r for r in rows if r not in asked]
    lists = [
        ("The lab asks, or cannot make it", asked),
        ("Late, or not acknowledged for a day", [r for r in rest if r.late]),
        ("Issued, not yet acknowledged", [r for r in rest if not r.late and r.order.state == Order.State.ISSUED]),
        ("Arrived, to be checked", [row(o) for o in arrived[:ORDERS_SHOWN]]),
        ("Checked, to be collected", [row(o) for o in passed[:ORDERS_SHOWN]]),
        ("Come back, not decided yet", [r for r in visits if r.visit and not r.visit.outcome]),
        ("Given time to adapt, to look at again", [r for r in visits if r.visit and r.visit.outcome]),
        ("At the lab", [r for r in rest if not r.late and r.order.state != Order.State.ISSUED]),
        ("Dispatched: on the way, or here", [row(o) for o in dispatched[:ORDERS_SHOWN]]),
    ]
    return [OrderList(title=t, rows=r[:ORDERS_SHOWN], total=len(r)) for t, r in lists if r]


@require_safe
def today(request: HttpRequest) -> HttpResponse:
    branch = branch_of(request)
    search = Field(
        name="q",
        label="Find a client: name, date of birth, telephone number or reference",
        kind="search",
        autocomplete="off",
    )
    context: dict[str, Any] = {"branch": branch, "search": search}
    if branch is not None:
        me: Any = request.user
        may_issue = access.may(me, "order.issue", branch=branch)
        lists: list[tuple[str, list[waiting.Waiting], str, dict[str, bool]]] = [
            ("Returned to you", waiting.returned_to(me), "dispensing:sheet", {"show_said": True}),
            ("To sign", waiting.to_sign(me, branch), "dispensing:sign_off", {"signing": True}),
            ("Signed, to be ordered", waiting.signed_at(me, branch) if may_issue else [], "orders:issue", {}),
            ("You are preparing", waiting.open_of(me), "dispensing:sheet", {}),
            ("Put forward by you", waiting.put_forward_by(me), "dispensing:sign_off", {}),
        ]
        context |= {
            "date": branch.today(),
            "lists": [
                {"title": title, "rows": [(w, reverse(name, args=[w.dispense.reference])) for w in rows], **more}
                for title, rows, name, more in lists
                if rows
            ],
            "orders": _orders(branch),
            "rechecked": recheck.news(branch),
            "may_add": access.may(me, "client.create", branch=branch),
        }
    return render(request, "orders/today.html", context)


urlpatterns = [path("", today, name="today")]
