"""From the sheet to the lab: what would be sent, what speaks against it, and the button."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods

from dispensing import sign_off
from dispensing.assess import assess_dispense
from dispensing.drawings.pair import pair_picture
from dispensing.models import Dispense
from dispensing.web.sheet import present
from orders import issue
from orders.models import Order
from orders.renderers.geometry import geometry_of_document
from orders.renderers.summary import summary
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.web.fields import Field
from practice.web.seen import opened
from practice.words import number_in

NOT_YET = "–"  # stands where the number will be
NOT_AS_SIGNED = (
    "What would be sent is not what was signed: since then something in the catalogue, the branch’s rules or the program has changed. "
    "Let it be returned, put forward and signed again."
)


@require_http_methods(["GET", "HEAD", "POST"])
def issue_page(request: HttpRequest, reference: str) -> HttpResponse:
    dispense = get_object_or_404(
        access.scoped(Dispense.objects.select_related("client", "branch", "group", "dispenser"), request.user),
        reference=reference,
    )
    opened(request, dispense.client, f"dispense {dispense.reference}")
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        code, version = request.POST.get("lab", "")[:20].replace("\x00", ""), request.POST.get("version", "")
        lab = issue.labs_for(request.user).filter(code=code).first() if code else None  # type: ignore[arg-type]
        if lab is None:
            errors = {"lab": "Choose the lab."}
        else:
            try:
                order = issue.issue_order(
                    actor=request.user,  # type: ignore[arg-type]
                    dispense=dispense,
                    lab=lab,
                    version=number_in(version) or 0,
                )
            except Invalid as problem:
                errors = problem.errors
            except (Conflict, NotAllowed, Refused) as problem:
                trouble = problem.message
            else:
                messages.success(request, f"Order {order.number} is issued. {order.lab.name} has it in its list.")
                return redirect("orders:detail", order.number)
        dispense.refresh_from_db()
    else:
        there = issue.live_order(dispense)
        if there is not None:
            return redirect("orders:detail", there.number)
    return render(request, "orders/issue.html", _context(request, dispense, errors, trouble))


def _context(request: HttpRequest, dispense: Dispense, errors: dict[str, str], trouble: str) -> dict[str, Any]:
    found = assess_dispense(dispense)
    labs = list(issue.labs_for(request.user))  # type: ignore[arg-type]
    no = sign_off.why_not_issue(actor=request.user, dispense=dispense, found=found)  # type: ignore[arg-type]
    last = Order.objects.filter(dispense__client=dispense.client, lab__in=labs).order_by("-issued_at").first()
    chosen = request.POST.get("lab") or (labs[0].code if len(labs) == 1 else "")
    context: dict[str, Any] = {
        "dispense": dispense,
        "client": dispense.client,
        "findings": present.finding_views(found, False),
        "tally": found.tally,
        "no": "" if trouble == no else no,
        "trouble": trouble,
        "replaces": issue.order_to_replace(dispense),
        "lab_field": Field(
            name="lab",
            label="Lab",
            kind="select",
            value=chosen,
            choices=[("", "choose …"), *((each.code, each.name) for each in labs)],
            error=errors.get("lab", ""),
            required=True,
            help=f"The last order of this client went to {last.lab.name}." if last else "",
        ),
    }
    context["errors"] = [f for f in [context["lab_field"]] if f.error]
    if labs:
        by: dict[str, Any] = {
            "dispense": dispense,
            "lab": next((each for each in labs if each.code == chosen), labs[0]),
            "actor": request.user,
            "replaces": context["replaces"],
        }
        try:
            document = issue.document_for(**by, found=found, number=NOT_YET)
        except Refused as problem:
            context["no"] = context["no"] or problem.message
        else:
            other = issue.unlike_signed(**by, content=document)
            if other is not None and not context["no"]:
                context["no"] = NOT_AS_SIGNED if other.differences else "" if trouble == other.message else other.message
                context["unlike"] = other.differences
            context |= {
                "document": document,
                "summary": summary(document),
                "picture": pair_picture(geometry_of_document(document)),
            }
    else:
        context["no"] = context["no"] or "There is no active lab to send it to."
    return context


urlpatterns = [path("dispenses/<str:reference>/order/", issue_page, name="issue")]
