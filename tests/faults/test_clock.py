"""The clock is set back an hour, and forward a day, between deeds: what came first stays first, and nothing is lost or refused.

The clock is patched where the site reads it (`timezone.now`); moments on record are what the clock said, order is not taken from them.
"""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from orders import lab_progress
from orders.issue import issue_order
from orders.models import Order, OrderEvent, WebhookMessage
from orders.verify import differences
from orders.webhooks import outbox
from orders.webhooks.deliver import claim
from practice import audit
from practice.models import AuditEvent
from tests.factories import ClientFactory
from tests.orders.ready import ready_dispense


@pytest.mark.django_db
def test_the_order_of_what_was_done_does_not_come_from_the_clock(cast, monkeypatch, settings):
    settings.WEBHOOKS_MAY_BE_PRIVATE = True
    outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url="http://127.0.0.1:9/")
    ready = [ready_dispense(cast, client=ClientFactory(branch=cast.branch)) for _ in range(3)]
    true_now = timezone.now
    orders = []
    for dispense, jump in zip(ready, (timedelta(0), timedelta(hours=-1), timedelta(days=1)), strict=True):
        monkeypatch.setattr(timezone, "now", lambda jump=jump: true_now() + jump)
        orders.append(issue_order(actor=cast.dispenser, dispense=dispense, lab=cast.lab))
    monkeypatch.setattr(timezone, "now", lambda: true_now() - timedelta(hours=2))
    assert orders[1].issued_at < orders[0].issued_at < orders[2].issued_at  # the clock did jump
    assert [o.number for o in orders] == ["SM-000001", "SM-000002", "SM-000003"]
    feed = Order.objects.filter(lab=cast.lab).order_by("feed_position")
    assert [o.number for o in feed] == [o.number for o in orders]
    # a lab acknowledges at a moment before the issue: it is done, once
    for _ in range(2):
        lab_progress.acknowledge(lab=cast.lab, number=orders[2].number)
    assert OrderEvent.objects.filter(kind="acknowledged").count() == 1
    told = AuditEvent.objects.filter(group=cast.group, action="order.issued").order_by("sequence")
    assert [e.subject for e in told] == [f"order {o.number}" for o in orders]
    assert audit.verify(cast.group) is None
    assert [d for _, d in differences() if d is not None] == []
    # every message goes out once the clock is right again; none is due in the past for ever or lost
    monkeypatch.setattr(timezone, "now", lambda: true_now() + timedelta(days=1, minutes=1))
    claimed = [claim(timezone.now()) for _ in range(4)]
    assert {m.order_id for m in claimed if m} == {o.pk for o in orders}
    assert claimed[3] is None
    assert WebhookMessage.objects.count() == 3
