"""The feed's short way gives what the view gives, and steps aside where it is not sure."""

from __future__ import annotations

from datetime import timedelta

import psycopg
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from orders import labs
from orders.api import quick
from orders.models import LabToken, Order, OrderEvent
from tests.factories import Cast
from tests.orders.conftest import Door, labs_token


@pytest.fixture
def the_view(settings):
    """Django's test client with the short way taken out."""

    def make(token: str) -> Door:
        settings.MIDDLEWARE = [m for m in settings.MIDDLEWARE if m != "orders.api.quick.feed_first"]
        return Door(Client(), token)

    return make


@pytest.fixture
def taken(monkeypatch):
    """How often the short way answered."""
    real, counts = quick.page, []

    def page(request):
        found = real(request)
        counts.append(found is not None)
        return found

    monkeypatch.setattr(quick, "page", page)
    return counts


SAME = [
    ({}, {}),
    ({"after": "2"}, {}),
    ({"after": "99"}, {}),
    ({"limit": "2"}, {}),
    ({"waiting": "any"}, {}),
    ({"waiting": "false"}, {}),
    ({"waiting": "any", "state": ["acknowledged", "cancelled"], "limit": "1"}, {}),
    ({"waiting": "any", "state": "issued"}, {}),
    ({}, {"Accept": "application/json"}),
    ({}, {"Accept-Encoding": "gzip"}),
]
OTHERWISE = [
    ({"after": "-1"}, {}),
    ({"limit": "0"}, {}),
    ({"waiting": "maybe"}, {}),
    ({"state": "nothing"}, {}),
    ({"format": "json"}, {}),
    ({}, {"Accept": "text/html"}),
    ({}, {"Accept": "application/json, text/plain"}),
    ({}, {"Authorization": "Bearer wrong"}),
    ({}, {"Authorization": "Basic x"}),
    ({}, {"Authorization": "Bearer"}),
]


def told(response) -> tuple:
    names = (
        "Content-Type",
        "ETag",
        "Link",
        "Vary",
        "Cache-Control",
        "Content-Encoding",
        "Content-Length",
        "RateLimit-Policy",
    )
    headers = {
        n: response.headers.get(n, "").removesuffix(", Cookie") for n in names
    }  # the view's passes the session's layers
    return response.status_code, response.content, headers


@pytest.mark.parametrize(("query", "headers"), SAME + OTHERWISE)
def test_it_answers_as_the_view_does(cast, door, make_order, the_view, taken, query, headers):
    for n in range(5):
        make_order(state=["issued", "acknowledged", "cancelled"][n % 3], waiting=n != 1)
    Order.objects.filter(state="cancelled").update(cancelled_at=timezone.now(), cancel_reason='Wrong "frame"\n – ß')
    make_order(lab=cast.foreign_lab)
    first = told(door.get("orders", headers, **query))
    assert taken == [(query, headers) in SAME]
    assert told(the_view(door.token).get("orders", headers, **query)) == first
    assert first[0] in (200, 400, 401, 404, 406)
    if first[0] == 200:
        tag = {"If-None-Match": first[2]["ETag"]}
        assert the_view(door.token).get("orders", tag, **query).status_code == 304


def test_the_tag_is_honoured(door, make_order, taken):
    make_order()
    tag = door.get("orders")["ETag"]
    assert door.get("orders", {"If-None-Match": tag}).status_code == 304
    assert taken == [True, True]


def test_a_token_counts_as_it_stands_at_every_request(cast, door, make_order, taken):
    """Nothing is remembered: revoked, ended, without the scope, from elsewhere, an inactive lab, all with the next request."""
    make_order()
    assert door.get("orders").status_code == 200
    row = LabToken.objects.get()
    for change, undo in (
        ({"revoked_at": timezone.now()}, {"revoked_at": None}),
        ({"expires_at": timezone.now() - timedelta(seconds=1)}, {"expires_at": None}),
    ):
        LabToken.objects.filter(pk=row.pk).update(**change)
        assert door.get("orders").status_code == 401
        LabToken.objects.filter(pk=row.pk).update(**undo)
        assert door.get("orders").status_code == 200
    writer = Door(door.client, labs_token(cast.lab, scopes=[labs.WRITE]))
    assert writer.get("orders").status_code == 403
    cast.lab.allowed_addresses = ["192.0.2.0/24"]
    cast.lab.save()
    assert door.get("orders").status_code == 403
    cast.lab.allowed_addresses, cast.lab.active = [], False
    cast.lab.save()
    assert door.get("orders").status_code == 401
    assert taken == [True, False, True, False, True, False, False, False]


def test_the_use_and_the_fetch_are_noted(door, make_order, taken):
    make_order()
    door.get("orders")
    door.get("orders")
    assert taken == [True, True]
    assert LabToken.objects.get().last_used_at is not None
    assert OrderEvent.objects.filter(kind="fetched").count() == 1


