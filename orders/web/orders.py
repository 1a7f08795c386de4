"""A branch's orders: what needs somebody, all of them, one of them with its trace; cancel, replace, answer the lab."""

from __future__ import annotations

import json
from typing import Any

from django.contrib import messages
from django.db.models import OuterRef, Q, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from dispensing.drawings.pair import pair_picture
from orders import (
    converters,  # noqa: F401  (registers order_number)
    issue,
    lab_progress,
    receive,
)
from orders.models import Lab, Order, OrderEvent, Question
from orders.renderers import pdf
from orders.renderers.geometry import geometry_of_document
from orders.renderers.summary import summary
from orders.renderers.tray_label import tray_label
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import Branch
from practice.web.fields import Field
from practice.web.seen import opened, readings_shown
from practice.web.shell import branch_of

PAGE = 50
State = Order.State


def visible_orders(request: HttpRequest) -> QuerySet[Order]:
    return access.scoped(Order.objects.all(), request.user)


# --- the list -------------------------------------------------------------------------------------------------------------


@require_safe
def order_list(request: HttpRequest) -> HttpResponse:
    """Newest first, fifty a page; what the lab waits for, cannot make or is late with stands above."""
    branches = list(access.visible_branches(request.user).order_by("name"))
    labs = list(access.scoped(Lab.objects.all(), request.user).order_by("name"))
    asked = request.GET
    branch = _branch(request, branches)
    q = asked.get("q", "").strip()[:40]
    state = asked.get("state", "")
    lab = next((each for each in labs if each.code == asked.get("lab")), None)

    found = visible_orders(request)
    if q:
        found = found.filter(Q(number__iexact=q) | Q(number__istartswith=q) | Q(dispense__reference__iexact=q))
    elif branch is not None:
        found = found.filter(branch=branch)
    if state in State.values:
        found = found.filter(state=state)
    if lab is not None:
        found = found.filter(lab=lab)
    open_question = Question.objects.filter(order=OuterRef("pk"), answered_at=None).order_by("asked_at").values("text")[:1]
    given_back = (
        OrderEvent.objects.filter(order=OuterRef("pk"), kind="cannot_make").order_by("-at", "-pk").values("note")[:1]
    )
    today = (branch or branches[0]).today() if branches else None
    wanting = (
        found.annotate(asked=Subquery(open_question), given_back=Subquery(given_back))
        .exclude(state__in=[State.CANCELLED, State.DISPATCHED, *lab_progress.AT_BRANCH])
        .filter(Q(asked__isnull=False) | Q(state=State.CANNOT_MAKE) | Q(promised_on__lt=today))
        .select_related("lab", "dispense__client", "branch")
        .order_by("issued_at", "pk")[:PAGE]
    )
    before = asked.get("before", "")
    rows = found.select_related("lab", "dispense__client", "branch").order_by("-issued_at", "-pk")
    if before.isascii() and before.isdecimal() and len(before) < 19:
        edge = visible_orders(request).filter(pk=int(before)).values("issued_at", "pk").first()
        if edge:
            rows = rows.filter(Q(issued_at__lt=edge["issued_at"]) | Q(issued_at=edge["issued_at"], pk__lt=edge["pk"]))
    shown = list(rows[: PAGE + 1])
    more = shown[PAGE - 1].pk if len(shown) > PAGE else None
    context = {
        "wanting": [(o, _wants(o, today)) for o in wanting] if not before else [],
        "rows": shown[:PAGE],
        "older": _link(asked, before=more) if more else "",
        "newest": _link(asked, before=None) if before else "",
        "filtered": bool(q or state or lab),
        "q": q,
        "today": today,
        "show_branch": branch is None or bool(q),
        "fields": [
            Field(name="q", label="Order number", value=q, kind="search", autocomplete="off"),
            Field(
                name="branch",
                label="Branch",
                kind="select",
                value=branch.pk if branch else "all",
                choices=[("all", "all branches"), *((b.pk, b.name) for b in branches)],
            ),
            Field(name="state", label="State", kind="select", value=state, choices=[("", "any"), *State.choices]),
            Field(
                name="lab",
                label="Lab",
                kind="select",
                value=lab.code if lab else "",
                choices=[("", "any"), *((each.code, each.name) for each in labs)],
            ),
        ],
    }
    return render(request, "orders/list.html", context)


