"""Words for what happened to an order."""

from __future__ import annotations

from django import template

from orders.models import OrderEvent

register = template.Library()

WORDS = {
    "issued": "Issued",
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
}


@register.filter
def event_words(event: OrderEvent) -> str:
    return WORDS.get(event.kind, event.kind.replace("_", " "))
