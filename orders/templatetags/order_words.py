"""Words for what happened to an order."""

from __future__ import annotations

from django import template
from django.utils.html import format_html_join
from django.utils.safestring import SafeString

from orders.models import OrderEvent

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
}


@register.filter
def event_words(event: OrderEvent) -> str:
    return WORDS.get(event.kind, event.kind.replace("_", " "))


@register.filter
def code(text: str) -> SafeString:
    """Words between backquotes as <code>; everything is escaped."""
    parts = str(text).split("`")
    return format_html_join("", "{}{}{}", ((_OPEN, p, _CLOSE) if i % 2 else ("", p, "") for i, p in enumerate(parts)))


_OPEN, _CLOSE = SafeString("<code>"), SafeString("</code>")
