"""What this floor holds on a client, for `practice.privacy`: orders with their documents, receipts, collections, returns.

A document never changes, except that what says who the wearer is goes out of it once the client is erased: the database allows
that and nothing else (`guard`). Its first digest stays beside it and in the trace; the digest of what is left is written into
the audit chain (`client.erased`), where `verify` looks for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.db.models import Max

from orders.document import canonical, digest
from orders.models import (
    Collection,
    IdempotentAnswer,
    Order,
    OrderEvent,
    Question,
    ReceiptCheck,
    RecheckChange,
    RecheckItem,
    ReturnVisit,
    WebhookMessage,
)
from practice.models import Client, Staff
from practice.privacy.registry import Contact, Files, Part, contributes, row, rows

State = Order.State
_OVER = (State.COLLECTED, State.CANCELLED, State.RETURNED)
_KEPT_OF_AN_EVENT = frozenset({"sha256", "judged_by", "by", "was", "check", "outcome", "standard", "visit", "question"})


def held(client: Client, files: Files) -> dict[str, Any]:
    orders = (
        Order.objects.filter(dispense__client=client)
        .select_related("branch", "lab", "dispense", "issued_by", "replaces")
        .prefetch_related(
            "events__by_lab", "events__by_staff", "questions__answered_by", "receipts__by", "receipts__decided_by",
            "returns__by", "returns__decided_by",
        )
        .order_by("issued_at", "pk")
    )  # fmt: skip
    collected = {c.order_id: c for c in Collection.objects.filter(order__dispense__client=client).select_related("by")}
    return {
        "orders": [
            row(o, "group", "document", "feed_position", "waiting")
            | {
                "document": json.loads(o.document),
                "events": rows(o.events.all(), "order"),
                "questions": rows(o.questions.all(), "order"),
                "receipts": rows(o.receipts.all(), "order"),
                "collection": row(collected[o.pk], "order") if o.pk in collected else None,
                "returns": rows(o.returns.all(), "order"),
            }
            for o in orders
        ],
        "rechecks": [
            row(c, "recheck")
            for c in RecheckChange.objects.filter(dispense__client=client).select_related("dispense", "order")
        ],
    }


def contacts(clients: Sequence[int] | None) -> Iterable[Contact]:
    for model, way, moment in (
        (Order, "", "issued_at"),
        (Collection, "order__", "at"),
        (ReturnVisit, "order__", "at"),
    ):
        found = model._default_manager.all()
        if clients is not None:
            found = found.filter(**{f"{way}dispense__client__in": clients})
        for client, branch, at in (
            found.values_list(f"{way}dispense__client", f"{way}branch").annotate(Max(moment)).order_by()
        ):
            yield Contact(client=client, branch=branch, at=at)


def unfinished(clients: Sequence[int]) -> dict[int, str]:
    found = {
        o.dispense.client_id: f"Order {o.number} is {o.get_state_display()}: finish or cancel it first."
        for o in Order.objects.filter(dispense__client__in=clients).exclude(state__in=_OVER).select_related("dispense")
    }
    for v in ReturnVisit.objects.filter(order__dispense__client__in=clients, outcome="").select_related("order__dispense"):
        found.setdefault(v.order.dispense.client_id, f"A return of order {v.order.number} is not decided yet.")
    return found


def counts(clients: Sequence[int]) -> dict[str, int]:
    orders = Order.objects.filter(dispense__client__in=clients)
    return {
        "orders": orders.count(),
        "receipts": ReceiptCheck.objects.filter(order__in=orders).count(),
        "returns": ReturnVisit.objects.filter(order__in=orders).count(),
    }


def without_the_person(text: str) -> str:
    """An order document without what says who the wearer is and without what anybody wrote in words of their own."""
    document = json.loads(text)
    document["client"]["name"] = None
    document["prescription"]["prescriber"] = ""
    document["lens"]["remark"] = ""
    if document["order"]["replaces"]:
        document["order"]["replaces"]["reason"] = ""
    for reason in document["reasons"]:
        reason["reason"] = ""
    return canonical(document)


def forget(client: Client, actor: Staff) -> Mapping[str, Any]:
    """`orders`: the digest of what is left of each document, by number."""
    left: dict[str, str] = {}
    for order in Order.objects.select_for_update(of=("self",)).filter(dispense__client=client).order_by("pk"):
        order.document = without_the_person(order.document)
        order.cancel_reason = order.reject_reason = ""
        order.version += 1
        order.save(update_fields=["document", "cancel_reason", "reject_reason", "version"])
        left[order.number] = digest(order.document)
    for event in OrderEvent.objects.filter(order__dispense__client=client):
        kept = {k: v for k, v in event.data.items() if k in _KEPT_OF_AN_EVENT}
        if event.note or kept != event.data:
            OrderEvent.objects.filter(pk=event.pk).update(note="", data=kept)
    of = {"order__dispense__client": client}
    _forget_answers(of)
    Question.objects.filter(**of).update(text="", answer="")
    ReceiptCheck.objects.filter(**of).update(remark="", reason="", typed={})
    Collection.objects.filter(**of).update(remark="", acuity={}, restricted=[])
    ReturnVisit.objects.filter(**of).update(words="", note="", typed={})
    return {"orders": left}


def _forget_answers(of: Mapping[str, Any]) -> None:
    """What a lab was answered to a question under its Idempotency-Key repeats the words, and is kept for some days longer."""
    for key, lab in Question.objects.filter(**of).values_list("pk", "order__lab"):
        for kept in IdempotentAnswer.objects.filter(lab=lab, body__startswith=f'{{"id": {key}, "text": '):
            kept.body = json.dumps({**json.loads(kept.body), "text": "", "answer": None}, ensure_ascii=False)
            kept.save(update_fields=["body"])


PART = Part(
    name="orders",
    models=(
        Order,
        OrderEvent,
        Question,
        ReceiptCheck,
        Collection,
        ReturnVisit,
        WebhookMessage,
        RecheckItem,
        RecheckChange,
    ),
    held=held,
    contacts=contacts,
    unfinished=unfinished,
    counts=counts,
    forget=forget,
)


def contribute() -> None:
    contributes(PART)
