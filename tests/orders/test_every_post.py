"""What holds for every POST of the lab API alike: done once under its key also after a crash, guarded by If-Match, counted."""

from __future__ import annotations

import os
from datetime import date, timedelta

import pytest
from django.db import connection, transaction
from django.test import Client
from django.utils import timezone

from orders.models import IdempotentAnswer, Order, OrderEvent
from tests.factories import Cast
from tests.orders.conftest import Door, labs_token
from tests.orders.test_crowd import bare_dispenses, bare_order

DEEDS = {
    "acknowledgement": ({"what": "order"}, "acknowledged"),
    "progress": ({"state": "in_work", "note": "bench 4"}, "in_work"),
    "promise": ({"on": str(date.today() + timedelta(days=4))}, "promised"),
    "cannot-make": ({"reason": "No such blank."}, "cannot_make"),
    "questions": ({"text": "Which blank?"}, "question"),
}


@pytest.mark.parametrize("deed", [*DEEDS, "batch"])
def test_a_repeat_under_its_key_is_the_first_answer_and_no_second_deed(door, make_order, deed):
    order = make_order()
    path, (body, kind) = f"orders/{order.number}/{deed}", DEEDS.get(deed, ({}, "acknowledged"))
    if deed == "batch":
        path, body = "orders/acknowledgements", {"numbers": [order.number, "SM-999999"]}
    key = {"Idempotency-Key": f"k-{deed}"}
    first = door.post(path, body, key)
    assert first.status_code == 200
    assert "Idempotency-Replayed" not in first
    door.post(f"orders/{order.number}/questions", {"text": "Something else meanwhile?"})
    again = door.post(path, body, key)
    assert (again.status_code, again.content, again["Idempotency-Replayed"]) == (200, first.content, "true")
    assert order.events.filter(kind=kind).exclude(note="Something else meanwhile?").count() == 1
    assert IdempotentAnswer.objects.get().body.encode() == first.content
    for answered in (first, again):
        assert "RateLimit" in answered
        assert answered["Cache-Control"] == "no-store"


@pytest.mark.parametrize("deed", DEEDS)
def test_if_match_holds_every_deed_on_one_order(door, make_order, deed):
    order = make_order()
    tag = door.get(f"orders/{order.number}")["ETag"]
    Order.objects.filter(pk=order.pk).update(version=7)
    body, kind = DEEDS[deed]
    stale = door.post(f"orders/{order.number}/{deed}", body, {"If-Match": tag})
    assert (stale.status_code, stale["Content-Type"]) == (412, "application/problem+json")
    assert not order.events.filter(kind=kind).exists()
    fresh = door.get(f"orders/{order.number}")["ETag"]
    assert door.post(f"orders/{order.number}/{deed}", body, {"If-Match": fresh}).status_code == 200


def crashed(work) -> int:
    """Run `work` in a process of its own that ends in the middle of it; how it ended."""
    connection.close()
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(1)  # it should not have come so far
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.mark.skipif(connection.vendor != "postgresql", reason="the tests' SQLite database belongs to one process")
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("deed", DEEDS)
@pytest.mark.parametrize("before_commit", [True, False])
def test_a_server_that_dies_in_the_middle_leaves_the_deed_done_once_or_not_at_all(monkeypatch, deed, before_commit):
    cast = Cast()
    bare_order(cast, bare_dispenses(cast, 1)[0], "SM-000001", 1)
    token, (body, kind) = labs_token(cast.lab), DEEDS[deed]
    path, key = f"orders/SM-000001/{deed}", {"Idempotency-Key": "one"}

    def die(*args, **kwargs):
        os._exit(9)

    def send():
        from orders.api import quick, views

        if before_commit:
            monkeypatch.setattr(IdempotentAnswer, "save", die)
            at_once = quick._at_once  # one exchange, inside of which nobody here can die: just before its commit

            def up_to_the_commit(*args):
                with transaction.atomic():
                    if at_once(*args) is not None:
                        die()

            monkeypatch.setattr(quick, "_at_once", up_to_the_commit)
        else:  # done and kept, the answer not yet on its way
            monkeypatch.setattr(views.LabView, "finalize_response", die)
            real = quick.acknowledgement
            monkeypatch.setattr(quick, "acknowledgement", lambda *a: die() if real(*a) is not None else None)
        Door(Client(), token).post(path, body, key)

    assert crashed(send) == 9
    monkeypatch.undo()
    assert OrderEvent.objects.filter(kind=kind).count() == (0 if before_commit else 1)
    assert IdempotentAnswer.objects.count() == (0 if before_commit else 1)
    door = Door(Client(), token)
    first = door.post(path, body, key)
    assert first.status_code == 200
    assert first.headers.get("Idempotency-Replayed") == (None if before_commit else "true")
    assert door.post(path, body, key).content == first.content
    assert OrderEvent.objects.filter(kind=kind).count() == 1
    assert Order.objects.get().version == 2
    assert timezone.now() >= IdempotentAnswer.objects.get().created_at
