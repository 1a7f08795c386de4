"""Acknowledging in one exchange with PostgreSQL leaves what the ordinary way leaves, and answers what it answers."""

from __future__ import annotations

import threading
import time
from datetime import date
from types import SimpleNamespace
from typing import Any

import psycopg
import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from orders import at_once, lab_progress, labs
from orders.api import limits, quick
from orders.models import IdempotentAnswer, LabToken, Order, OrderEvent
from practice import audit
from practice.models import AuditEvent, AuditHead
from tests.factories import Cast, LabFactory
from tests.orders.conftest import Door, labs_token
from tests.orders.test_crowd import bare_dispenses, bare_order, together

pytestmark = pytest.mark.skipif("connection.vendor != 'postgresql'", reason="functions of PostgreSQL")
TABLES = (Order, OrderEvent, AuditEvent, AuditHead, IdempotentAnswer)
ODD = 'Glas "Süd" \\ / \x01\t\u2028 שלום 👓'


@pytest.fixture
def ordinary(monkeypatch):
    """The ordinary way only, as on SQLite."""

    def switch() -> None:
        monkeypatch.setattr(at_once, "works", lambda: False)

    return switch


@pytest.fixture
def done_at_once(monkeypatch):
    """What each call of the function has given."""
    real, found = at_once.acknowledge, []

    def acknowledge(**values):
        found.append(real(**values))
        return found[-1]

    monkeypatch.setattr(at_once, "acknowledge", acknowledge)
    return found


def everything() -> list[list[dict[str, Any]]]:
    """Every column of every row that an acknowledgement could touch, but for keys that the database counts up."""
    counted = {OrderEvent: "id", AuditEvent: "id", IdempotentAnswer: "id"}
    return [
        [{k: v for k, v in row.items() if k != counted.get(model)} for row in model.objects.order_by("pk").values()]
        for model in TABLES
    ]


def stop_clock(monkeypatch, found) -> None:
    """The ordinary way happens at the moments at which the function's rows say that it did."""
    events, told, kept = found[1], found[2], found[4]
    if events:
        monkeypatch.setattr(lab_progress, "timezone", SimpleNamespace(now=lambda: events[-1]["at"]))
    if told:
        monkeypatch.setattr(audit, "timezone", SimpleNamespace(now=lambda: told[-1]["at"]))
    if kept:
        field = IdempotentAnswer._meta.get_field("created_at")
        monkeypatch.setattr(field, "pre_save", lambda row, add: kept[-1]["created_at"])


STATES = [
    ("issued", True, "order", True),
    ("issued", True, "cancellation", False),
    ("acknowledged", False, "order", True),
    ("in_work", False, "order", True),
    ("collected", False, "order", True),
    ("cannot_make", False, "order", True),
    ("rejected", True, "order", True),
    ("rejected", False, "order", True),
    ("cancelled", True, "order", False),
    ("cancelled", True, "cancellation", True),
    ("cancelled", False, "cancellation", True),
]


@pytest.mark.parametrize("key", [{}, {"Idempotency-Key": "a-1"}])
@pytest.mark.parametrize(("state", "waiting", "what", "short"), STATES)
def test_both_ways_leave_the_same_rows(
    cast, door, make_order, monkeypatch, ordinary, done_at_once, state, waiting, what, short, key
):
    cast.lab.name = ODD
    cast.lab.save()
    make_order()
    order = make_order(state=state, waiting=waiting, version=7, promised_on=date(2026, 12, 1) if waiting else None)
    make_order(lab=LabFactory(group=cast.group))
    path, before = f"orders/{order.number}/acknowledgement", everything()
    limits.forget()
    with transaction.atomic():
        quickly = door.post(path, {"what": what}, key)
        found = everything()
        assert [done is not None for done in done_at_once] == [short]
        assert audit.verify(cast.group) is None
        transaction.set_rollback(True)
    assert everything() == before
    stop_clock(monkeypatch, found)
    ordinary()
    slowly = door.post(path, {"what": what}, key)
    assert len(done_at_once) == 1
    assert (slowly.status_code, slowly.content) == (quickly.status_code, quickly.content)
    assert {n: v for n, v in slowly.items() if n != "X-Request-ID" and n != "RateLimit"} == {
        n: v for n, v in quickly.items() if n != "X-Request-ID" and n != "RateLimit"
    }
    assert everything() == found, "every column of every row, digests and heads of the chain included"
    assert (found != before) == (bool(key) or (short and waiting))


