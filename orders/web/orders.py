"""One order with its trace; cancel, replace, answer the lab."""

from __future__ import annotations

import hashlib
import json

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from dispensing.drawings.pair import pair_picture
from orders import (
    converters,  # noqa: F401  (registers order_number)
    issue,
    lab_progress,
    outbox,
    printing,
    receive,
    reissue,
    trace,
)
from orders.models import Order
from orders.renderers.geometry import geometry_of_document
from orders.renderers.summary import summary
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.web.fields import Field
from practice.web.seen import opened, readings_shown
from practice.words import number_in

State = Order.State


def visible_orders(request: HttpRequest) -> QuerySet[Order]:
    return access.scoped(Order.objects.all(), request.user)


# --- one order ------------------------------------------------------------------------------------------------------------


def _order(request: HttpRequest, number: str) -> Order:
    """The order at this address, and on record that somebody opened a page about its client."""
    order = get_object_or_404(
        # not what it replaces: each table more that is joined doubles the planner's work, here to several times the reading
        visible_orders(request).select_related("lab", "branch", "dispense__client", "issued_by"),
        number=number,
    )
    opened(request, order.dispense.client, f"order {order.number}")
    return order


@require_safe
def detail(request: HttpRequest, number: str) -> HttpResponse:
    order = _order(request, number)
    readings_shown(request, order.dispense.reference)
    return _page(request, order)


def _page(
    request: HttpRequest, order: Order, *, deed: str = "", errors: dict[str, str] | None = None, trouble: str = ""
) -> HttpResponse:
    """The order's page; `deed` is the form that went wrong: what was typed in it stands there again."""
    errors = errors or {}
    document = json.loads(order.document)

    def typed(form: str, name: str) -> str:
        return request.POST.get(name, "") if deed == form else ""

    def wrong(form: str, name: str) -> str:
        return errors.get(name, "") if deed == form else ""

    labs = list(issue.labs_for(request.user))  # type: ignore[arg-type]
    back = order.state == State.CANNOT_MAKE
    events = list(order.events.select_related("by_lab", "by_staff"))
    why = next((e.note for e in reversed(events) if e.kind == "cannot_make"), "") if back else ""
    other = next((each for each in labs if each.pk != order.lab_id), None) if back else None
    fields = {
        "cancel": Field(
            name="reason",
            ident="cancel-reason",
            label="Why it is cancelled: the lab reads this",
            value=typed("cancel", "reason"),
            error=wrong("cancel", "reason"),
            required=True,
            autocomplete="off",
        ),
        "replace": Field(
            name="reason",
            ident="replace-reason",
            label="Why it is replaced: both labs read this",
            value=typed("replace", "reason")
            or f"{order.lab.name} cannot make it. {why}".strip()[: issue.LONGEST_REASON] * back,
            error=wrong("replace", "reason"),
            required=True,
            autocomplete="off",
        ),
        "lab": Field(
            name="lab",
            ident="replace-lab",
            label="Lab for the new order",
            kind="select",
            value=typed("replace", "lab") or (other or order.lab).code,
            choices=[(each.code, each.name) for each in labs],
            error=wrong("replace", "lab"),
        ),
    }
    questions = [
        (
            q,
            Field(
                name="answer",
                ident=f"answer-{q.pk}",
                label="Answer",
                value=typed(f"answer {q.pk}", "answer"),
                error=wrong(f"answer {q.pk}", "answer"),
                required=True,
                autocomplete="off",
                help="Words only. If a value has to change, cancel this order and send a new one.",
            ),
        )
        for q in order.questions.select_related("answered_by")
    ]

    def may(action: str) -> bool:
        return access.may(request.user, action, branch=order.branch, subject=order.dispense)

    no_lab = "" if labs else "There is no active lab to send it to."
    context = {
        "order": order,
        "client": order.dispense.client,
        "document": document,
        "summary": summary(document),
        "picture": pair_picture(geometry_of_document(document)),
        "events": events,
        "steps": trace.steps(order, events),
        "family": _family(order),
        "questions": questions,
        "asked": any(q.answered_at is None for q, _ in questions),
        "zone": order.branch.time_zone,
        "late": outbox.standards([order.branch], [order.lab]).why(order),
        "back": why,
        "again": reissue.look_again(actor=request.user, order=order, lab=other)  # type: ignore[arg-type]
        if back and other and may("order.replace")
        else None,
        "other_lab": other,
        "may_cancel": order.state in issue.CANCELLABLE and may("order.cancel"),
        "may_replace": order.state in issue.CANCELLABLE and may("order.replace") and not no_lab,
        "may_answer": may("order.replace"),
        "may_receive": order.state in receive.MAY_ARRIVE,
        "checks": order.receipts.select_related("by").order_by("-at", "-pk"),
        "visits": order.returns.select_related("by").order_by("-at", "-pk"),
        "may_issue_again": order.state in issue.OVER
        and not hasattr(order, "replaced_by")
        and issue.live_order(order.dispense) is None
        and may("order.issue"),
        "fields": fields,
        "deed": deed,
        "trouble": trouble,
        "errors": [f for f in [*fields.values(), *(f for _, f in questions)] if f.error],
    }
    return render(request, "orders/detail.html", context)


