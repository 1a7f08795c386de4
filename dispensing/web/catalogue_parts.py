"""What the pages of both catalogues share: lists, forms, figures, who may change them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from functools import partial
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from dispensing import catalogue
from dispensing.imports import cells
from dispensing.optics.notation import format_power, parse_mm
from practice.errors import Conflict, Invalid, NotAllowed
from practice.web.fields import Field, with_errors
from practice.web.forms import Read, show_errors
from practice.words import line

A_PAGE = 24


def figure_reader(low: int, high: int) -> Callable[[str], Decimal | None]:
    return partial(parse_mm, low=low, high=high)


def words_of(choice: str) -> str:
    return choice.replace("_", " ")


def listed(
    request: HttpRequest,
    fields: list[Field],
    found: QuerySet[Any],
    everything: QuerySet[Any],
    row: Callable[[Any], dict[str, Any]],
) -> dict[str, Any]:
    page = Paginator(found, A_PAGE).get_page(request.GET.get("page"))
    asked = {k: v for k, v in request.GET.items() if k != "page" and v}
    return {
        "fields": fields,
        "errors": with_errors(fields),
        "page": page,
        "rows": [row(item) for item in page.object_list],
        "total": everything.filter(retired_on=None).count(),
        "asked": bool(asked),
        "query": urlencode(asked),
        "may_change": catalogue.may_change(request.user),  # type: ignore[arg-type]
    }


def figures_of(item: Any, labels: Mapping[str, tuple[str, str]]) -> list[tuple[str, str, str]]:
    return [
        (label, format_power(value) if unit == "D" else f"{value.normalize():f}", unit)
        for name, (label, unit) in labels.items()
        if (value := getattr(item, name)) is not None
    ]


def with_code(form: Any) -> Any:
    form.fields = {"code": Read(partial(line, longest=40), needed="Give it a code.", label="Code"), **form.fields}
    return form


def shown_value(value: Any) -> Any:
    return value if isinstance(value, bool) else cells.text_of(value)


def changing_page(request: HttpRequest, item: Any, form: Any, use_case: Callable[..., Any], kind: str) -> HttpResponse:
    trouble = ""
    read = request.POST.get("read", "") or catalogue.as_read(item)
    if request.method == "POST" and form.is_valid():
        try:
            saved = use_case(actor=request.user, read=read, values=form.cleaned_data, **{kind: item})
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed) as problem:
            trouble = problem.message
        else:
            say(request, f"{saved.item} is changed." if saved.changed else "Nothing was different.", saved.said)
            return redirect(f"dispensing:{kind}", saved.item.code)
    return form_page(
        request, form.shown(), trouble, title=f"Change {item}", back=f"dispensing:{kind}", code=item.code, read=read
    )


def say(request: HttpRequest, what: str, more: tuple[str, ...]) -> None:
    messages.success(request, what)
    for words in more:
        messages.warning(request, words)


def form_page(
    request: HttpRequest, fields: list[Field], trouble: str, *, title: str, back: str, code: str = "", read: str = ""
) -> HttpResponse:
    context = {
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
        "title": title,
        "back": back,
        "code": code,
        "read": read,
    }
    return render(request, "dispensing/catalogue_form.html", context)


def form_back_to(
    request: HttpRequest, fields: list[Field], trouble: str, title: str, back: str, read: str = "", more: Any = None
) -> HttpResponse:
    """A form that leads back to an address. `more`: what stands below it (retiring, history)."""
    context = {"fields": fields, "errors": with_errors(fields), "trouble": trouble, "title": title, "back_to": back}
    return render(request, "dispensing/catalogue_form.html", context | {"read": read} | (more or {}))


def managers_only(request: HttpRequest) -> None:
    if not catalogue.may_change(request.user):  # type: ignore[arg-type]
        raise PermissionDenied("Only a manager of this group can change its catalogues.")


def retiring(request: HttpRequest, item: Any, *, retire: Callable[..., None], bring_back: Callable[..., None]) -> bool:
    """The deed of `catalogue_retire.html`, said in a message. False where it was refused; raises PermissionDenied."""
    try:
        if request.POST.get("deed") == "bring back":
            bring_back(actor=request.user)
            messages.success(request, f"{item} can be chosen again.")
        else:
            retire(actor=request.user, reason=request.POST.get("reason", "")[:400])
            messages.success(request, f"{item} is retired: it can no longer be chosen. What was dispensed stays as it is.")
    except NotAllowed as problem:
        raise PermissionDenied(problem.message) from problem
    except Invalid as problem:
        messages.error(request, " ".join(problem.errors.values()))
        return False
    return True