@pytest.mark.parametrize("lots", [1, 7])
def test_both_ways_of_a_batch_leave_the_same_rows(cast, make_order, monkeypatch, ordinary, lots):
    cast.lab.name = ODD
    cast.lab.save()
    states = [("issued", True), ("cancelled", True), ("rejected", True), ("rejected", False), ("in_work", False)]
    orders = [make_order(state=s, waiting=w) for _ in range(lots) for s, w in states]
    foreign = make_order(lab=LabFactory(group=cast.group))
    numbers = [o.number for o in reversed(orders)] + ["SM-999999", foreign.number, orders[0].number]
    before = everything()
    with transaction.atomic():
        quickly = lab_progress.acknowledge_many(lab=cast.lab, numbers=numbers)
        found = everything()
        assert audit.verify(cast.group) is None
        transaction.set_rollback(True)
    assert everything() == before
    stop_clock(monkeypatch, found)
    moments = iter([row["at"] for row in found[2][len(before[2]) :]])
    monkeypatch.setattr(audit, "timezone", SimpleNamespace(now=lambda: next(moments)))
    ordinary()
    assert lab_progress.acknowledge_many(lab=cast.lab, numbers=numbers) == quickly
    assert everything() == found
    assert {line.outcome for line in quickly} == {"acknowledged", "cancelled", "already", "not-found"}


def test_it_takes_one_statement(door, make_order):
    first, second = make_order(), make_order()
    door.post(f"orders/{first.number}/acknowledgement")
    with CaptureQueriesContext(connection) as queries:
        assert door.post(f"orders/{second.number}/acknowledgement", {}, {"Idempotency-Key": "k"}).status_code == 200
    assert len(queries) == 1


def test_a_token_counts_as_it_stands(cast, door, make_order, done_at_once, monkeypatch):
    """Revoked, ended, without the scope, from elsewhere, an inactive lab: each with the very next request."""
    monkeypatch.setattr(limits, "time", SimpleNamespace(monotonic=lambda: 0.0))  # the minute does not turn meanwhile
    limits.forget()
    order = make_order()
    path = f"orders/{order.number}/acknowledgement"
    make_order(lab=cast.foreign_lab)
    token = LabToken.objects.filter(lab=cast.lab)
    door.get("orders")  # this process has a share of its minute

    def refused() -> int:
        status = door.post(path).status_code
        assert done_at_once[-1] is None
        order.refresh_from_db()
        assert order.state == "issued"
        assert not AuditEvent.objects.filter(action="order.acknowledged").exists()
        return int(status)

    for change, undo, status in (
        ({"revoked_at": timezone.now()}, {"revoked_at": None}, 401),
        ({"expires_at": timezone.now()}, {"expires_at": None}, 401),
        ({"scopes": [labs.READ]}, {"scopes": list(labs.SCOPES)}, 403),
    ):
        token.update(**change)
        assert refused() == status
        token.update(**undo)
    cast.lab.active = False
    cast.lab.save()
    assert refused() == 401
    cast.lab.active, cast.lab.allowed_addresses = True, ["192.0.2.0/24", "2001:db8::/32"]
    cast.lab.save()
    assert refused() == 403
    cast.lab.allowed_addresses = ["192.0.2.0/24", "127.0.0.0/8"]
    cast.lab.save()
    assert door.post(path).status_code == 200
    assert done_at_once[-1] is not None
    assert LabToken.objects.get(lab=cast.lab).last_used_at is not None


@pytest.mark.django_db(transaction=True)
def test_eight_labs_and_eight_threads_lose_and_double_nothing():
    """Every way at once on the same orders: with a key, without, the ordinary way, in batches; each thread also meets the others'."""
    cast = Cast()
    every = [cast.lab, *(LabFactory(group=cast.group) for _ in range(3))]
    numbers: dict[int, list[str]] = {}
    dispenses = bare_dispenses(cast, 8 * len(every))
    for i, dispense in enumerate(dispenses, start=1):
        lab = every[i % len(every)]
        order = bare_order(cast, dispense, f"SM-{i:06d}", i)
        Order.objects.filter(pk=order.pk).update(lab=lab)
        numbers.setdefault(lab.pk, []).append(order.number)
    tokens = {lab.pk: labs_token(lab) for lab in every}

    def one_by_one(lab, keyed: bool):
        door, told = Door(Client(), tokens[lab.pk]), []
        for number in numbers[lab.pk] if keyed else reversed(numbers[lab.pk]):
            headers = {"Idempotency-Key": f"k-{number}"} if keyed else {}
            for _ in range(2):
                answer = door.post(f"orders/{number}/acknowledgement", {}, headers)
                told.append((number, answer.status_code, answer.content if keyed else b""))
        return told

    def in_batches(lab):
        Door(Client(), tokens[lab.pk]).post("orders/acknowledgements", {"numbers": numbers[lab.pk][::-1]})
        return []

    deeds = [lambda lab=lab: one_by_one(lab, True) for lab in every]
    deeds += [lambda: one_by_one(every[0], True), lambda: one_by_one(every[0], False), lambda: one_by_one(every[1], False)]
    deeds += [lambda: in_batches(every[0])]
    told = [line for lines in together(*deeds) for line in lines]
    assert {status for _, status, _ in told} == {200}
    answers: dict[str, set[bytes]] = {}
    for number, _, content in told:
        if content:
            answers.setdefault(number, set()).add(content)
    assert all(len(same) == 1 for same in answers.values()), "the same key, the same answer"
    assert len(answers) == len(dispenses)
    events = list(OrderEvent.objects.filter(kind="acknowledged").values_list("order__number", flat=True))
    assert sorted(events) == sorted(n for mine in numbers.values() for n in mine), "each once"
    assert set(Order.objects.values_list("state", "waiting", "version")) == {("acknowledged", False, 2)}
    assert not IdempotentAnswer.objects.exclude(status=200).exists()
    assert audit.verify(cast.group) is None