def _family(order: Order) -> list[Order]:
    """The orders that stand in for each other, oldest first; empty when this one is alone."""
    rows, first = [order], order
    while first.replaces is not None and len(rows) < 20:
        first = first.replaces
        rows.insert(0, first)
    last = order
    while (later := getattr(last, "replaced_by", None)) is not None and len(rows) < 20:
        last = later
        rows.append(last)
    return rows if len(rows) > 1 else []


@require_safe
def order_pdf(request: HttpRequest, number: str) -> HttpResponse:
    """The sheet for the lab, as it was issued; one that is cancelled says so."""
    return _paper(request, _order(request, number), "sheets", f"{number}.pdf")


@require_safe
def tray(request: HttpRequest, number: str) -> HttpResponse:
    """A label for the tray the pair travels in: number to scan and both powers, no name."""
    return _paper(request, _order(request, number), "labels", f"{number}-tray.pdf")


def _paper(request: HttpRequest, order: Order, what: printing.What, name: str) -> HttpResponse:
    """The PDF. Opened, it is on record as printed; a browser that has it already is told so, and that is no second paper."""
    held = hashlib.sha256(order.document.encode()).hexdigest()[
        :24
    ]  # an erased client's document has another text, not another digest
    tag = f'"{held}-{order.version}-{what}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if tag in {t.strip().removeprefix("W/") for t in request.headers.get("If-None-Match", "").split(",")}:
        return HttpResponse(status=304, headers=headers)
    headers["Content-Disposition"] = f'inline; filename="{name}"'
    if request.method == "HEAD":
        return HttpResponse(content_type="application/pdf", headers=headers)
    body = printing.print_one(actor=request.user, order=order, what=what)  # type: ignore[arg-type]
    return HttpResponse(body, content_type="application/pdf", headers=headers)


def _version(request: HttpRequest) -> int | None:
    return number_in(request.POST.get("version", ""))


@require_POST
def cancel(request: HttpRequest, number: str) -> HttpResponse:
    order = _order(request, number)
    try:
        issue.cancel_order(
            actor=request.user,  # type: ignore[arg-type]
            order=order,
            reason=request.POST.get("reason", ""),
            version=_version(request),
        )
    except Invalid as problem:
        return _page(request, order, deed="cancel", errors=problem.errors)
    except (Conflict, NotAllowed, Refused) as problem:
        return _page(request, _order(request, number), deed="cancel", trouble=problem.message)
    messages.success(request, f"Order {number} is cancelled. {order.lab.name} is told. The dispense can be changed again.")
    return redirect("orders:detail", number)


@require_POST
def replace(request: HttpRequest, number: str) -> HttpResponse:
    order = _order(request, number)
    lab = issue.labs_for(request.user).filter(code=request.POST.get("lab", "")[:20].replace("\x00", "")).first()  # type: ignore[arg-type]
    if lab is None:
        return _page(request, order, deed="replace", errors={"lab": "Choose one of your labs."})
    try:
        new = issue.replace_order(
            actor=request.user,  # type: ignore[arg-type]
            order=order,
            lab=lab,
            reason=request.POST.get("reason", ""),
            version=_version(request),
        )
    except Invalid as problem:
        return _page(request, order, deed="replace", errors=problem.errors)
    except (Conflict, NotAllowed, Refused) as problem:
        return _page(request, _order(request, number), deed="replace", trouble=problem.message)
    messages.success(request, f"Order {number} is cancelled; {new.number} at {new.lab.name} stands in for it.")
    return redirect("orders:detail", new.number)


@require_POST
def answer(request: HttpRequest, number: str, pk: int) -> HttpResponse:
    order = _order(request, number)
    question = get_object_or_404(order.questions, pk=pk)
    deed = f"answer {pk}"
    try:
        lab_progress.answer_question(
            actor=request.user,  # type: ignore[arg-type]
            question=question,
            text=request.POST.get("answer", ""),
        )
    except Invalid as problem:
        return _page(request, order, deed=deed, errors=problem.errors)
    except (Conflict, NotAllowed, Refused) as problem:
        return _page(request, _order(request, number), deed=deed, trouble=problem.message)
    messages.success(request, "Answered. The lab reads it with its next request.")
    return redirect(reverse("orders:detail", args=[number]) + "#questions")


urlpatterns = [
    path("orders/<order_number:number>/", detail, name="detail"),
    path("orders/<order_number:number>.pdf", order_pdf, name="pdf"),
    path("orders/<order_number:number>/tray-label.pdf", tray, name="tray_label"),
    path("orders/<order_number:number>/cancel/", cancel, name="cancel"),
    path("orders/<order_number:number>/replace/", replace, name="replace"),
    path("orders/<order_number:number>/questions/<int:pk>/", answer, name="answer"),
]
