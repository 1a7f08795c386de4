"""A record of cases: one's own, or of somebody whose training one answers for; and how people, methods and instruments agree."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_safe

from dispensing import forms
from dispensing.models import Comparison, Goal
from dispensing.optics.errors import NotationError
from dispensing.record import ORDER_OF_PARTS
from dispensing.renderers.portfolio import portfolio
from dispensing.templatetags.sheet import place_words
from dispensing.training import goals
from dispensing.training.agreeing import LEAST, LEAST_DRIFT_MM, QUANTITY_WORDS, Group, against_others, by_quarter
from dispensing.training.everybody import compared_at
from dispensing.training.pictures import limits_picture, signed, trend_picture
from dispensing.training.record import Record, record_of, rows_of
from practice import access
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import Staff
from practice.tables import csv_answer
from practice.web.fields import Field, with_errors
from practice.web.shell import branch_of


def _actor(request: HttpRequest) -> Staff:
    assert isinstance(request.user, Staff)
    return request.user


def _person(request: HttpRequest, pk: int) -> Staff:
    """Whose record it is; one that may not be read does not exist."""
    return get_object_or_404(access.visible_training(request.user).select_related("group"), pk=pk)


@require_safe
def own(request: HttpRequest) -> HttpResponse:
    return _page(request, _actor(request), {}, "")


def training(request: HttpRequest, pk: int) -> HttpResponse:
    person = _person(request, pk)
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        try:
            words = _do(request, person)
        except Invalid as problem:
            errors = problem.errors
        except (NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            messages.success(request, words)
            return redirect("dispensing:training", pk)
    return _page(request, person, errors, trouble)


def _do(request: HttpRequest, person: Staff) -> str:
    deed = request.POST.get("deed", "")
    if deed == "set":
        due_on, typed = None, request.POST.get("due_on", "").strip()
        if typed:
            try:
                due_on = forms.parse_date(typed)
            except NotationError as problem:
                raise Invalid({"due_on": problem.message}) from problem
        goals.set_goal(actor=_actor(request), trainee=person, text=request.POST.get("text", ""), due_on=due_on)
        return "Goal set."
    if deed in ("met", "dropped"):
        key = request.POST.get("goal", "")
        goal = Goal.objects.filter(
            trainee=person, pk=int(key) if key.isascii() and key.isdigit() and len(key) < 18 else 0
        ).first()
        if goal is None:
            raise Refused("That goal is not on this record.")
        goals.close_goal(actor=_actor(request), goal=goal, met=deed == "met")
        return "Goal reached." if deed == "met" else "Goal dropped."
    raise Refused("Nothing was done: choose one of the buttons.")


def _page(request: HttpRequest, person: Staff, errors: dict[str, str], trouble: str) -> HttpResponse:
    record = record_of(person)
    mine = person.pk == request.user.pk
    may_set = not mine and goals.may_set(_actor(request), person)
    typed = request.POST if errors or trouble else {}
    fields = [
        Field(name="text", label="New goal", value=typed.get("text", ""), error=errors.get("text", ""), wide=True, autocomplete="off"),
        Field(
            name="due_on", label="Until", value=typed.get("due_on", ""), error=errors.get("due_on", ""), kind="date", autocomplete="off",
            help="Day, month, year; may stay empty.",
        ),
    ]  # fmt: skip
    context: dict[str, Any] = {
        "person": person,
        "mine": mine,
        "record": record,
        "agreements": [_shown(p) for p in record.by_quantity],
        "by_method": [_figures(p) for p in record.by_method],
        "least": LEAST,
        "may_set": may_set,
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
        "today": branch.today() if (branch := branch_of(request)) else timezone.localdate(),
        "people": access.trains(request.user).filter(is_active=True, posts__role="trainee") if mine else [],
    }
    return render(request, "dispensing/training.html", context)


def _figures(pairs: Any) -> dict[str, Any]:
    """One row of a table of agreement; without figures when there are too few pairs."""
    found = pairs.found
    row: dict[str, Any] = {
        "name": pairs.name,
        "n": pairs.n,
        "outside": f"{pairs.outside} of {pairs.judged}" if pairs.judged else "",
    }
    if found is not None:
        row |= {
            "bias": signed(found.bias, 2),
            "bias_limits": f"{signed(found.bias_low, 2)} to {signed(found.bias_high, 2)}",
            "lower": signed(found.lower, 2),
            "lower_limits": f"{signed(found.lower_low, 2)} to {signed(found.lower_high, 2)}",
            "upper": signed(found.upper, 2),
            "upper_limits": f"{signed(found.upper_low, 2)} to {signed(found.upper_high, 2)}",
        }
    if pairs.outside_range is not None:
        low, high = pairs.outside_range
        row["outside_limits"] = f"{low:.0f}–{high:.0f} %"
    return row


def _shown(pairs: Any) -> dict[str, Any]:
    found = pairs.found
    return _figures(pairs) | {
        "picture": limits_picture(pairs, found) if found else None,
        "trend": trend_picture(pairs) if found else None,
        "quarters": [
            (
                p.name,
                p.n,
                signed(p.mean, 2) if p.enough else "too few",
                f"{p.mean_size:.2f}" if p.enough else "",
                f"{p.outside} of {p.judged}" if p.judged else "",
            )
            for p in by_quarter(pairs)
        ],
    }


def _words() -> dict[str, str]:
    return {p: place_words(p) for p in (*forms.all_specs(), *ORDER_OF_PARTS)}


def _download(request: HttpRequest, pk: int) -> tuple[Staff, Record]:
    person = _person(request, pk)
    return person, record_of(person)


@require_safe
def as_csv(request: HttpRequest, pk: int) -> HttpResponse:
    _, record = _download(request, pk)
    return csv_answer(rows_of(record, place_words=_words()), "cases.csv")


@require_safe
def as_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    _, record = _download(request, pk)
    branch = branch_of(request)
    today = branch.today() if branch else timezone.localdate()
    data = portfolio(record, place_words=_words(), made_at=timezone.now(), month=f"{today:%B %Y}")
    answer = HttpResponse(data, content_type="application/pdf")
    answer["Content-Disposition"] = 'inline; filename="cases.pdf"'
    return answer


@require_safe
def agreement_page(request: HttpRequest) -> HttpResponse:
    """How people, methods, instruments and branches agree with independent re-measures, where one signs."""
    person = _actor(request)
    branches = [p.branch for p in access.posts_of(person) if access.signing_role(person, p.branch)]
    if not branches:
        raise PermissionDenied
    rows = compared_at(branches)
    keys: tuple[tuple[str, Callable[[Comparison], str]], ...] = (
        ("Person", lambda x: x.of.display_name),
        ("Method", lambda x: x.method.replace("_", " ")),
        ("Instrument", lambda x: " ".join(x.instrument.split())),
        ("Branch", lambda x: x.remeasure.dispense.branch.name),
    )
    tables = [(title, [_group(g) for g in against_others(rows, key)]) for title, key in keys]
    context = {
        "branches": branches,
        "n": len(rows),
        "tables": tables,
        "least": LEAST,
        "least_drift": f"{LEAST_DRIFT_MM:.1f}",
    }
    return render(request, "dispensing/agreement.html", context)


def _group(group: Group) -> dict[str, Any]:
    row = _figures(group.pairs) | {
        "quantity": QUANTITY_WORDS[group.quantity],
        "too_few": group.pairs.n < LEAST,
        "alone": not group.others,
    }
    if (d := group.drift) is not None:
        more = "more" if d.by > 0 else "less"
        row |= {
            "drifts": d.drifts,
            "against": f"reads {abs(d.by):.2f} mm {more} than the others"
            if d.drifts
            else f"{abs(d.by):.2f} mm {more}: little"
            if d.differs
            else "as the others",
            "against_limits": f"{signed(d.low, 2)} to {signed(d.high, 2)}",
        }
    return row


urlpatterns = [
    path("training/", own, name="own_training"),
    path("training/agreement/", agreement_page, name="agreement"),
    path("training/<int:pk>/", training, name="training"),
    path("training/<int:pk>/cases.csv", as_csv, name="training_csv"),
    path("training/<int:pk>/cases.pdf", as_pdf, name="training_pdf"),
]
