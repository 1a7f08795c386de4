from __future__ import annotations

from datetime import UTC, datetime

import pytest

from orders import document as doc
from orders import labs
from orders.issue import take_feed_position, take_number
from orders.models import Order, OrderEvent
from tests.orders.examples import example_document


@pytest.fixture
def one_minute(monkeypatch):
    """The database's clock, as requests are counted by it, stands early in a minute: it does not turn in the middle of a test."""
    from orders.api import limits

    still = "CAST(1795600801.5 AS double precision)"
    monkeypatch.setattr(limits, "_NOW", dict.fromkeys(limits._NOW, still))
    limits.forget()
    yield
    limits.forget()


@pytest.fixture
def make_order(cast):
    """An order at the cast's lab, stored as issuing stores it, with the example's document."""
    from django.db import transaction

    from dispensing.models import Dispense

    def make(lab=None, **more):
        lab = lab or cast.lab
        foreign = lab.group_id != cast.group.pk
        branch = cast.foreign_branch if foreign else cast.branch
        client = cast.foreign_client if foreign else cast.client
        who = cast.foreigner if foreign else cast.dispenser
        with transaction.atomic():
            dispense = Dispense.objects.create(
                group=branch.group, branch=branch, client=client, dispenser=who, state="ordered"
            )
            number = take_number(branch)
            content = example_document()
            content["order"]["number"] = number
            text = doc.canonical(content)
            values = {
                "group": branch.group,
                "branch": branch,
                "lab": lab,
                "dispense": dispense,
                "dispense_version": 1,
                "number": number,
                "feed_position": take_feed_position(lab),
                "document": text,
                "document_sha256": doc.digest(text),
                "schema_version": doc.SCHEMA_VERSION,
                "issued_at": datetime(2026, 11, 25, 10, 0, tzinfo=UTC),
                "issued_by": who,
                **more,
            }
            order = Order.objects.create(**values)
            OrderEvent.objects.create(order=order, at=order.issued_at, kind="issued", by_staff=who)
        return order

    return make


class Door:
    """A lab at the API: Django's test client with the lab's token."""

    def __init__(self, client, token: str) -> None:
        self.client = client
        self.token = token

    def _headers(self, headers):
        return {"Authorization": f"Bearer {self.token}", **(headers or {})}

    def get(self, path, headers=None, **query):
        return self.client.get("/api/v1/" + path, query, headers=self._headers(headers))

    def post(self, path, body=None, headers=None):
        return self.client.post(
            "/api/v1/" + path, {} if body is None else body, content_type="application/json", headers=self._headers(headers)
        )


@pytest.fixture
def door(cast, client):
    return Door(client, labs_token(cast.lab))


@pytest.fixture
def foreign_door(cast, client):
    return Door(client, labs_token(cast.foreign_lab))


def labs_token(lab, **kw) -> str:
    return labs.create_token(lab=lab, **kw).text
