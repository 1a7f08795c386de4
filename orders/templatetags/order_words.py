"""Words for what happened to an order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django import template
from django.utils.html import format_html_join
from django.utils.safestring import SafeString

from orders.models import OrderEvent
from orders.renderers.words import day
from orders.unlike_words import what

register = template.Library()

WORDS = {
    "issued": "Issued",
    "fetched": "Fetched by the lab",
    "acknowledged": "The lab has it",
    "in_work": "In work",
    "dispatched": "Dispatched",
    "cancelled": "Cancelled",
    "cancellation_seen": "The lab knows that it is cancelled",
    "replaced": "Replaced",
    "promised": "Promised",
    "question": "The lab asks",
    "answered": "Answered",
    "cannot_make": "The lab cannot make it",
    "received": "Arrived",
    "checked": "Measured on arrival",
    "rejected": "Rejected to the lab",
    "rejection_seen": "The lab knows that it is rejected",
    "passed": "Passed",
    "accepted": "Accepted outside tolerance",
    "collected": "Collected",
    "return_visit": "The client came back",
    "return_decided": "Return visit decided",
    "sheet_printed": "Sheet printed",
    "label_printed": "Tray label printed",
    "sheet_fetched": "Sheet fetched by the lab",
}


@register.filter
def event_words(event: OrderEvent) -> str:
    return WORDS.get(event.kind, event.kind.replace("_", " "))


@register.filter
def on_day(text: str) -> str:
    """A day of the trace, kept as "2026-12-14", as it is written elsewhere on the page; anything else as it is."""
    try:
        return day(text)
    except ValueError:
        return text


@register.filter
def value_words(path: str) -> str:
    """The value of a document that a lab asks about, in the words of the trade: "lenses.right.ordered.axis"."""
    return what(path) if path.isascii() and " " not in path else path


@register.filter
def beside(names: Sequence[Any], values: Sequence[Any]) -> list[tuple[Any, Any]]:
    """Two lists side by side."""
    return list(zip(names, values, strict=True))


@register.filter
def of(found: Mapping[Any, Any], key: Any) -> Any:
    """What a mapping has under a key; nothing where it has none."""
    return found.get(key, "")


@register.filter
def code(text: str) -> SafeString:
    """Words between backquotes as <code>; everything is escaped."""
    parts = str(text).split("`")
    return format_html_join("", "{}{}{}", ((_OPEN, p, _CLOSE) if i % 2 else ("", p, "") for i, p in enumerate(parts)))


_OPEN, _CLOSE = SafeString("<code>"), SafeString("</code>")
