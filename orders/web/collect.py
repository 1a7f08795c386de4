"""The handover: fit on the face, what is seen, what is said; and the sheet that the client takes home."""

from __future__ import annotations

import json
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_safe

from dispensing.assess import restricted
from orders import collect
from orders.handover.gather import person_of
from orders.handover.points import FIT, FIT_WORDS, MARKS, advice_for, cautions_for
from orders.models import Collection, Order
from orders.renderers import handover_sheet
from orders.renderers.summary import summary
from orders.web.receive import order_of
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.web.fields import Field
from practice.words import number_in

ACUITY = (("right", "Right eye"), ("left", "Left eye"), ("both", "Both eyes"), ("near", "Near, both"))


def _collection(order: Order) -> Collection | None:
    return Collection.objects.select_related("by").filter(order=order).first()


@require_http_methods(["GET", "HEAD", "POST"])
def collect_page(request: HttpRequest, number: str) -> HttpResponse:
    order = order_of(request, number)
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        version = request.POST.get("version", "")
        try:
            collect.record_collection(
                actor=request.user,  # type: ignore[arg-type]
                order=order,
                fit_points=request.POST.getlist("fit"),
                marks=request.POST.get("marks", "")[:12],
                acuity={place: request.POST.get(f"acuity.{place}", "")[:40] for place, _ in ACUITY},
                advice=request.POST.getlist("advice"),
                cautions=request.POST.getlist("cautions"),
                remark=request.POST.get("remark", ""),
                version=number_in(version),
            )
        except Invalid as problem:
            errors = problem.errors
        except (Conflict, NotAllowed, Refused) as problem:
            trouble = problem.message
            order = order_of(request, number)
        else:
            messages.success(request, "Handed over. Print the sheet for the client.")
            return redirect("orders:collect", number)
    done = _collection(order)
    document, person = json.loads(order.document), person_of(order)
    why = restricted(order.dispense)
    typed = request.POST
    fields: dict[str, Any] = {
        f"acuity.{place}": Field(
            name=f"acuity.{place}", label=label, value=typed.get(f"acuity.{place}", "")[:40], autocomplete="off",
            error=errors.get(f"acuity.{place}", ""),
        )
        for place, label in ACUITY
    }  # fmt: skip
    fields["marks"] = Field(
        name="marks", label="Fitting marks", kind="select", value=typed.get("marks", ""),
        choices=[("", "choose …"), *MARKS], error=errors.get("marks", ""),
    )  # fmt: skip
    fields["remark"] = Field(
        name="remark", label="Remark", value=typed.get("remark", "")[:500], error=errors.get("remark", "")
    )
    groups = [Field(name="fit", label="Fit on the face", error=errors.get("fit", "")),
              Field(name="cautions", label="Cautions", error=errors.get("cautions", ""))]  # fmt: skip
    no = None if done else access.why_not(
        request.user, "collection.record", branch=order.branch, subject=order.dispense, restricted=why
    )  # fmt: skip
    if not done and not no and order.state != Order.State.PASSED:
        no = f"This order is {order.get_state_display()}: only a pair that was passed is handed over."
    context = {
        "order": order,
        "done": done,
        "summary": summary(document),
        "why": why,
        "no": no or "",
        "fit": FIT,
        "advice": advice_for(document, person),
        "cautions": cautions_for(document, person),
        "ticked": {
            "fit": typed.getlist("fit") if typed else [],
            "advice": typed.getlist("advice") if typed else [],
            "cautions": typed.getlist("cautions") if typed else [],
        },
        "fields": fields,
        "acuity_fields": [fields[f"acuity.{place}"] for place, _ in ACUITY],
        "group_errors": {g.name: g for g in groups},
        "errors": [f for f in [*groups, *fields.values()] if f.error],
        "trouble": trouble,
        "zone": order.branch.time_zone,
        "earlier_accepted": order.receipts.filter(decision="accepted").order_by("-at").first(),
    }
    if done:
        words = {a.code: a.text for a in (*advice_for(document, person), *cautions_for(document, person))}
        labels = dict(ACUITY)
        context |= {
            "done_fit": [FIT_WORDS[c] for c in done.fit_points if c in FIT_WORDS],
            "done_marks": dict(MARKS).get(done.marks_rechecked, ""),
            "done_said": [words.get(c, c) for c in done.advice],
            "done_cautions": [words.get(c, c) for c in done.cautions],
            "done_acuity": [(labels.get(k, k), v) for k, v in done.acuity.items()],
        }
    return render(request, "orders/collect.html", context)


@require_safe
def sheet(request: HttpRequest, number: str) -> HttpResponse:
    """The client's sheet as PDF; ?large=1 sets it in large type."""
    order = order_of(request, number)
    document, person = json.loads(order.document), person_of(order)
    if order.state not in (Order.State.PASSED, Order.State.COLLECTED, Order.State.RETURNED):
        raise Http404
    done = _collection(order)
    said = [*advice_for(document, person), *cautions_for(document, person)]
    if done:
        said = [s for s in said if s.group == "caution" or s.code in done.advice or s.code == "settling_in"]
    body = handover_sheet.render(
        document, tuple(said), client=order.dispense.client.full_name,
        on=(done.at if done else order.issued_at), by=done.by.display_name if done else "",
        large=request.GET.get("large") == "1",
    )  # fmt: skip
    headers = {"Content-Disposition": f'inline; filename="{number}-handover.pdf"', "Cache-Control": "private, no-cache"}
    return HttpResponse(body, content_type="application/pdf", headers=headers)


urlpatterns = [
    path("orders/<order_number:number>/collection/", collect_page, name="collect"),
    path("orders/<order_number:number>/handover.pdf", sheet, name="handover"),
]
