"""The Bench: a page of small calculations, for learning and for odd jobs. The address keeps the inputs, so it can be shared.

A page only reads: nothing is stored. Inputs are typed in the trade's notation and shown back as understood. A first visit shows an
example worked through; `?clear=1` an empty form.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import path
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_safe

from dispensing.calculations import GROUPS, Answer, BadInputs, Calculation, Input, all_calculations, find
from dispensing.optics.errors import NotationError
from dispensing.optics.notation import (
    format_axis,
    format_degrees,
    format_mm,
    format_power,
    parse_axis,
    parse_cylinder,
    parse_degrees,
    parse_figure,
    parse_mm,
    parse_power,
    parse_prism,
)
from practice.web.fields import Field

LONGEST_READINGS = 20_000


@require_safe
def bench(request: HttpRequest) -> HttpResponse:
    groups = [
        (*GROUPS[group], list(found))
        for group, found in groupby(all_calculations(), key=lambda calculation: calculation.group)
    ]
    return render(request, "dispensing/bench.html", {"groups": groups})


@require_safe
def bench_one(request: HttpRequest, name: str) -> HttpResponse:
    calculation = find(name)
    if calculation is None:
        raise Http404
    cleared = "clear" in request.GET
    asked = any(i.name in request.GET for i in calculation.inputs)
    typed = request.GET if asked else QueryDict() if cleared else example_as_typed(calculation)
    read = Reading.of(calculation, typed)
    answer: Answer | None = None
    errors = dict(read.errors)
    if not errors and not cleared:
        try:
            _, answer = calculation.answer(read.values)
        except BadInputs as bad:
            errors = bad.errors
    live = bool(getattr(request, "htmx", False))
    fields = [field(i, typed, read, _error_of(errors, i.name), blank=cleared, live=live) for i in calculation.inputs]
    names = {i.name for i in calculation.inputs}
    response = render(
        request,
        "dispensing/bench_answer.html" if live else "dispensing/bench_one.html",
        {
            "calculation": calculation,
            "group": GROUPS[calculation.group],
            "others": [c for c in all_calculations() if c.group == calculation.group],
            "fields": fields,
            "cells": list(zip(fields, (_span(i) for i in calculation.inputs), strict=True)),
            "wrong": [(f, words) for f in fields if (words := _error_of(errors, f.name)) and not cleared],
            "trouble": " ".join(words for at, words in errors.items() if at.partition(".")[0] not in names),
            "answer": answer,
            "example": not asked and not cleared,
            "live": live,
            "echoes": ",".join(f"#{f.id}-echo" for f in fields if f.echo is not None),
        },
    )
    patch_vary_headers(response, ["HX-Request"])
    return response


def _span(i: Input) -> int:
    """How many of six columns a field takes: a lens is written in one row."""
    if i.name.endswith(("sphere", "cylinder", "axis")):
        return 2
    return 6 if i.kind in ("text", "readings") or i.name == "eye" else 3


def _error_of(errors: Mapping[str, str], name: str) -> str:
    return next((words for at, words in errors.items() if at.partition(".")[0] == name), "")


# ── typed text to values ───────────────────────────────────────────────────


@dataclass(frozen=True)
class Reading:
    """What was understood of the typed text; `errors` by input name."""

    values: dict[str, Any]
    errors: dict[str, str]

    @classmethod
    def of(cls, calculation: Calculation, typed: QueryDict) -> Reading:
        values: dict[str, Any] = {}
        errors: dict[str, str] = {}
        for i in calculation.inputs:
            text = typed.get(i.name, "")
            try:
                value = understood(i, text)
            except NotationError as wrong:
                errors[i.name] = wrong.message
                continue
            if value is not None:
                values[i.name] = value
            elif i.needed:
                errors[i.name] = "This is needed."
        return cls(values, errors)


def understood(i: Input, text: str) -> Any:
    """The value that a text stands for, None for a blank. NotationError."""
    if i.kind == "choice":
        if text and text not in {value for value, _ in i.choices}:
            raise NotationError(text, "Choose one of the list.")
        return text or None
    if i.kind == "text":
        return text.strip() or None
    if i.kind == "readings":
        return _readings(i, text)
    low, high = Decimal(str(i.low)), Decimal(str(i.high))
    value: Decimal | None
    if i.kind == "power":
        value = parse_power(text, low=low, high=high)
    elif i.kind == "cylinder":
        value = parse_cylinder(text, low=low, high=high)
    elif i.kind == "axis":
        value = parse_axis(text)
    elif i.kind == "mm":
        value = parse_mm(text, low=low, high=high)
    elif i.kind == "degrees":
        value = parse_degrees(text, low=low, high=high)
    elif i.kind == "prism":
        value = _prism(i, text, low, high)
    else:
        value = parse_figure(text, low=low, high=high)
    return None if value is None else float(value)


def _prism(i: Input, text: str, low: Decimal, high: Decimal) -> Decimal | None:
    """ "2 out" and "-2" alike, in the direction of the input."""
    if not re.search(r"[a-z]", text, re.IGNORECASE):
        return parse_figure(text.replace("Δ", ""), low=low, high=high)
    found = parse_prism(text, high=high)
    if found is None:
        return None
    across = i.name.endswith(("_in", "horizontal"))
    if found.base and (found.base in ("in", "out")) != across and i.name != "amount":
        raise NotationError(text, f"Here the base is {'in or out' if across else 'up or down'}.")
    return -found.amount if found.base in ("out", "down") else found.amount


def _readings(i: Input, text: str) -> Any:
    """Figures with spaces, semicolons or new lines between; with `rows`, a line each."""
    if len(text) > LONGEST_READINGS:
        raise NotationError(text, f"Too long: no more than {LONGEST_READINGS} characters.")
    low, high = Decimal(-1_000_000), Decimal(1_000_000)
    rows = [
        [
            float(value)
            for part in re.split(r"[\s;]+", line)
            if part and (value := parse_figure(part, low=low, high=high)) is not None
        ]
        for line in text.splitlines()
    ]
    rows = [row for row in rows if row]
    if not rows:
        return None
    return rows if i.rows else [value for row in rows for value in row]


# ── values to text ─────────────────────────────────────────────────────────


def written(i: Input, value: Any) -> str:
    """A value as the trade writes it, with its unit: what the page shows back."""
    if value is None or i.kind in ("choice", "text"):
        return ""
    if i.kind == "readings":
        flat = [v for row in value for v in row] if i.rows else value
        clients = f" of {len(value)}" if i.rows else ""
        return f"{len(flat)} readings{clients}"
    if i.kind == "power":
        return f"{format_power(value, plano=True)} D" if value else "plano"
    if i.kind == "cylinder":
        return f"{format_power(value)} D" if value else "none"
    if i.kind == "axis":
        return f"axis {format_axis(value)}"
    if i.kind == "degrees":
        return f"{format_degrees(value)}°"
    if i.kind == "prism" and i.low < 0 and value:
        words = ("in", "out") if i.name.endswith(("_in", "horizontal")) else ("up", "down")
        return f"{abs(value):.2f} Δ {words[0] if value > 0 else words[1]}"
    if i.kind == "prism":
        return f"{value:.2f} Δ"
    if i.kind == "mm":
        return f"{format_mm(value)} mm"
    return f"{format_degrees(value) if abs(value * 100 - round(value * 100)) < 1e-9 else f'{value:g}'} {i.unit}".strip()


def _as_typed(i: Input, value: Any) -> str:
    if value is None:
        return ""
    if i.kind == "readings":
        rows = value if i.rows else [value]
        return "\n".join(" ".join(f"{v:g}" for v in row) for row in rows)
    if i.kind in ("power", "cylinder"):
        return format_power(value)
    return str(value) if i.kind in ("choice", "text") else f"{value:g}".replace("-", "−")


def example_as_typed(calculation: Calculation) -> QueryDict:
    typed = QueryDict(mutable=True)
    for i in calculation.inputs:
        typed[i.name] = _as_typed(i, calculation.example.get(i.name, i.default))
    return typed


def field(i: Input, typed: QueryDict, read: Reading, error: str, *, blank: bool, live: bool) -> Field:
    """One input as the page wants it. While typing goes on, only the echo is replaced, so it then says what is wrong as well."""
    value = typed.get(i.name, "")
    if blank and i.kind == "choice":
        value = str(i.default)
    kinds = {"choice": "select", "text": "text", "readings": "textarea"}
    echo = None
    if i.kind not in ("choice", "text"):
        echo = error if live and error and not blank else written(i, read.values.get(i.name))
    if echo == "" and not value and i.default is not None:
        echo = f"taken as {written(i, i.default) or i.default}"
    return Field(
        name=i.name,
        label=i.label,
        value=value,
        kind=kinds.get(i.kind, "figure"),
        unit=i.unit if i.kind not in ("choice", "text", "readings") else "",
        echo=echo,
        error="" if blank or live else error,
        doubt=live and bool(error),
        help=i.help,
        required=i.needed,
        choices=i.choices,
        inputmode="text" if i.kind in ("text", "readings") else "decimal",
        autocomplete="off",
        wide=i.kind in ("text", "readings"),
        rows=6 if i.kind == "readings" else 3,
    )


urlpatterns = [
    path("bench/", bench, name="bench"),
    path("bench/<slug:name>/", bench_one, name="bench_one"),
]
