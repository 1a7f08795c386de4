"""What is written beside an order event for a lab that wants to be told, and what a manager does with a lab's webhook.

The payload is thin: type, moment and order number. What it is about the lab fetches, with its token.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from orders.labs import may_change
from orders.models import Lab, Order, OrderEvent, Webhook, WebhookMessage
from orders.webhooks import signing
from orders.webhooks.targets import BadTarget, parse
from practice import audit
from practice.errors import Invalid, Refused
from practice.models import Branch, Staff
from practice.unique import taken

TOLD = ("issued", "cancelled", "answered", "rejected")  # order events that are news from the practice
BOTH_SECRETS_FOR = timedelta(days=7)
MOST_REPLAYED = 10_000


def announce(order: Order, kind: str, at: datetime) -> None:
    """Put a message in the outbox, in the running transaction; nothing for a lab without a webhook that works."""
    webhook = Webhook.objects.filter(lab=order.lab_id, active=True).first()
    if webhook is not None:
        if kind not in TOLD:
            raise ValueError(f"labs are not told of {kind}")
        WebhookMessage.objects.create(
            webhook=webhook, order=order, message_id=_new_id(), kind=f"order.{kind}", at=at, due_at=timezone.now()
        )


def _new_id() -> str:
    return "msg_" + secrets.token_hex(16)


def body_of(message: WebhookMessage) -> bytes:
    """The same bytes at every try."""
    moment = message.at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    content = {"type": message.kind, "timestamp": moment, "data": {"number": message.order.number}}
    return json.dumps(content, separators=(",", ":")).encode("utf-8")


# --- the manager's deeds --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Saved:
    webhook: Webhook
    secret: str  # shown once; empty when the secret stays


@transaction.atomic
def save_webhook(*, actor: Staff, branch: Branch, lab: Lab, url: str) -> Saved:
    """Tell this lab at this address from now on. A new webhook gets a secret; one that was disabled is switched on again."""
    may_change(actor, branch, lab)
    try:
        parse(url, private=settings.WEBHOOKS_MAY_BE_PRIVATE)
    except BadTarget as error:
        raise Invalid({"url": str(error)}) from error
    row = Webhook.objects.select_for_update(no_key=True).filter(lab=lab).first()
    fresh = row is None
    before = {"url": row.url, "active": row.active} if row else {}
    row = row or Webhook(lab=lab, salt=signing.new_salt())
    row.url, row.active = url, True
    row.failing_since = row.disabled_at = None
    row.disabled_why = ""
    with taken(
        "url", "Somebody else has just saved an address for this lab. Look at it, then save yours if it still should be."
    ):
        row.save()
    _told(actor, "lab.webhook_saved", lab, before, {"url": url, "active": True})
    return Saved(row, signing.shown(signing.secret_of(row.salt)) if fresh else "")


@transaction.atomic
def new_secret(*, actor: Staff, branch: Branch, lab: Lab) -> Saved:
    """A new secret. For seven days messages are signed with both, so that the lab can change over."""
    may_change(actor, branch, lab)
    row = _row(lab)
    row.previous_salt, row.previous_until = row.salt, timezone.now() + BOTH_SECRETS_FOR
    row.salt = signing.new_salt()
    row.save(update_fields=["salt", "previous_salt", "previous_until"])
    _told(actor, "lab.webhook_secret_changed", lab, {}, {"both_until": row.previous_until.isoformat(timespec="seconds")})
    return Saved(row, signing.shown(signing.secret_of(row.salt)))


@transaction.atomic
def switch_off(*, actor: Staff, branch: Branch, lab: Lab) -> Webhook:
    """No more messages; what waits is given up. Off twice is the same as once."""
    may_change(actor, branch, lab)
    row = _row(lab)
    if row.active:
        row.active = False
        row.save(update_fields=["active"])
        dropped = give_up(row, timezone.now())
        _told(actor, "lab.webhook_off", lab, {"active": True}, {"active": False, "given_up": dropped})
    return row


@transaction.atomic
def replay(*, actor: Staff, branch: Branch, lab: Lab, since: datetime) -> int:
    """Tell the lab again of everything since a moment; how many messages that makes. Each has an identifier of its own."""
    may_change(actor, branch, lab)
    row = _row(lab)
    if not row.active:
        raise Refused("Save the address first: the webhook is off.")
    now = timezone.now()
    if since > now:
        raise Invalid({"since": "That moment has not come yet."})
    events = OrderEvent.objects.filter(order__lab=lab, kind__in=TOLD, at__gte=since).order_by("at", "pk")
    found = list(events.values_list("order_id", "kind", "at")[: MOST_REPLAYED + 1])
    if len(found) > MOST_REPLAYED:
        raise Refused(f"That would be more than {MOST_REPLAYED} messages. The lab reads its feed instead: it is quicker.")
    WebhookMessage.objects.bulk_create(
        [
            WebhookMessage(webhook=row, order_id=order, message_id=_new_id(), kind=f"order.{kind}", at=at, due_at=now)
            for order, kind, at in found
        ],
        batch_size=500,
    )
    _told(actor, "lab.webhook_replayed", lab, {}, {"since": since.isoformat(), "messages": len(found)})
    return len(found)


def give_up(webhook: Webhook, now: datetime) -> int:
    """Messages that still wait will not be sent; the feed has what they would have told of."""
    return webhook.messages.filter(delivered_at=None, given_up_at=None).update(given_up_at=now, claimed_until=None)


def _row(lab: Lab) -> Webhook:
    row = Webhook.objects.select_for_update(no_key=True).filter(lab=lab).first()
    if row is None:
        raise Refused("This lab has no webhook.")
    return row


def _told(actor: Staff, action: str, lab: Lab, before: dict[str, object], after: dict[str, object]) -> None:
    audit.record(actor=actor, action=action, subject=f"lab {lab.code}", group=lab.group, before=before, after=after)
