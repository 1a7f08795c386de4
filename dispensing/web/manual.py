"""The reference pages of the checks: the list, and a page for each, made from the registry alone."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from dispensing.checks import THRESHOLDS, registry
from dispensing.checks.findings import FAMILIES, Check
from dispensing.checks.unknown import INPUTS
from practice.web.shell import branch_of

TITLES = {
    "prescription": "Prescription",
    "frame": "Frame",
    "measurements": "Measurements",
    "lens": "Lens",
    "order": "Order",
}
SEVERITIES = {
    "stop": "can stop an order",
    "confirm": "can ask for a reason",
    "note": "worth knowing",
}
LONGEST_SEARCH = 100


def _matches(check: Check, words: list[str]) -> bool:
    text = f"{check.identifier} {check.summary} {check.manual} {check.source}".casefold()
    return all(word in text for word in words)


@require_safe
def check_list(request: HttpRequest) -> HttpResponse:
    search = request.GET.get("q", "")[:LONGEST_SEARCH].strip()
    severity = request.GET.get("can", "")
    words = search.casefold().split()
    checks = registry().values()
    found = [c for c in checks if (severity not in SEVERITIES or c.severity == severity) and _matches(c, words)]
    groups = [(TITLES[family], rows) for family in FAMILIES if (rows := [c for c in found if c.family == family])]
    context = {
        "groups": groups,
        "search": search,
        "severity": severity if severity in SEVERITIES else "",
        "severities": SEVERITIES,
        "count": len(found),
        "total": len(checks),
    }
    return render(request, "dispensing/checks.html", context)


@require_safe
def check_page(request: HttpRequest, identifier: str) -> HttpResponse:
    checks = registry()
    check = checks.get(identifier)
    if check is None:
        raise Http404
    order = list(checks)
    at = order.index(identifier)
    branch = branch_of(request)
    context = {
        "check": check,
        "family": TITLES[check.family],
        "can": SEVERITIES[check.severity],
        "parts": check.manual_parts(),
        "limits": limits_of(check, branch.limits if branch else {}),
        "needs": [label for i in INPUTS if i.path in check.needs for label in [i.label]],
        "explains": [checks[name] for name in check.explains],
        "explained_by": [c for c in checks.values() if identifier in c.explains],
        "before": checks[order[at - 1]] if at else None,
        "after": checks[order[at + 1]] if at + 1 < len(order) else None,
    }
    return render(request, "dispensing/check.html", context)


def limits_of(check: Check, changed: dict[str, Any]) -> list[dict[str, Any]]:
    """The limits a rule names, with what this branch has made of them."""
    code = getattr(check.rule, "__code__", None)
    names = [c for c in code.co_consts if isinstance(c, str) and c in THRESHOLDS] if code else []
    rows = []
    for name in dict.fromkeys(names):
        kept = changed.get(name)
        value = kept.get("value") if isinstance(kept, dict) else kept
        threshold = THRESHOLDS[name]
        rows.append(
            {
                "threshold": threshold,
                "usual": _words(threshold.value),
                "here": _words(float(value)) if value is not None else "",
                "bounds": f"{_words(threshold.least)} to {_words(threshold.most)}"
                if threshold.least is not None and threshold.most is not None
                else "",
            }
        )
    return rows


def _words(value: float) -> str:
    return f"{value:g}".replace("-", "−")


urlpatterns = [
    path("checks/", check_list, name="checks"),
    path("checks/<str:identifier>/", check_page, name="check"),
]