@pytest.mark.django_db(transaction=True)
def test_a_connection_that_is_cut_in_the_middle_leaves_nothing_half_done(client, monkeypatch):
    """The database ends the connection while the function holds the key and waits for the order: all of it is undone, and the
    request is done once, on a new connection."""
    cast = Cast()
    order = bare_order(cast, bare_dispenses(cast, 1)[0], "SM-000001", 1)
    door, pid, answers = Door(client, labs_token(cast.lab)), [], []
    door.get("orders")
    settings = {**connection.get_connection_params(), "cursor_factory": psycopg.Cursor}
    real = at_once.acknowledge

    def acknowledge(**values):
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_backend_pid()")
            pid.append(cursor.fetchone()[0])
        return real(**values)

    monkeypatch.setattr(at_once, "acknowledge", acknowledge)

    def send():
        try:
            answers.append(door.post("orders/SM-000001/acknowledgement", {}, {"Idempotency-Key": "one"}))
        finally:
            connection.close()

    with psycopg.connect(**settings) as holder, psycopg.connect(**settings, autocommit=True) as other:
        holder.execute("SELECT FROM orders_order WHERE id = %s FOR UPDATE", [order.pk])
        thread = threading.Thread(target=send)
        thread.start()
        waits = "SELECT count(*) FROM pg_stat_activity WHERE pid = %s AND wait_event_type = 'Lock'"
        for _ in range(6000):
            if pid and other.execute(waits, pid[:1]).fetchone()[0]:
                break
            time.sleep(0.02)
        other.execute("SELECT pg_terminate_backend(%s)", pid[:1])
        while other.execute("SELECT count(*) FROM pg_stat_activity WHERE pid = %s", pid[:1]).fetchone()[0]:
            time.sleep(0.02)
        assert not OrderEvent.objects.filter(kind="acknowledged").exists()
        assert not IdempotentAnswer.objects.filter(status=200).exists()
        holder.rollback()
        thread.join(300)
    assert [(a.status_code, a.json()["state"]) for a in answers] == [(200, "acknowledged")]
    again = Door(Client(), door.token).post("orders/SM-000001/acknowledgement", {}, {"Idempotency-Key": "one"})
    assert (again.content, again["Idempotency-Replayed"]) == (answers[0].content, "true")
    assert OrderEvent.objects.filter(kind="acknowledged").count() == 1
    assert audit.verify(cast.group) is None


@pytest.mark.django_db(transaction=True)
def test_a_fault_in_the_very_last_step_leaves_neither_deed_nor_key(client):
    """The chain's head cannot be written: token, key, order, trace and audit row are as if nobody had asked."""
    cast = Cast()
    order = bare_order(cast, bare_dispenses(cast, 1)[0], "SM-000001", 1)
    door, key = Door(client, labs_token(cast.lab)), {"Idempotency-Key": "crash"}
    door.get("orders")
    before = everything()
    client.raise_request_exception = False
    try:
        with connection.cursor() as cursor:
            cursor.execute(
                "CREATE FUNCTION tests_fail() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION 'power cut'; END $$ LANGUAGE plpgsql"
            )
            cursor.execute(
                "CREATE TRIGGER tests_fail BEFORE UPDATE ON practice_audithead FOR EACH ROW EXECUTE FUNCTION tests_fail()"
            )
        assert door.post("orders/SM-000001/acknowledgement", {}, key).status_code == 500
    finally:
        with connection.cursor() as cursor:
            cursor.execute("DROP FUNCTION tests_fail CASCADE")
    assert everything() == before
    assert door.post("orders/SM-000001/acknowledgement", {}, key).json()["state"] == "acknowledged"
    assert order.events.filter(kind="acknowledged").count() == 1


@pytest.mark.django_db(transaction=True)
def test_a_lock_that_is_held_too_long_is_said_and_nothing_is_done(client, monkeypatch):
    cast = Cast()
    order = bare_order(cast, bare_dispenses(cast, 1)[0], "SM-000001", 1)
    door = Door(client, labs_token(cast.lab))
    door.get("orders")
    with connection.cursor() as cursor:
        cursor.execute("SET lock_timeout = '100ms'")
    monkeypatch.setattr(quick, "_in_order", lambda *_: pytest.fail("not waited for a second time"))
    try:
        with psycopg.connect(**{**connection.get_connection_params(), "cursor_factory": psycopg.Cursor}) as holder:
            holder.execute("SELECT FROM orders_order WHERE id = %s FOR UPDATE", [order.pk])
            client.raise_request_exception = False
            assert door.post("orders/SM-000001/acknowledgement", {}, {"Idempotency-Key": "one"}).status_code == 503
    finally:
        connection.close()
    assert not IdempotentAnswer.objects.exists()
    assert door.post("orders/SM-000001/acknowledgement", {}, {"Idempotency-Key": "two"}).status_code in (200,)
