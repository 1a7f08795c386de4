"""The finished pair arrives: find its order, type what the focimeter says, read the verdict, decide."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from dispensing.case import EYES
from dispensing.optics.tolerance import Feed
from orders import converters, receive  # noqa: F401  (converters registers order_number)
from orders.models import Order, ReceiptCheck
from orders.receipt import present
from orders.receipt.points import WORDS, points_for
from orders.receipt.tables import MUST_BE_CHECKED
from orders.receipt.typed import entries_for, understand
from orders.receipt.verdict import from_json, judge
from orders.renderers import receipt_report
from orders.renderers.summary import summary
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.web.fields import Field
from practice.web.seen import opened
from practice.web.shell import branch_of
from practice.words import number_in

State = Order.State
SHOWN = 40
PLACES = ("Centred for", "PD far", "PD near", "Height above the lower")  # of the summary: where the focimeter's stop goes


def visible_orders(request: HttpRequest) -> QuerySet[Order]:
    return access.scoped(Order.objects.select_related("lab", "branch", "group", "dispense__client"), request.user)


def order_of(request: HttpRequest, number: str) -> Order:
    """The order at this address, and on record that somebody opened a page about its client."""
    order = get_object_or_404(visible_orders(request), number=number)
    opened(request, order.dispense.client, f"order {order.number}")
    return order


# --- finding --------------------------------------------------------------------------------------------------------------


@require_safe
def arrivals(request: HttpRequest) -> HttpResponse:
    """Scan or type an order number; below, what has arrived and what is on its way."""
    typed = request.GET.get("number", "").strip().upper()[:40].replace("\x00", "")
    error = ""
    if typed:
        found = visible_orders(request).filter(number__iexact=typed).first()
        if found is not None:
            return redirect("orders:receive", found.number)
        error = "No order has this number. Scan again, or type it as it stands on the tray: letters, a stroke, six digits."
    branch = branch_of(request)
    here = visible_orders(request).defer("document").filter(branch=branch).order_by("issued_at", "pk")
    context: dict[str, Any] = {
        "branch": branch,
        "field": Field(
            name="number", label="Order number: scan the bar code of the order or the tray label, or type it", value=typed, error=error,
            autocomplete="off", kind="search",
        ),
        "lists": [
            ("Arrived, to be checked", here.filter(state=State.RECEIVED)[:SHOWN]),
            ("On the way, or here", here.filter(state=State.DISPATCHED)[:SHOWN]),
            ("Checked, to be collected", here.filter(state=State.PASSED)[:SHOWN]),
        ],
    }  # fmt: skip
    context["errors"] = [context["field"]] if error else []
    return render(request, "orders/arrivals.html", context)


# --- measuring ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One quantity: a field for each lens."""

    name: str
    label: str
    unit: str
    help: str
    right: Field
    left: Field

    @property
    def pair(self) -> tuple[Field, Field]:
        return self.right, self.left

    @property
    def errors(self) -> list[Field]:
        return [f for f in self.pair if f.error]


def _rows(
    document: Mapping[str, Any], typed: Mapping[str, str], errors: Mapping[str, str], echo: Mapping[str, str]
) -> list[Row]:
    rows = []
    for entry in entries_for(document):
        fields = [
            Field(
                name=f"{eye}.{entry.name}", label=f"{eye.capitalize()} {entry.label.lower()}",
                value=typed.get(f"{eye}.{entry.name}", ""), error=errors.get(f"{eye}.{entry.name}", ""),
                echo=_echo(typed.get(f"{eye}.{entry.name}", ""), echo.get(f"{eye}.{entry.name}", "")),
            )
            for eye in EYES
        ]  # fmt: skip
        rows.append(Row(entry.name, entry.label, entry.unit, entry.help, fields[0], fields[1]))
    return rows


def _echo(typed: str, understood: str) -> str:
    """How a figure was understood, where that is not how it was typed."""
    return "" if typed.strip() == understood else understood


def _typed(request: HttpRequest) -> dict[str, str]:
    return {k: str(v)[:60].replace("\x00", "") for k, v in request.POST.items() if k.startswith(("right.", "left."))}