def _branch(request: HttpRequest, branches: list[Branch]) -> Branch | None:
    """The branch asked for; without one, where this person works now."""
    asked = request.GET.get("branch")
    if asked is None:
        return branch_of(request)
    return next((b for b in branches if str(b.pk) == asked), None)


def _wants(order: Order, today: Any) -> str:
    if order.asked:  # type: ignore[attr-defined]
        return f"The lab asks: {order.asked}"  # type: ignore[attr-defined]
    if order.state == State.CANNOT_MAKE:
        return f"The lab cannot make it: {order.given_back or 'no reason given'}"  # type: ignore[attr-defined]
    late = (today - order.promised_on).days if order.promised_on else 0
    return f"{late} day{'s' * (late != 1)} past the day the lab promised."


def _link(asked: QueryDict, **changes: Any) -> str:
    query = asked.copy()
    for name, value in changes.items():
        query.pop(name, None)
        if value is not None:
            query[name] = str(value)
    return "?" + query.urlencode()


# --- one order ------------------------------------------------------------------------------------------------------------


def _order(request: HttpRequest, number: str) -> Order:
    return get_object_or_404(
        visible_orders(request).select_related(
            "lab", "branch", "group", "dispense__client", "dispense__branch", "issued_by", "replaces", "replaced_by"
        ),
        number=number,
    )


@require_safe
def detail(request: HttpRequest, number: str) -> HttpResponse:
    order = _order(request, number)
    opened(request, order.dispense.client, f"order {number}")
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
            value=typed("replace", "reason"),
            error=wrong("replace", "reason"),
            required=True,
            autocomplete="off",
        ),
        "lab": Field(
            name="lab",
            ident="replace-lab",
            label="Lab for the new order",
            kind="select",
            value=typed("replace", "lab") or order.lab.code,
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
        "events": order.events.select_related("by_lab", "by_staff"),
        "questions": questions,
        "zone": order.branch.time_zone,
        "late": order.promised_on is not None
        and order.promised_on < order.branch.today()
        and order.state in (State.ISSUED, State.ACKNOWLEDGED, State.IN_WORK),
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


@require_safe
def order_pdf(request: HttpRequest, number: str) -> HttpResponse:
    """The sheet for the lab, as it was issued; one that is cancelled says so."""
    order = _order(request, number)
    cancelled = None
    if order.state == State.CANCELLED and order.cancelled_at:
        later = getattr(order, "replaced_by", None)
        cancelled = pdf.Cancellation(
            at=order.cancelled_at.strftime("%Y-%m-%dT%H:%M:%SZ"),
            reason=order.cancel_reason,
            replaced_by=later.number if later else "",
        )
    body = pdf.render(json.loads(order.document), digest=order.document_sha256, cancelled=cancelled)
    headers = {"Content-Disposition": f'inline; filename="{order.number}.pdf"', "Cache-Control": "private, no-cache"}
    return HttpResponse(body, content_type="application/pdf", headers=headers)


@require_safe
def tray(request: HttpRequest, number: str) -> HttpResponse:
    """A label for the tray the pair travels in: number to scan and both powers, no name."""
    order = _order(request, number)
    headers = {"Content-Disposition": f'inline; filename="{order.number}-tray.pdf"', "Cache-Control": "private, no-cache"}
    body = tray_label(json.loads(order.document), cancelled=order.state == State.CANCELLED)
    return HttpResponse(body, content_type="application/pdf", headers=headers)


def _version(request: HttpRequest) -> int | None:
    given = request.POST.get("version", "")
    return int(given) if given.isascii() and given.isdecimal() and len(given) < 10 else None


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
    path("orders/", order_list, name="list"),
    path("orders/<order_number:number>/", detail, name="detail"),
    path("orders/<order_number:number>.pdf", order_pdf, name="pdf"),
    path("orders/<order_number:number>/tray-label.pdf", tray, name="tray_label"),
    path("orders/<order_number:number>/cancel/", cancel, name="cancel"),
    path("orders/<order_number:number>/replace/", replace, name="replace"),
    path("orders/<order_number:number>/questions/<int:pk>/", answer, name="answer"),
]
