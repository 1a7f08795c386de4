"""The reference pages of the checks: the list, and a page for each, made from the registry alone."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from dispensing.checks import THRESHOLDS, registry
from dispensing.checks.findings import FAMILIES, Check
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
        "reads": reads_of(check),
        "explains": [checks[name] for name in check.explains],
        "stop_explains": [checks[name] for name in check.stop_explains],
        "explained_by": [c for c in checks.values() if identifier in c.explains or identifier in c.stop_explains],
        "before": checks[order[at - 1]] if at else None,
        "after": checks[order[at + 1]] if at + 1 < len(order) else None,
    }
    return render(request, "dispensing/check.html", context)


_PARTS = {
    "person": "client",
    "needs": "needs",
    "prescription": "prescription",
    "frame": "frame",
    "fit": "final fit",
    "measurements": "measurements",
    "lens": "lens",
    "earlier": "earlier pairs and prescriptions",
    "hands": "who dispenses and signs",
    "rules": "rules of the branch",
    "today": "the date",
}
_FIELDS = {
    "age_years": "age",
    "notes": "notes",
    "useful_eye": "only useful eye",
    "uses": "use",
    "add": "addition",
    "intermediate_add": "intermediate addition",
    "prism_h": "horizontal prism",
    "base_h": "its base",
    "prism_v": "vertical prism",
    "base_v": "its base",
    "near_prism_h": "horizontal prism for near",
    "near_base_h": "its base",
    "near_prism_v": "vertical prism for near",
    "near_base_v": "its base",
    "vertex_mm": "vertex distance",
    "source": "how it came",
    "dbl": "distance between lenses",
    "ed": "effective diameter",
    "side": "length of side",
    "far_pd": "PD",
    "near_pd": "near PD",
    "binocular_far_pd": "binocular PD",
    "binocular_near_pd": "binocular near PD",
    "height_reference": "what heights are measured from",
    "ordered_right": "ordered powers",
    "reason": "recorded reason",
}


def reads_of(check: Check) -> list[tuple[str, str]]:
    """What a check reads, by part of the dispense: (part, its fields in words)."""
    parts: dict[str, list[str]] = {}
    for read in check.needs:
        part, _, rest = read.partition(".")
        name = rest.rpartition(".")[2]
        words = _FIELDS.get(name, name.removesuffix("_mm").removesuffix("_deg").replace("_", " "))
        parts.setdefault(part, []).append(words)
    return [(_PARTS[part], ", ".join(dict.fromkeys(w for w in words if w))) for part, words in parts.items()]


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
