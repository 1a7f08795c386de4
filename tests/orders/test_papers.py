"""A document that is opened by itself is on record as one that was printed with others: at the branch, and by the lab."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from orders import printing
from orders.models import Order, OrderEvent
from practice import audit
from practice.models import AuditEvent


@pytest.fixture
def at(cast):
    client = Client()
    client.force_login(cast.dispenser)
    return client


def papers(order) -> list[tuple[str, str]]:
    events = order.events.exclude(kind__in=["issued", "fetched"]).select_related("by_staff", "by_lab")
    return [(e.kind, str(e.by_staff.display_name if e.by_staff else e.by_lab)) for e in events]


def later(monkeypatch) -> None:
    """As if everything so far had been a while ago."""
    monkeypatch.setattr(printing, "SAME_LOOK", timedelta(0))


@pytest.mark.parametrize(("route", "kind"), [("orders:pdf", "sheet_printed"), ("orders:tray_label", "label_printed")])
def test_a_paper_of_one_order_is_in_its_trace(cast, at, make_order, monkeypatch, route, kind):
    order = make_order()
    url = reverse(route, args=[order.number])
    first = at.get(url)
    assert first.content.startswith(b"%PDF-")
    assert at.get(url).content.startswith(b"%PDF-"), "the same paper: a viewer asks twice"
    me = cast.dispenser.display_name
    assert papers(order) == [(kind, me)]
    row = AuditEvent.objects.get(action__startswith="order.")
    assert (row.action, row.subject, row.actor) == (
        f"order.{'sheets' if kind == 'sheet_printed' else 'labels'}_printed",
        f"order {order.number}",
        cast.dispenser,
    )
    assert row.after == {"numbers": [order.number]}
    assert audit.verify(cast.group) is None
    later(monkeypatch)
    kept = at.get(url, headers={"If-None-Match": first["ETag"]})
    assert (kept.status_code, kept.content) == (304, b"")
    assert at.head(url).status_code == 200
    assert papers(order) == [(kind, me)], "neither is a paper"
    at.get(url)
    assert papers(order) == [(kind, me)] * 2
    other = Client()
    other.force_login(cast.manager)
    other.get(url)
    assert papers(order)[-1] == (kind, cast.manager.display_name)


def test_a_change_of_the_order_is_a_new_document(at, make_order):
    order = make_order()
    url = reverse("orders:pdf", args=[order.number])
    tag = at.get(url)["ETag"]
    Order.objects.filter(pk=order.pk).update(state="cancelled", cancelled_at=timezone.now(), version=2)
    assert at.get(url, headers={"If-None-Match": tag}).status_code == 200


def test_printing_many_knows_of_one_that_was_opened(cast, at, make_order):
    one, other = make_order(), make_order()
    at.get(reverse("orders:pdf", args=[one.number]))
    assert [e.order for e in printing.printed_before([one, other], "sheets")] == [one]
    made = printing.print_orders(actor=cast.dispenser, orders=[one, other], what="sheets")
    assert made.orders == [other]
    page = at.get(reverse("orders:detail", args=[one.number])).content.decode()
    assert "Sheet printed" in page


def test_a_stranger_leaves_no_trace(cast, make_order):
    order, client = make_order(), Client()
    client.force_login(cast.foreigner)
    assert client.get(reverse("orders:pdf", args=[order.number])).status_code == 404
    assert papers(order) == []


def test_the_lab_s_pdf_is_in_the_trace_and_its_other_forms_are_not(cast, door, make_order, monkeypatch):
    order = make_order()
    lab = ("sheet_fetched", str(cast.lab))
    for form in ("json", "fhir-r5"):
        door.get(f"orders/{order.number}.{form}")
    assert papers(order) == []
    got = door.get(f"orders/{order.number}.pdf")
    assert got.content.startswith(b"%PDF-")
    door.get(f"orders/{order.number}.pdf")
    assert papers(order) == [lab]
    later(monkeypatch)
    assert door.get(f"orders/{order.number}.pdf", {"If-None-Match": got["ETag"]}).status_code == 304
    door.client.head(f"/api/v1/orders/{order.number}.pdf", headers={"Authorization": f"Bearer {door.token}"})
    assert papers(order) == [lab]
    door.get(f"orders/{order.number}", {"Accept": "application/pdf"})
    assert papers(order) == [lab] * 2
    row = AuditEvent.objects.filter(action="order.sheet_fetched").latest("pk")
    assert (row.actor, row.actor_name, row.subject) == (None, cast.lab.name, f"order {order.number}")
    order.refresh_from_db()
    assert order.version == 1, "not a change of the order"
    assert OrderEvent.objects.filter(kind="fetched").count() == 1
    assert audit.verify(cast.group) is None
