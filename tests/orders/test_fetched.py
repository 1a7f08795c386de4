"""What a lab was handed, and from where it may ask."""

from __future__ import annotations

import json

import pytest
from django.test import Client, RequestFactory

from orders.api.addresses import client_address
from orders.models import Order, OrderEvent
from practice.models import AuditEvent


def noted() -> list[str]:
    return list(OrderEvent.objects.filter(kind="fetched").order_by("pk").values_list("order__number", flat=True))


def test_the_first_fetch_is_noted_once(cast, door, make_order):
    one, two = make_order(), make_order()
    assert door.get("orders", limit=1).status_code == 200
    assert noted() == [one.number]
    for _ in range(2):
        assert door.get("orders").status_code == 200
    assert door.get(f"orders/{two.number}").status_code == 200
    assert noted() == [one.number, two.number]
    one.refresh_from_db()
    event = one.events.get(kind="fetched")
    assert (event.by_lab, one.fetched_at, one.version, one.state) == (cast.lab, event.at, 1, "issued")
    assert AuditEvent.objects.filter(action="order.fetched").count() == 2


@pytest.mark.parametrize("suffix", [".json", ".pdf", ".fhir-r5"])
def test_one_order_in_any_form(door, make_order, suffix):
    order = make_order()
    assert door.get(f"orders/{order.number}{suffix}").status_code == 200
    assert noted() == [order.number]


def test_what_hands_nothing_out_is_not_noted(door, foreign_door, make_order):
    order = make_order()
    path = f"/api/v1/orders/{order.number}"
    headers = {"Authorization": f"Bearer {door.token}"}
    assert door.client.head(path, headers=headers).status_code == 200
    assert foreign_door.get(f"orders/{order.number}").status_code == 404
    assert door.get("orders", headers={"If-None-Match": "*"}).status_code == 304
    Order.objects.update(state="cancelled", cancelled_at=order.issued_at, cancel_reason="Wrong frame.")
    assert door.get(f"orders/{order.number}.pdf").status_code == 409
    assert noted() == []


def test_the_tag_of_an_order_does_not_change_by_fetching_it(door, make_order):
    order = make_order()
    tag = door.get(f"orders/{order.number}")["ETag"]
    assert door.get(f"orders/{order.number}", headers={"If-None-Match": tag}).status_code == 304


def test_the_trace_shows_it(cast, door, make_order):
    order = make_order()
    door.get("orders")
    page = Client()
    page.force_login(cast.dispenser)
    assert "Fetched by the lab" in page.get(f"/orders/{order.number}/").content.decode()


# --- addresses


def _from(door, address: str, **more: str):
    return door.client.get("/api/v1/orders", headers={"Authorization": f"Bearer {door.token}"}, REMOTE_ADDR=address, **more)


@pytest.mark.parametrize(
    ("allowed", "address", "status"),
    [
        ([], "198.51.100.7", 200),
        (["192.0.2.0/24"], "192.0.2.255", 200),
        (["192.0.2.0/24"], "192.0.3.0", 403),
        (["203.0.113.9", "2001:db8:4::/48"], "203.0.113.9", 200),
        (["203.0.113.9", "2001:db8:4::/48"], "2001:db8:4:1::5", 200),
        (["203.0.113.9", "2001:db8:4::/48"], "2001:db8:5::5", 403),
        (["192.0.2.0/24"], "::ffff:192.0.2.7", 200),  # the same address as a dual-stack socket shows it
        (["::/0"], "192.0.2.7", 403),
        (["192.0.2.0/24"], "", 403),
    ],
)
def test_a_lab_that_lists_addresses_is_answered_from_there_only(cast, door, make_order, allowed, address, status):
    make_order()
    cast.lab.allowed_addresses = allowed
    cast.lab.save()
    response = _from(door, address)
    assert response.status_code == status
    if status == 403:
        body = json.loads(response.content)
        assert response["Content-Type"] == "application/problem+json"
        assert body["type"].endswith("#problem-address-not-allowed")
        assert noted() == []
        shared = door.client.get(
            "/api/v1/calculations", headers={"Authorization": f"Bearer {door.token}"}, REMOTE_ADDR=address
        )
        assert shared.status_code == 403


@pytest.mark.parametrize(
    ("trusted", "remote", "forwarded", "expected"),
    [
        ([], "198.51.100.7", "192.0.2.1", "198.51.100.7"),  # nobody is believed unless told so
        (["10.0.0.0/8"], "10.0.0.5", "192.0.2.1", "192.0.2.1"),
        (["10.0.0.0/8"], "10.0.0.5", "192.0.2.1, 198.51.100.7", "198.51.100.7"),  # the left part was written by the asker
        (["10.0.0.0/8"], "10.0.0.5", "192.0.2.1, 10.0.0.9", "192.0.2.1"),
        (["10.0.0.0/8"], "10.0.0.5", "", "10.0.0.5"),
        (["10.0.0.0/8"], "10.0.0.5", "nonsense", None),
        (["10.0.0.0/8"], "198.51.100.7", "192.0.2.1", "198.51.100.7"),
    ],
)
def test_whose_address_it_is(settings, trusted, remote, forwarded, expected):
    settings.TRUSTED_PROXIES = trusted
    extra = {"HTTP_X_FORWARDED_FOR": forwarded} if forwarded else {}
    found = client_address(RequestFactory().get("/", REMOTE_ADDR=remote, **extra))
    assert (str(found) if found else None) == expected
