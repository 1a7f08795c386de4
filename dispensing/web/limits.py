"""The limits the checks hold figures against, as they are in force at a branch; the manager changes one with a reason."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_safe

from dispensing.checks import THRESHOLDS, Threshold
from practice import access, branches
from practice.errors import Invalid, NotAllowed
from practice.models import Branch
from practice.web.fields import Field, with_errors


def number_words(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _kept(branch: Branch, threshold: Threshold) -> Mapping[str, Any] | None:
    kept = branch.limits.get(threshold.name)
    if kept is None:
        return None
    return kept if isinstance(kept, Mapping) else {"value": kept, "reason": "", "by": "", "on": ""}


def _branch(request: HttpRequest, pk: int) -> Branch:
    return get_object_or_404(access.visible_branches(request.user), pk=pk)


# Parts of the work in its order: title, starts of the names of its limits.
PARTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Powers, additions and prism", ("rx.sphere", "rx.cylinder", "rx.add", "rx.prism")),
    ("Change since the last pair", ("rx.change", "rx.mirror", "rx.earlier")),
    ("Vertex distance, tilt and face form", ("rx.vertex", "vertex.", "pantoscopic.", "face_form.")),
    ("Frame", ("frame.",)),
    ("PD", ("pd.",)),
    ("Heights and repeated readings", ("height.", "observer.", "repeat.")),
    ("Where corridor and segment lie", ("lens.", "segment.")),
    ("Edges, centres, curves and blank", ("edge.", "centre.", "curve.", "thinning.", "blank.")),
    ("What is noticed in wear", ("imbalance.", "blur.", "magnification.", "weight.", "compensation.", "ordered.")),
    ("Tints", ("tint.",)),
)
OTHER = "Other"
ONLY = {"changed": "changed at this branch", "changeable": "that can be changed", "fixed": "that stand as they are"}
LONGEST_SEARCH = 100


def part_of(name: str) -> str:
    """The part of the work a limit belongs to."""
    return next((title for title, starts in PARTS if name.startswith(starts)), OTHER)


def _wanted(threshold: Threshold, kept: Mapping[str, Any] | None, words: list[str], only: str) -> bool:
    chosen = {"changed": kept is not None, "changeable": threshold.changeable, "fixed": not threshold.changeable}
    text = f"{threshold.meaning} {threshold.name} {threshold.source} {threshold.confidence} {part_of(threshold.name)}".casefold()
    return chosen.get(only, True) and all(word in text for word in words)


@require_safe
def limit_list(request: HttpRequest, pk: int) -> HttpResponse:
    branch = _branch(request, pk)
    search = request.GET.get("q", "")[:LONGEST_SEARCH].strip()
    only = request.GET.get("only", "")
    words = search.casefold().split()
    parts: dict[str, list[dict[str, Any]]] = {title: [] for title in [*dict(PARTS), OTHER]}
    changed = count = 0
    for t in THRESHOLDS.values():
        kept = _kept(branch, t)
        changed += kept is not None
        if _wanted(t, kept, words, only):
            count += 1
            here = number_words(float(kept["value"])) if kept else ""
            parts[part_of(t.name)].append({"threshold": t, "default": number_words(t.value), "here": here, "kept": kept})
    narrowed = bool(words) or only in ONLY
    context = {
        "branch": branch,
        "parts": [(title, rows, sum(r["kept"] is not None for r in rows)) for title, rows in parts.items() if rows],
        "search": search,
        "only": only,
        "onlys": ONLY,
        "narrowed": narrowed,
        "count": count,
        "total": len(THRESHOLDS),
        "changed": changed,
        "may_change": access.may(request.user, "branch.settings", branch=branch),
    }
    return render(request, "dispensing/limits.html", context)


def limit_form(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    branch = _branch(request, pk)
    threshold = THRESHOLDS.get(name)
    if threshold is None or not threshold.changeable:
        raise Http404
    if not access.may(request.user, "branch.settings", branch=branch):
        raise PermissionDenied
    kept = _kept(branch, threshold)
    typed = {"value": number_words(float(kept["value"] if kept else threshold.value)), "reason": ""}
    errors: dict[str, str] = {}
    if request.method == "POST":
        typed = {"value": request.POST.get("value", ""), "reason": request.POST.get("reason", "")}
        value = None
        if request.POST.get("deed") != "default":
            try:
                value = read_limit(typed["value"], threshold)
            except ValueError as problem:
                errors["value"] = str(problem)
        if not errors:
            try:
                branches.change_limit(
                    actor=request.user,  # type: ignore[arg-type]
                    branch=branch,
                    name=name,
                    value=value,
                    reason=typed["reason"],
                )
            except Invalid as problem:
                errors = problem.errors
            except NotAllowed as problem:
                raise PermissionDenied from problem
            else:
                messages.success(request, "Saved. What no lab has begun is judged by it from now on, and judged again now.")
                return redirect("dispensing:limits", branch.pk)
    bounds = f"{number_words(threshold.least or 0)} to {number_words(threshold.most or 0)}"
    fields = [
        Field(
            name="value",
            label="Limit here",
            kind="figure",
            value=typed["value"],
            unit=threshold.unit,
            inputmode="decimal",
            autocomplete="off",
            help=f"{bounds}; published or usual: {number_words(threshold.value)}",
            error=errors.get("value", ""),
        ),
        Field(
            name="reason",
            label="Why this branch differs",
            value=typed["reason"],
            required=True,
            autocomplete="off",
            help="Kept with the change.",
            error=errors.get("reason", ""),
            wide=True,
        ),
    ]
    context = {"branch": branch, "threshold": threshold, "kept": kept, "fields": fields, "errors": with_errors(fields)}
    return render(request, "dispensing/limit.html", context)


def read_limit(text: str, threshold: Threshold) -> Decimal:
    """A limit as typed, within the bounds it can be changed in. Raises ValueError with the sentence to show."""
    least, most = threshold.least or 0.0, threshold.most or 0.0
    words = f"From {number_words(least)} to {number_words(most)}{' ' + threshold.unit if threshold.unit else ''}."
    tidy = text.strip().replace("−", "-").replace(",", ".")
    if not re.fullmatch(r"[-+]?[0-9]{1,4}(?:\.[0-9]{1,3})?", tidy):
        raise ValueError(f"A number. {words}")
    value = Decimal(tidy)
    if not least <= value <= most:
        raise ValueError(words)
    return value


urlpatterns = [
    path("branches/<int:pk>/limits/", limit_list, name="limits"),
    path("branches/<int:pk>/limits/<str:name>/", limit_form, name="limit"),
]