def _feed(order: Order) -> Feed:
    return order.branch.prism_feed  # type: ignore[return-value]


@require_http_methods(["GET", "HEAD", "POST"])
def receive_page(request: HttpRequest, number: str) -> HttpResponse:
    """The form for one pair. A POST keeps the readings and shows the verdict on a page of its own."""
    order = order_of(request, number)
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        version = request.POST.get("version", "")
        try:
            check = receive.record_receipt(
                actor=request.user,  # type: ignore[arg-type]
                order=order,
                typed=_typed(request),
                points=request.POST.getlist("points"),
                remark=request.POST.get("remark", ""),
                version=number_in(version),
            )
        except Invalid as problem:
            errors = problem.errors
        except (Conflict, NotAllowed, Refused) as problem:
            trouble = problem.message
            order = order_of(request, number)
        else:
            return redirect("orders:verdict", number, check.pk)
    document = json.loads(order.document)
    typed = _typed(request) if request.method == "POST" else {}
    found = understand(document, typed)
    rows = _rows(document, typed, errors, found.echo)
    remark = Field(
        name="remark", label="Remark", value=request.POST.get("remark", "")[:500], error=errors.get("remark", ""),
        help="Frame damage, unequal tints, anything the lab or a colleague should know.",
    )  # fmt: skip
    statement = order.branch.impact_statement
    no = access.why_not(request.user, "receipt.record", branch=order.branch, subject=order.dispense)
    context = {
        "order": order,
        "document": document,
        "summary": (held := summary(document)),
        "places": [r for r in held.places if r.label.startswith(PLACES)],
        "rows": rows,
        "remark": remark,
        "points": points_for(document, statement=statement),
        "ticked": request.POST.getlist("points"),
        "statement": statement,
        "errors": [f for row in rows for f in row.errors] + ([remark] if remark.error else []),
        "trouble": trouble,
        "no": receive.why_no_receipt(order) or no or "",
        "earlier": order.receipts.select_related("by").order_by("-at"),
        "warning": MUST_BE_CHECKED,
        "preview": _preview(order, document, typed) if typed else None,
    }
    return render(request, "orders/receive.html", context)


def _preview(order: Order, document: Mapping[str, Any], typed: Mapping[str, str]) -> present.View:
    readings = understand(document, typed).readings
    return present.view(document, readings, judge(document, readings, feed=_feed(order)))


@require_POST
def receive_preview(request: HttpRequest, number: str) -> HttpResponse:
    """What the figures typed so far would say; nothing is kept."""
    order = order_of(request, number)
    document = json.loads(order.document)
    typed = _typed(request)
    found = understand(document, typed)
    context = {
        "view": _preview(order, document, typed),
        "problems": found.errors,
        "understood": _rows(document, typed, {}, found.echo),  # goes beside the fields
    }
    return render(request, "orders/_verdict.html", context)


# --- the verdict ----------------------------------------------------------------------------------------------------------


def _check(request: HttpRequest, number: str, pk: int) -> tuple[Order, ReceiptCheck]:
    order = order_of(request, number)
    return order, get_object_or_404(order.receipts.select_related("by", "decided_by"), pk=pk)


Deed = Callable[..., ReceiptCheck]
DEEDS: dict[str, tuple[Deed, str]] = {
    "pass": (receive.pass_pair, "Passed. The client can be called."),
    "accept": (receive.accept_outside, "Accepted with your reason. The client can be called."),
    "reject": (receive.reject_to_lab, "Rejected. The lab meets the order again with your reason."),
}


