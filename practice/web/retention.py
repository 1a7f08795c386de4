"""The retention report: who is due by branch, as a page and as CSV, and forgetting several at once after a look at what goes."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_safe

from practice import access
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import Branch, Client, Staff
from practice.privacy.erase import MOST_AT_ONCE, erase_due, what_goes, why_not_erase
from practice.privacy.retention import Report, report
from practice.reports import reads_reports
from practice.tables import csv_answer, harmless
from practice.web import proving
from practice.web.fields import Field, with_errors


def _branches(request: HttpRequest) -> list[Branch]:
    found = access.branches_where(request.user, "retention.read")
    if not found:
        raise PermissionDenied
    return found


def _reports(request: HttpRequest) -> list[Report]:
    assert isinstance(request.user, Staff)
    assert request.user.group is not None
    return report(request.user.group, _branches(request))


@require_http_methods(["GET", "HEAD", "POST"])
@reads_reports
def retention_page(request: HttpRequest) -> HttpResponse:
    """Choosing shows what would go; only the second button, with a reason, does it."""
    branches = {str(b.pk): b for b in _branches(request)}
    branch = branches.get(request.POST.get("branch", ""))
    chosen = request.POST.getlist("client")[: MOST_AT_ONCE + 1]
    deed, errors, trouble = request.POST.get("deed", ""), dict[str, str](), ""
    if request.method == "POST":
        if branch is None:
            trouble = "Choose a branch that you manage."
        elif deed == "erase":
            try:
                proving.ask(request)
                count = erase_due(
                    actor=request.user,  # type: ignore[arg-type]
                    branch=branch,
                    references=chosen,
                    reason=request.POST.get("reason", "")[:2000],
                )
            except Invalid as problem:
                errors = problem.errors
            except (NotAllowed, Refused) as problem:
                trouble = problem.message
            else:
                messages.success(
                    request, f"{count} client{'s' * (count != 1)} erased. What was made remains, and is nobody's."
                )
                return redirect("practice:retention")
        elif not chosen:
            errors = {"clients": "Choose at least one client."}
    context: dict[str, Any] = {
        "reports": _reports(request),
        "most": MOST_AT_ONCE,
        "trouble": trouble or errors.get("clients", ""),
    }
    if branch is not None and chosen:
        context |= _preview(request, branch, chosen, errors)
    return render(request, "practice/retention.html", context)


def _preview(request: HttpRequest, branch: Branch, chosen: list[str], errors: dict[str, str]) -> dict[str, Any]:
    clients = list(
        Client.objects.filter(branch=branch, reference__in=chosen, erased_at=None).select_related("branch", "group")
    )
    why = [(c, why_not_erase(c)) for c in clients]
    reason = Field(
        name="reason",
        label="Why",
        value=request.POST.get("reason", "")[:2000],
        error=errors.get("reason", ""),
        autocomplete="off",
        help="Without names: this sentence stays.",
        wide=True,
    )
    prove = proving.field(request, errors.get("password", ""))
    return {
        "preview": [c for c, no in why if no is None],
        "held_back": [(c, no) for c, no in why if no is not None],
        "goes": what_goes([c for c, no in why if no is None]),
        "at": branch,
        "reason": reason,
        "prove": prove,
        "errors": with_errors([reason, *([prove] if prove else [])]),
    }


@require_safe
@reads_reports
def retention_csv(request: HttpRequest) -> HttpResponse:
    """Who is due, by reference: no name leaves by this way."""
    rows = [["branch", "client", "last visit", "kept until", "why"]]
    for each in _reports(request):
        for k in each.due:
            told = (each.branch.name, k.client.reference, k.last_visit.isoformat(), k.until.isoformat(), k.why)
            rows.append([harmless(words) for words in told])
    return csv_answer(rows, "retention.csv")


urlpatterns = [
    path("retention/", retention_page, name="retention"),
    path("retention/due.csv", retention_csv, name="retention_csv"),
]
