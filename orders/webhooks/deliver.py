"""One pass over the outbox: what is due is claimed, sent, and marked; several may run at once, on either database.

A claim is saved before the message is sent and ends by itself, so that one who is killed half-way holds nothing up: the message is
then sent again under the same identifier, by which the lab knows it. A lab that does not answer is tried later and later (the
schedule of the Standard Webhooks specification, then daily), all its messages with it, in their order; after days of failure its
webhook is disabled and the manager is told on the labs page.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Q
from django.utils import timezone

from orders.models import Webhook, WebhookMessage
from orders.webhooks import send, signing, targets
from orders.webhooks.outbox import body_of, give_up
from practice import audit

CLAIM = timedelta(minutes=3)  # longer than a try can last: 4 addresses at 20 s
PASS = 1000  # messages
DISABLE_AFTER = timedelta(days=5)
DELAYS = tuple(
    timedelta(seconds=s) for s in (5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400)
)  # Standard Webhooks, example schedule
GONE, SLOW_DOWN = 410, (429, 502, 503, 504)
KEEP = timedelta(days=30)  # delivered and given up messages

_random = secrets.SystemRandom()


@dataclass(slots=True)
class Counts:
    delivered: int = 0
    failed: int = 0
    disabled: int = 0


def deliver_due(*, clock: Callable[[], datetime] = timezone.now, most: int = PASS) -> Counts:
    """Send what is due now, oldest first; a lab that fails is left alone for the rest of the pass."""
    counts, failing = Counts(), set[int]()
    for _ in range(most):
        message = claim(clock(), leave=failing)
        if message is None:
            break
        answer = attempt(message, clock())
        if answer.taken:
            delivered(message, clock())
            counts.delivered += 1
            continue
        counts.failed += 1
        failing.add(message.webhook_id)
        counts.disabled += failed(message, answer, clock())
    return counts


@transaction.atomic
def claim(now: datetime, leave: set[int] | None = None) -> WebhookMessage | None:
    """The message that has been due longest and that nobody is sending, marked as being sent. None when there is none."""
    due = (
        WebhookMessage.objects.filter(
            Q(claimed_until=None) | Q(claimed_until__lte=now),
            delivered_at=None,
            given_up_at=None,
            due_at__lte=now,
            webhook__active=True,
        )
        .exclude(webhook__in=leave or ())
        .order_by("due_at", "pk")
        .select_related("webhook__lab__group", "order")
        .select_for_update(of=("self",), skip_locked=connection.features.has_select_for_update_skip_locked)
    )
    message = due.first()  # SQLite: the transaction is the only one that writes
    if message is not None:
        message.claimed_until, message.tries = now + CLAIM, message.tries + 1
        message.save(update_fields=["claimed_until", "tries"])
    return message


def attempt(message: WebhookMessage, now: datetime) -> send.Answer:
    """Post the message. Outside any transaction: the other side may take its time."""
    private = settings.WEBHOOKS_MAY_BE_PRIVATE
    try:
        target = targets.parse(message.webhook.url, private=private)
        addresses = targets.resolve(target, private=private)
    except (targets.BadTarget, OSError, UnicodeError) as error:
        return send.Answer(0, str(error)[:200] or type(error).__name__)
    body, timestamp = body_of(message), int(now.timestamp())
    headers = {
        "Content-Type": "application/json",
        "User-Agent": "Datumline-Webhooks/1",
        "webhook-id": message.message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signing.signatures(message.webhook, message.message_id, timestamp, body, now),
    }
    return send.post(target, addresses, body, headers)


def _mine(message: WebhookMessage) -> Q:
    """The message as long as our claim on it holds."""
    return Q(pk=message.pk, claimed_until=message.claimed_until, delivered_at=None)


def last_try(webhook: Webhook) -> tuple[str, datetime] | None:
    """Of a webhook that fails: what the last try met, in a sentence, and when the next one is due."""
    if webhook.failing_since is None or not webhook.active:
        return None
    tried = (
        webhook.messages.filter(delivered_at=None, given_up_at=None).exclude(trouble="").order_by("-due_at", "-pk").first()
    )
    return (send.plainly(tried.trouble), tried.due_at) if tried else None


@transaction.atomic
def delivered(message: WebhookMessage, now: datetime) -> None:
    # the webhook's row first, as in `failed`, so that two senders cannot wait for each other for ever
    Webhook.objects.filter(pk=message.webhook_id).update(failing_since=None, last_delivered_at=now)
    WebhookMessage.objects.filter(_mine(message)).update(delivered_at=now, claimed_until=None, trouble="")


@transaction.atomic
def failed(message: WebhookMessage, answer: send.Answer, now: datetime) -> bool:
    """Put the lab's messages off, or disable its webhook; True when it was disabled."""
    webhook = Webhook.objects.select_for_update(no_key=True).get(pk=message.webhook_id)
    since = webhook.failing_since or now
    wait = max(delay_after(message.tries), timedelta(seconds=answer.retry_after_s if answer.status in SLOW_DOWN else 0))
    again = now + wait
    mine = WebhookMessage.objects.filter(_mine(message))
    if not mine.update(due_at=again, claimed_until=None, trouble=answer.trouble[:200]):
        return False  # switched off or taken over in between
    webhook.messages.filter(delivered_at=None, given_up_at=None, due_at__lt=again).update(due_at=again)
    Webhook.objects.filter(pk=webhook.pk, failing_since=None).update(failing_since=now)
    if answer.status != GONE and now - since < DISABLE_AFTER:
        return False
    why = "the lab's server said that it is gone (410)" if answer.status == GONE else f"{answer.trouble}"[:200]
    Webhook.objects.filter(pk=webhook.pk).update(active=False, disabled_at=now, disabled_why=why)
    dropped = give_up(webhook, now)
    lab = message.webhook.lab
    audit.record(
        actor=None,
        action="lab.webhook_disabled",
        subject=f"lab {lab.code}",
        group=lab.group,
        after={"why": why, "failing_since": since.isoformat(timespec="seconds"), "given_up": dropped},
    )
    return True


def delay_after(tries: int) -> timedelta:
    """How long to wait after so many tries: a fifth more or less than the schedule, so that labs do not all come at once."""
    return DELAYS[min(max(tries, 1), len(DELAYS)) - 1] * _random.uniform(0.8, 1.2)


def forget_old(now: datetime) -> int:
    """Drop messages that were delivered or given up long ago; the trace and the feed stay."""
    old = Q(delivered_at__lt=now - KEEP) | Q(given_up_at__lt=now - KEEP)
    gone, _ = WebhookMessage.objects.filter(old).delete()
    return gone


def waiting(webhook: Webhook) -> int:
    return webhook.messages.filter(delivered_at=None, given_up_at=None).count()