def test_too_many_is_said_by_the_view(door, make_order, settings, taken, one_minute):
    settings.LAB_REQUESTS_A_MINUTE = 2
    assert [door.get("orders").status_code for _ in range(4)] == [200, 200, 429, 429]
    assert taken == [True, True, False, False]


def test_a_page_that_was_fetched_before_costs_one_statement(door, make_order, taken):
    make_order()
    door.get("orders")
    with CaptureQueriesContext(
        connection,
    ) as queries:
        assert door.get("orders").status_code == 200
    assert len(queries) == (1 if connection.vendor == "postgresql" else 2)


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has no connection that could be cut")
@pytest.mark.django_db(transaction=True)
def test_a_connection_that_was_cut_is_opened_anew(client, taken):
    cast = Cast()
    door = Door(client, labs_token(cast.lab))
    assert door.get("orders").status_code == 200
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        (pid,) = cursor.fetchone()
    with psycopg.connect(**{**connection.get_connection_params(), "cursor_factory": psycopg.Cursor}) as other:
        other.execute("SELECT pg_terminate_backend(%s)", [pid])
    assert door.get("orders").status_code == 200
    assert taken == [True, False], "the short way steps aside once"
    assert door.get("orders").status_code == 200
    assert taken[-1]


# --- one order acknowledged


@pytest.fixture
def said(monkeypatch):
    """How often the short way of an acknowledgement answered."""
    real, counts = quick.acknowledgement, []

    def acknowledgement(request, number):
        found = real(request, number)
        counts.append(found is not None)
        return found

    monkeypatch.setattr(quick, "acknowledgement", acknowledgement)
    return counts


KEY = {"Idempotency-Key": "a-1"}


@pytest.mark.parametrize(
    ("state", "body", "headers", "short"),
    [
        ("issued", {}, {}, True),
        ("issued", {"what": "order"}, KEY, True),
        ("issued", {"what": "cancellation"}, {}, True),
        ("cancelled", {"what": "cancellation"}, KEY, True),
        ("cancelled", {}, KEY, True),
        ("acknowledged", {}, {"Accept": "application/json"}, True),
        ("rejected", {}, {}, True),
        ("issued", {}, {"Idempotency-Key": "x" * 121}, True),
        ("issued", {"what": "cake"}, {}, False),
        ("issued", [], {}, False),
        ("issued", {"what": "order", "more": "x" * 300}, {}, False),
        ("issued", {}, {"If-Match": '"x-1-json"'}, False),
        ("issued", {}, {"Accept": "text/html"}, False),
        ("issued", {}, {"Authorization": "Bearer wrong"}, False),
    ],
)
def test_an_acknowledgement_is_answered_as_the_view_does(
    cast, door, make_order, the_view, said, state, body, headers, short
):
    one, other = make_order(state=state), make_order(state=state)

    def told_of(response):
        names = ("Content-Type", "Cache-Control", "WWW-Authenticate", "RateLimit-Policy", "Allow")
        kept = {n: response.headers.get(n, "") for n in names}
        return response.status_code, response.content.replace(other.number.encode(), one.number.encode()), kept

    first = told_of(door.post(f"orders/{one.number}/acknowledgement", body, headers))
    assert said == [short]
    again = {**headers, "Idempotency-Key": "b-2"} if headers == KEY else headers
    assert told_of(the_view(door.token).post(f"orders/{other.number}/acknowledgement", body, again)) == first
    rows = [(o.state, o.waiting, o.version, [e.kind for e in o.events.all()]) for o in Order.objects.order_by("pk")]
    assert rows[0] == rows[1]
    assert len(said) == 1, "the view had no short way before it"


def test_a_repeat_with_its_key_is_answered_alike_by_either_way(door, make_order, the_view, said):
    order = make_order()
    path = f"orders/{order.number}/acknowledgement"
    first = door.post(path, {}, KEY)
    view = the_view(door.token)
    for again in (door.post(path, {}, KEY), view.post(path, {"what": "order"}, KEY)):
        assert (again.status_code, again.content, again["Idempotency-Replayed"]) == (200, first.content, "true")
    assert view.post(path, {"what": "cancellation"}, KEY).status_code == 422
    assert order.events.filter(kind="acknowledged").count() == 1


def test_another_labs_order_and_a_reading_token_get_nowhere(cast, door, foreign_door, make_order, said):
    order = make_order()
    path = f"orders/{order.number}/acknowledgement"
    assert foreign_door.post(path).status_code == 404
    reading = Door(door.client, labs_token(cast.lab, scopes=[labs.READ]))
    assert reading.post(path).status_code == 403
    assert said == [True, False]
    order.refresh_from_db()
    assert order.state == "issued"
