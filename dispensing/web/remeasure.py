"""The independent re-measure of one dispense: a form that shows nothing of the dispenser's readings, then what differs."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from dispensing import forms, remeasure
from dispensing.case import EYES
from dispensing.gather import frame_of, prescription_of
from dispensing.models import Comparison, Dispense, Remeasure
from dispensing.web.sheet import present
from practice import access
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import Staff
from practice.web.fields import Field
from practice.web.seen import opened, were_readings_shown

QUANTITY = {"far_pd": "PD far", "near_pd": "PD near", "height": "height"}
EYE = {"right": "R", "left": "L"}
_BOTH = ("readings.far_pd.both", "readings.near_pd.both")


def _mm(value: Decimal) -> str:
    """One decimal, two where the value has them: a middle of two readings lies between the marks."""
    text = f"{value:.2f}"
    return text[:-1] if text.endswith("0") else text


@dataclass(frozen=True, slots=True)
class Row:
    """One comparison as the table shows it."""

    comparison: Comparison

    @property
    def name(self) -> str:
        return f"{QUANTITY[self.comparison.quantity]} {EYE[self.comparison.eye]}"

    @property
    def difference(self) -> str:
        value = self.comparison.difference
        return ("+" if value > 0 else "−" if value < 0 else "") + _mm(abs(value))

    @property
    def theirs(self) -> str:
        return _mm(self.comparison.theirs)

    @property
    def ours(self) -> str:
        return _mm(self.comparison.ours)

    @property
    def need(self) -> str:
        need = self.comparison.need_mm
        if need is None:
            return ""
        return "any error" if need >= remeasure.NO_LIMIT_MM else f"±{need:.1f}"

    @property
    def shape(self) -> str:
        return {True: "ok", False: "stop", None: "unknown"}[self.comparison.within]

    @property
    def verdict(self) -> str:
        return {True: "within", False: "outside", None: "no limit"}[self.comparison.within]


def rows_of(made: Remeasure) -> list[Row]:
    """Its comparisons, right eye before left, in the order of the sheet."""
    order: list[tuple[str, str]] = [(q, e) for q in ("far_pd", "height", "near_pd") for e in EYES]
    return [Row(x) for x in sorted(made.comparisons.all(), key=lambda x: order.index((x.quantity, x.eye)))]


def page(request: HttpRequest, reference: str) -> HttpResponse:
    dispense = get_object_or_404(
        access.scoped(
            Dispense.objects.select_related("client", "branch", "group", "dispenser", "prescription", "lens_option__lens"),
            request.user,
        ),
        reference=reference,
    )
    assert isinstance(request.user, Staff)
    opened(request, dispense.client, f"dispense {reference}")
    specs = {p: s for p, s in forms.specs("readings").items() if p not in _BOTH}
    entries = {p: forms.filled(s, None) for p, s in forms.specs("readings").items()}
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        parsed = forms.Parsed("readings", {**entries, **{p: forms.read(s, request.POST) for p, s in specs.items()}})
        typed = forms.typed_readings(parsed)
        said = {"no": False, "yes": True}.get(request.POST.get("had_seen", ""))
        try:
            if parsed.errors:
                raise Invalid({})
            remeasure.remeasure(
                actor=request.user,
                dispense=dispense,
                readings=typed.readings,
                had_seen=True if said is False and were_readings_shown(request, reference) else said,
            )
        except Invalid as problem:
            errors = problem.errors
            beside = parsed.with_errors(typed.errors_by_field(errors))
            entries = dict(beside.entries)
            trouble = errors.get("readings", "")
        except (NotAllowed, Refused) as problem:
            entries, trouble = dict(parsed.entries), problem.message
        else:
            messages.success(request, "Recorded. Both are kept.")
            return redirect("dispensing:remeasure", reference)
    return render(request, "dispensing/remeasure.html", _context(request, dispense, entries, errors, trouble))


def _context(
    request: HttpRequest, dispense: Dispense, entries: dict[str, forms.Entry], errors: dict[str, str], trouble: str
) -> dict[str, Any]:
    person = request.user
    assert isinstance(person, Staff)
    hidden = remeasure.pending(actor=person, dispense=dispense)
    p = dispense.prescription
    shown = not were_readings_shown(request, dispense.reference)
    had_seen = Field(
        name="had_seen",
        label="Had you seen the dispenser’s readings?",
        kind="select",
        choices=[("", "choose"), ("no", "no, these were taken blind"), ("yes", "yes")],
        value=request.POST.get("had_seen", ""),
        error=errors.get("had_seen", ""),
        required=True,
        help="" if shown else "A page with them was opened in this session, so these will not count as blind.",
    )
    wrong = [{"id": e.spec.id, "label": e.spec.label, "error": e.error} for e in entries.values() if e.error]
    context: dict[str, Any] = {
        "dispense": dispense,
        "client": dispense.client,
        "zone": dispense.branch.time_zone,
        "hidden": hidden,
        "no": access.why_not(person, "dispense.remeasure", branch=dispense.branch, subject=dispense),
        "prescription": present.prescription_words(prescription_of(p, p.eyes.all())) if p else "",
        "frame": present.frame_words(frame_of(dispense.frame)),
        "entries": entries,
        "had_seen": had_seen,
        "errors": [*wrong, *([had_seen] if had_seen.error else [])],
        "trouble": trouble,
    }
    if not hidden:
        made = dispense.remeasures.select_related("by").prefetch_related("comparisons__of", "readings")
        context["remeasures"] = [(m, rows_of(m)) for m in reversed(made)]
    return context


urlpatterns = [path("dispenses/<str:reference>/re-measure/", page, name="remeasure")]
