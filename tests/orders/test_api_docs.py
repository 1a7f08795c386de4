"""The page that a lab's developer writes a client by: what it says is so."""

from __future__ import annotations

import base64
import hmac
import html
import json
import re

import pytest

from orders.api import open_api, shapes
from orders.models import Order


@pytest.fixture
def page(client, db):
    return client.get("/api/v1/docs").content.decode()


def words(page: str) -> str:
    return html.unescape(re.sub(r"<[^>]*>", "", page))


def block(page: str, label: str) -> str:
    return words(re.search(rf'<pre[^>]*aria-label="{label}">(.*?)</pre>', page, re.S)[1])


def test_the_signature_of_the_example_can_be_checked(page):
    """By the words of the page itself, with the standard library."""
    head, body = block(page, "A message").split("\n\n")
    fields = dict(line.split(": ", 1) for line in head.splitlines())
    secret = base64.b64decode(re.search(r"whsec_([A-Za-z0-9+/=]+)", words(page))[1])
    signed = f"{fields['webhook-id']}.{fields['webhook-timestamp']}.".encode() + body.encode()
    made = base64.b64encode(hmac.new(secret, signed, "sha256").digest()).decode()
    assert fields["webhook-signature"] == f"v1,{made}"


def test_the_page_of_the_feed_that_is_shown_has_the_keys_of_a_real_one(page, door, make_order):
    make_order()
    shown, real = json.loads(block(page, "A page of the feed")), json.loads(door.get("orders").content)
    assert list(shown) == list(real)
    assert list(shown["orders"][0]) == list(real["orders"][0])


def test_every_field_of_an_answer_is_listed(door, make_order):
    order = make_order()
    order.refresh_from_db()
    listed = {o["id"]: {row["name"] for row in o["answer"]} for _, group in open_api.operations() for o in group}
    real = json.loads(door.get("orders").content)
    assert {f"orders[].{name}" for name in real["orders"][0]} | {"last", "more"} <= listed["list_orders"]
    assert "orders[].cancelled.reason" in listed["list_orders"]
    assert set(shapes.summary(order)) == listed["acknowledge_order"]
    asked = json.loads(door.post(f"orders/{order.number}/questions", {"text": "Which eye?"}).content)
    assert set(asked) == listed["ask_question"]


def test_every_body_that_is_shown_is_taken(door, make_order):
    """But for its day, which passes."""
    for _, group in open_api.operations():
        for o in group:
            if o["example"]:
                body = json.loads(o["example"])
                if "on" in body:
                    body["on"] = "2999-01-01"
                path = o["path"].removeprefix("/api/v1/").replace("{number}", make_order().number)
                assert door.post(path, body).status_code == (422 if "on" in body else 200), o["id"]


def test_states_and_what_is_refused_are_told(page):
    assert set(shapes.STATES) == set(Order.State)
    for state in Order.State.values:
        assert f">{state}</th>" in page
    bodies = {each.__name__ for each in shapes.Body.__subclasses__()}
    schemas = open_api.document()["components"]["schemas"]
    assert {name for name, schema in schemas.items() if schema.get("additionalProperties") is False} >= bodies
    assert len(bodies) == 6


def test_nothing_of_the_workshop_is_on_the_page(page):
    text = words(page)
    assert ".." not in text.replace("…", "").replace("'..'", "")
    assert "Base:" not in text
    assert "* " not in text  # lists of choices in a markup that the page does not have