@require_http_methods(["GET", "HEAD", "POST"])
def verdict_page(request: HttpRequest, number: str, pk: int) -> HttpResponse:
    order, check = _check(request, number, pk)
    deed, errors, trouble = request.POST.get("deed", ""), dict[str, str](), ""
    if request.method == "POST":
        if deed not in DEEDS:
            trouble = "Choose what is to be done with the pair."
        else:
            do, said = DEEDS[deed]
            more: dict[str, Any] = (
                {"measured": request.POST.get("measured") == "1"}
                if deed == "pass"
                else {"reason": request.POST.get("reason", "")}
            )
            try:
                do(actor=request.user, check=check, **more)
            except Invalid as problem:
                errors = problem.errors
            except (Conflict, NotAllowed, Refused) as problem:
                trouble = problem.message
            else:
                messages.success(request, said)
                return redirect("orders:detail", number)
            order, check = _check(request, number, pk)
    document = json.loads(order.document)
    verdict = from_json(check.verdict)
    shown = points_for(document, statement=check.statement or order.branch.impact_statement)
    reasons = {
        name: Field(
            name="reason", ident=f"{name}-reason", label=label, required=True, autocomplete="off",
            value=request.POST.get("reason", "")[:500] if deed == name else "",
            error=errors.get("reason", "") if deed == name else "",
        )
        for name, label in (("reject", "Why it goes back: the lab reads this"), ("accept", "Why it is right to hand it over"))
    }  # fmt: skip
    measured = Field(
        name="measured", label="These are my own readings of this pair", kind="tick",
        value=request.POST.get("measured") == "1", error=errors.get("measured", ""),
    )  # fmt: skip
    open_here = not check.decision and order.state == State.RECEIVED and receive.newest_of(order) == check

    def may(action: str) -> bool:
        return access.may(request.user, action, branch=order.branch, subject=order.dispense)

    context = {
        "order": order,
        "check": check,
        "view": present.view(document, present.readings_of(document, check.typed), verdict),
        "verdict": verdict,
        "zone": order.branch.time_zone,
        "in_order": [p for p in shown if p.code in check.points],
        "not_in_order": [p for p in shown if p.code not in check.points],
        "open_here": open_here,
        "may_decide": open_here and may("receipt.decide"),
        "may_accept": open_here and may("receipt.accept_outside"),
        "why_not_accept": access.why_not(
            request.user, "receipt.accept_outside", branch=order.branch, subject=order.dispense
        ),
        "reasons": reasons,
        "measured": measured,
        "deed": deed,
        "errors": [f for f in [*reasons.values(), measured] if f.error],
        "trouble": trouble,
        "warning": MUST_BE_CHECKED,
    }
    return render(request, "orders/verdict.html", context)


@require_safe
def report(request: HttpRequest, number: str, pk: int) -> HttpResponse:
    """The verdict on paper, to go back to the lab with the pair or into the file."""
    order, check = _check(request, number, pk)
    document = json.loads(order.document)
    body = receipt_report.render(
        document,
        present.view(document, present.readings_of(document, check.typed), from_json(check.verdict)),
        receipt_report.About(
            standard=check.standard,
            at=check.at,
            by=check.by.display_name,
            decision=check.get_decision_display() if check.decision else "not decided yet",
            decided_by=check.decided_by.display_name if check.decided_by else "",
            reason=check.reason,
            remark=check.remark,
            statement=check.statement,
            in_order=tuple(WORDS[c] for c in check.points if c in WORDS),
        ),
    )
    headers = {"Content-Disposition": f'inline; filename="{number}-receipt.pdf"', "Cache-Control": "private, no-cache"}
    return HttpResponse(body, content_type="application/pdf", headers=headers)


def link_of(order: Order) -> str:
    """Where the work on an order goes on after it was issued."""
    newest = receive.newest_of(order) if order.state == State.RECEIVED else None
    if newest is not None:
        return reverse("orders:verdict", args=[order.number, newest.pk])
    return reverse("orders:receive", args=[order.number])


urlpatterns = [
    path("arrivals/", arrivals, name="arrivals"),
    path("orders/<order_number:number>/receipt/", receive_page, name="receive"),
    path("orders/<order_number:number>/receipt/preview/", receive_preview, name="receive_preview"),
    path("orders/<order_number:number>/receipt/<int:pk>/", verdict_page, name="verdict"),
    path("orders/<order_number:number>/receipt/<int:pk>.pdf", report, name="receipt_report"),
]
