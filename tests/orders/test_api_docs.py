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


# --- the OpenAPI document and the JSON Schema by themselves: a client is written from them without the page


def lab_operations():
    for path, methods in open_api.document()["paths"].items():
        for method, operation in methods.items():
            if "lab orders" in operation.get("tags", ()):
                yield method, path, operation


def without_words(at, schema, spec, seen):
    """Paths of the properties that say nothing of what they mean."""
    if "$ref" in schema and "description" not in schema:
        if schema["$ref"] in seen:
            return
        seen = {*seen, schema["$ref"]}
    found = open_api._resolved(schema, spec)
    for name, inner in found.get("properties", {}).items():
        here = f"{at}.{name}"
        deeper = open_api._resolved(inner, spec)
        parts = [open_api._resolved(each, spec) for each in deeper.get("anyOf", [deeper])]
        if not any("description" in each for each in (inner, deeper, *parts)) and not any("properties" in p for p in parts):
            yield here
        for part in parts:
            yield from without_words(here, part.get("items", part), spec, seen)
    for part in found.get("anyOf", ()):
        yield from without_words(at, part, spec, seen)


def test_the_openapi_document_says_what_everything_means():
    spec = open_api.document()
    silent = []
    for method, path, operation in lab_operations():
        at = f"{method} {path}"
        silent += [f"{at} {p['name']}" for p in operation["parameters"] if not p.get("description")]
        silent += [f"{at} {status}" for status, answer in operation["responses"].items() if not answer.get("description")]
        bodies = [operation.get("requestBody", {}), *operation["responses"].values()]
        for body in bodies:
            for content in body.get("content", {}).values():
                silent += without_words(at, content["schema"].get("items", content["schema"]), spec, set())
    for name, hook in spec["webhooks"].items():
        silent += without_words(name, hook["post"]["requestBody"]["content"]["application/json"]["schema"], spec, set())
    assert silent == []


def test_the_schema_of_an_order_says_what_everything_means():
    assert [row["path"] for row in open_api.order_parts() if not row["description"]] == []


def test_the_openapi_document_tells_what_the_page_tells(page):
    from orders.api import guide

    told = open_api.document()["info"]["description"]
    for said in (*guide.STEPS, *(text for _, text in guide.LINES), guide.TOLD, guide.SIGNED, guide.TRIED):
        assert said in told
        assert said.replace("`", "") in " ".join(words(page).split("\n"))


def test_the_digest_is_made_as_the_document_says(door, make_order):
    """By the Python in its words, on an order that is handed out."""
    import hashlib

    from orders.api import guide

    made = re.search(r"`(hashlib[^`]*)`", dict(guide.LINES)["Digest"])[1]
    make_order()
    order = json.loads(door.get("orders").content)["orders"][0]
    found = eval(made, {"hashlib": hashlib, "json": json, "document": order["document"]})
    assert found == order["sha256"]


def test_headers_that_are_announced_are_sent_and_the_other_way_round(door, make_order):
    told = {(m, p): {s: set(r["headers"]) for s, r in o["responses"].items()} for m, p, o in lab_operations()}
    make_order()
    number, ours = make_order().number, set(open_api.document()["components"]["headers"])
    key, one = {"Idempotency-Key": "h-1"}, "/api/v1/orders/{number}"
    answers = [
        ("get", "/api/v1/orders", door.get("orders?limit=1")),
        ("get", "/api/v1/orders", door.get("orders?limit=x")),
        ("get", one, door.get(f"orders/{number}")),
        ("get", one, door.get("orders/ZZ-000001")),
        ("post", f"{one}/progress", door.post(f"orders/{number}/progress", {"state": "in_work"}, key)),
        ("post", f"{one}/progress", door.post(f"orders/{number}/progress", {"state": "in_work"}, key)),
        ("post", f"{one}/progress", door.post(f"orders/{number}/progress", {})),
        ("get", f"{one}/questions", door.get(f"orders/{number}/questions")),
    ]
    sometimes = {"Idempotency-Replayed", "Link", "Allow", "Retry-After"}
    for method, path, answer in answers:
        expected = told[method, path][str(answer.status_code)]
        sent = {name for name in ours if answer.has_header(name)}
        assert expected - sometimes <= sent, (path, answer.status_code)
        assert sent - sometimes <= expected | {"ETag"}, (path, answer.status_code)
    assert answers[5][2]["Idempotency-Replayed"] == "true"
