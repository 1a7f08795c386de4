"""A client comes back: what they say, what is measured now, what could explain it, and what is done."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods

from dispensing.case import EYES, SEGMENTED
from orders import return_visit
from orders.models import Order, ReturnVisit
from orders.return_words import lists_of
from orders.returns.pictures import size_bar
from orders.returns.side_by_side import SideBySide, side_by_side
from orders.returns.typed import FACE_FIELDS, LENS_FIELDS, OLD, OLD_FIELDS, OLD_VERTEX, PATHS, Measured, understand
from orders.returns.words import LOOK_AT
from orders.web.receive import order_of
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.web.fields import Field

SEGMENT_HEIGHT = "Where the segment top belongs now, above the lower box tangent"


def _typed(request: HttpRequest) -> dict[str, str]:
    return {n: request.POST.get(n, "")[:60].replace("\x00", "") for n in PATHS}


def _comparison(order: Order, document: dict[str, Any], found: Measured | None = None) -> SideBySide:
    before = (found.before if found else None) or return_visit.pair_before(order)
    return side_by_side(document, return_visit.receipt_readings(order, document), found.now if found else None, before)


@require_http_methods(["GET", "HEAD", "POST"])
def visit_form(request: HttpRequest, number: str) -> HttpResponse:
    order = order_of(request, number)
    errors: dict[str, str] = {}
    trouble = ""
    typed = _typed(request)
    if request.method == "POST":
        try:
            visit = return_visit.record_visit(
                actor=request.user,  # type: ignore[arg-type]
                order=order,
                complaints=request.POST.getlist("complaints"),
                said=request.POST.get("words", ""),
                typed=typed,
            )
        except Invalid as problem:
            errors = problem.errors
        except (Conflict, NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            return redirect("orders:visit", number, visit.pk)
    document = json.loads(order.document)
    worn = document["as_worn"]
    segmented = document["lens"]["design"]["family"] in SEGMENTED
    lens_fields = [(n, SEGMENT_HEIGHT if n == "height" and segmented else label, unit) for n, label, unit in LENS_FIELDS]
    rows = [
        (
            label, unit,
            [
                Field(name=f"{eye}.{name}", label=f"{eye.capitalize()} {label[0].lower()}{label[1:]}", value=typed[f"{eye}.{name}"],
                      error=errors.get(f"{eye}.{name}", ""))
                for eye in EYES
            ],
        )
        for name, label, unit in lens_fields
    ]  # fmt: skip
    old = [
        (
            entry.label, entry.unit,
            [
                Field(name=f"{OLD}{eye}.{entry.name}", label=f"Pair before, {eye} {entry.label.lower()}", value=typed[f"{OLD}{eye}.{entry.name}"],
                      error=errors.get(f"{OLD}{eye}.{entry.name}", ""))
                for eye in EYES
            ],
        )
        for entry in OLD_FIELDS
    ]  # fmt: skip
    old_vertex = Field(
        name=OLD_VERTEX, label="Vertex distance of the pair before", unit="mm", kind="figure", value=typed[OLD_VERTEX],
        error=errors.get(OLD_VERTEX, ""), autocomplete="off",
    )  # fmt: skip
    ordered_as = {"vertex": worn["vertex_distance"], "pantoscopic": worn["pantoscopic"], "face_form": worn["face_form"]}
    face = [
        Field(name=name, label=label, unit=unit, kind="figure", value=typed[name], error=errors.get(name, ""), autocomplete="off",
              help=f"Ordered for {float(ordered_as[name]):g}{'' if unit == '°' else ' '}{unit}." if ordered_as[name] else "Not stated in the order.")
        for name, label, unit in FACE_FIELDS
    ]  # fmt: skip
    said = Field(
        name="words", label="In their words", value=request.POST.get("words", "")[:500], error=errors.get("words", "")
    )
    complaints = Field(name="complaints", label="What the client says", error=errors.get("complaints", ""))
    no = access.why_not(request.user, "return.record", branch=order.branch, subject=order.dispense) or (
        ""
        if order.state == Order.State.COLLECTED
        else f"This order is {order.get_state_display()}: nothing to come back with yet."
    )
    context = {
        "order": order,
        "rows": rows,
        "face": face,
        "old": old,
        "old_vertex": old_vertex,
        "old_open": any(v for k, v in typed.items() if k.startswith(OLD)),
        "old_known": return_visit.pair_before(order) is not None,
        "said": said,
        "complaints": complaints,
        "choices": lists_of(order.group_id).choices("complaint"),
        "ticked": request.POST.getlist("complaints"),
        "comparison": _comparison(order, document),
        "visits": order.returns.select_related("by").order_by("-at"),
        "no": no,
        "errors": [f for f in [complaints, said, *(f for r in (*rows, *old) for f in r[2]), *face, old_vertex] if f.error],
        "trouble": trouble,
        "zone": order.branch.time_zone,
    }
    return render(request, "orders/return_form.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def visit_page(request: HttpRequest, number: str, pk: int) -> HttpResponse:
    """What could explain it, largest first; below, the decision."""
    order = order_of(request, number)
    visit = get_object_or_404(order.returns.select_related("by", "decided_by"), pk=pk)
    lists = lists_of(order.group_id)
    errors: dict[str, str] = {}
    trouble = ""
    post = request.POST
    if request.method == "POST":
        text = post.get("look_again_on", "")[:40]
        try:
            day = date.fromisoformat(text) if text else None
        except ValueError:
            day = None
            errors["look_again_on"] = "Write the day like 2026-12-09."
        if not errors:
            try:
                visit = return_visit.decide_visit(
                    actor=request.user,  # type: ignore[arg-type]
                    visit=visit,
                    outcome=post.get("outcome", "")[:30],
                    cause=post.get("cause", "")[:30],
                    bears=post.get("bears", "")[:10],
                    note=post.get("note", ""),
                    look_again_on=day,
                )
            except Invalid as problem:
                errors = problem.errors
            except (Conflict, NotAllowed, Refused) as problem:
                trouble = problem.message
            else:
                if visit.outcome == ReturnVisit.Outcome.REMAKE:
                    messages.success(request, "The dispense is open again: measure what has to change, then order it anew.")
                    return redirect("dispensing:sheet", order.dispense.reference)
                messages.success(request, "Decided.")
                return redirect("orders:visit", number, pk)
        visit = get_object_or_404(order.returns.select_related("by", "decided_by"), pk=pk)

    def choose(name: str, label: str, choices: list[tuple[str, str]], help: str = "") -> Field:
        return Field(
            name=name, label=label, kind="select", value=post.get(name, ""), choices=[("", "choose …"), *choices],
            error=errors.get(name, ""), help=help,
        )  # fmt: skip

    fields = {
        "outcome": choose("outcome", "What is done", lists.choices("outcome")),
        "cause": choose("cause", "Cause", lists.choices("cause")),
        "bears": choose("bears", "Who bears the cost", [(v, w) for v, w in ReturnVisit.Bears.choices if v], "Needed when it is made again."),
        "look_again_on": Field(
            name="look_again_on", label="Look again on", value=post.get("look_again_on", "")[:40], error=errors.get("look_again_on", ""),
            help="Needed for time to adapt. Year, month, day: 2026-12-09.", autocomplete="off",
        ),
        "note": Field(name="note", label="Note", value=post.get("note", "")[:500], error=errors.get("note", ""),
                      help="Why it is made again (the lab reads this) or what the prescriber is asked."),
    }  # fmt: skip
    rows = [
        {**c, "said": [lists.said("complaint", k) for k in c["explains"]],
         "bar": size_bar(c["ratio"], c["title"]), "shown": f"{c['size']:.2f} {c['unit']}", "limit": f"{c['noticed']:g} {c['unit']}"}
        for c in visit.explained
    ]  # fmt: skip
    context = {
        "order": order,
        "visit": visit,
        "client_says": [lists.said("complaint", c) for c in visit.complaints],
        "look_at": [
            (lists.said("complaint", c), LOOK_AT[meant])
            for c in visit.complaints
            if (meant := lists.like["complaint"].get(c) or c) in LOOK_AT
        ],
        "cause": lists.said("cause", visit.cause),
        "done": lists.said("outcome", visit.outcome_word or visit.outcome),
        "large": [r for r in rows if r["ratio"] >= 1],
        "small": [r for r in rows if r["ratio"] < 1],
        "comparison": _comparison(order, json.loads(order.document), understand(visit.typed)),
        "fields": fields,
        "errors": [f for f in fields.values() if f.error],
        "trouble": trouble,
        "may_decide": not visit.outcome
        and order.state in (Order.State.COLLECTED, Order.State.RETURNED)
        and access.may(request.user, "return.decide", branch=order.branch, subject=order.dispense),
        "zone": order.branch.time_zone,
    }
    return render(request, "orders/return_visit.html", context)


urlpatterns = [
    path("orders/<order_number:number>/return/", visit_form, name="return_visit"),
    path("orders/<order_number:number>/return/<int:pk>/", visit_page, name="visit"),
]
