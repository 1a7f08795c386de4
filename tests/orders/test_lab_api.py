"""The lab API over HTTP: what a lab gets, what it says, and how it is told that something is wrong."""

from __future__ import annotations

import hashlib
import json
from datetime import date, timedelta
from urllib.parse import urlencode

import pytest
from django.db import connection
from django.utils import timezone

from orders import at_once, guard, labs
from orders.lab_progress import answer_question
from orders.models import IdempotentAnswer, LabToken, Order, OrderEvent, Question
from practice.models import AuditEvent
from tests.orders.conftest import Door, labs_token

PROBLEM = "application/problem+json"

SOON = str(date.today() + timedelta(days=3))  # a day that a lab may promise, whenever this runs


def problem(response, status: int, code: str) -> dict:
    assert response.status_code == status, response.content
    assert response["Content-Type"] == PROBLEM
    body = json.loads(response.content)
    assert body["type"].endswith("#problem-" + code)
    assert body["status"] == status
    assert body["title"]
    return body


# --- tokens


def test_a_token_is_kept_as_its_digest_and_shown_once(cast):
    new = labs.create_token(lab=cast.lab, label="night job")
    row = LabToken.objects.get(pk=new.row.pk)
    assert row.digest == hashlib.sha256(new.text.encode()).hexdigest()
    assert new.text.startswith(row.prefix)
    kept = json.dumps([str(v) for v in LabToken.objects.filter(pk=row.pk).values()[0].values()])
    assert new.text not in kept
    assert len(new.text) - len(row.prefix) >= 32, "what is not shown must stay unguessable"
    assert new.text not in "".join(str(e.after) for e in AuditEvent.objects.all())


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer ", "Bearer dl_wrong", "Basic abc", "Bearer \u00e9", "Token {}"])
def test_without_a_good_token_nobody_gets_in(door, header):
    response = door.client.get("/api/v1/orders", headers={"Authorization": header.format(door.token)} if header else {})
    problem(response, 401, "not-authenticated")
    assert response["WWW-Authenticate"].startswith("Bearer")


def test_revoked_ended_and_inactive_are_out_at_once_and_a_second_token_goes_on(cast, door):
    second = Door(door.client, labs_token(cast.lab, expires_at=timezone.now() + timedelta(days=1)))
    assert door.get("orders").status_code == 200
    labs.revoke_token(token=LabToken.objects.order_by("pk").first())
    problem(door.get("orders"), 401, "not-authenticated")
    assert second.get("orders").status_code == 200
    LabToken.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    problem(second.get("orders"), 401, "not-authenticated")
    LabToken.objects.update(expires_at=None)
    assert second.get("orders").status_code == 200
    cast.lab.active = False
    cast.lab.save()
    problem(second.get("orders"), 401, "not-authenticated")


def test_a_token_that_may_only_read_cannot_say_anything(cast, client, make_order):
    order = make_order()
    reader = Door(client, labs_token(cast.lab, scopes=[labs.READ]))
    assert reader.get(f"orders/{order.number}").status_code == 200
    problem(reader.post(f"orders/{order.number}/acknowledgement"), 403, "not-allowed")
    writer = Door(client, labs_token(cast.lab, scopes=[labs.WRITE]))
    problem(writer.get("orders"), 403, "not-allowed")


def test_the_last_use_is_written_once_a_minute(door):
    door.get("orders")
    first = LabToken.objects.get().last_used_at
    assert first is not None
    door.get("orders")
    assert LabToken.objects.get().last_used_at == first
    LabToken.objects.update(last_used_at=first - timedelta(minutes=2))
    door.get("orders")
    assert LabToken.objects.get().last_used_at > first


# --- the feed


def test_the_feed_hands_out_the_stored_text_byte_for_byte(door, make_order):
    order = make_order()
    # text that another serialiser would write differently
    odd = order.document.replace('{"as_worn"', '{ "as_worn"', 1)
    with guard.set_aside():
        Order.objects.filter(pk=order.pk).update(document=odd)
    assert odd.encode() in door.get("orders").content
    assert odd.encode() in door.get(f"orders/{order.number}").content


def test_a_lab_can_check_the_digest_with_the_standard_library(door, make_order):
    make_order()
    got = door.get("orders").json()["orders"][0]
    text = json.dumps(got["document"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(text.encode()).hexdigest() == got["sha256"]


def test_pages_follow_each_other_without_a_gap(door, make_order):
    numbers = [make_order().number for _ in range(7)]
    got, url, pages = [], "/api/v1/orders?limit=3", 0
    while url:
        response = door.client.get(url, headers={"Authorization": f"Bearer {door.token}"})
        body = response.json()
        got += [o["number"] for o in body["orders"]]
        pages += 1
        assert body["more"] == ("Link" in response.headers)
        url = response["Link"].split(">")[0][1:] if body["more"] else None
    assert got == numbers
    assert pages == 3


def test_waiting_is_what_has_not_been_acknowledged_and_any_is_the_whole_feed(door, make_order):
    first, second = make_order(), make_order()
    door.post(f"orders/{first.number}/acknowledgement")
    assert [o["number"] for o in door.get("orders").json()["orders"]] == [second.number]
    assert [o["number"] for o in door.get("orders", waiting="false").json()["orders"]] == [first.number]
    assert len(door.get("orders", waiting="any").json()["orders"]) == 2
    states = door.get("orders?waiting=any&state=acknowledged&state=dispatched").json()["orders"]
    assert [o["number"] for o in states] == [first.number]


@pytest.mark.parametrize(
    "query",
    ["after=-1", "after=x", "after=1e9", "after=٣", "limit=0", "limit=501", "waiting=maybe", "state=lost", "after=9" * 30],
)
def test_a_parameter_that_makes_no_sense_is_refused(door, query):
    problem(door.get(f"orders?{query}"), 400, "bad-request")


def test_unchanged_pages_and_orders_are_not_sent_again(door, make_order):
    order = make_order()
    for path in ("orders", f"orders/{order.number}"):
        tag = door.get(path)["ETag"]
        assert door.get(path, headers={"If-None-Match": f'"other", {tag}'}).status_code == 304
        door.post(f"orders/{order.number}/progress", {"state": "in_work", "note": path})
        assert door.get(path, headers={"If-None-Match": tag}).status_code == 200


def test_a_large_page_is_squeezed_when_asked(door, make_order):
    import gzip

    make_order()
    plain = door.get("orders")
    small = door.get("orders", headers={"Accept-Encoding": "gzip"})
    assert small["Content-Encoding"] == "gzip"
    assert gzip.decompress(small.content) == plain.content
    assert len(small.content) < len(plain.content) / 2


def test_query_count_of_a_page_does_not_grow(door, make_order, django_assert_num_queries):
    for _ in range(3):
        make_order()
    door.get("orders")
    with django_assert_num_queries(1 if connection.vendor == "postgresql" else 2):  # token and page, on PostgreSQL in one
        assert len(door.get("orders").json()["orders"]) == 3


# --- one order


def test_another_labs_order_does_not_exist(door, foreign_door, make_order):
    order = make_order()
    for path in ("", "/questions", ".json", ".pdf"):
        problem(foreign_door.get(f"orders/{order.number}{path}"), 404, "not-found")
    for path, body in (
        ("acknowledgement", {}),
        ("progress", {"state": "in_work"}),
        ("promise", {"on": SOON}),
        ("cannot-make", {"reason": "no"}),
        ("questions", {"text": "?"}),
    ):
        problem(foreign_door.post(f"orders/{order.number}/{path}", body), 404, "not-found")
    assert foreign_door.post("orders/acknowledgements", {"numbers": [order.number]}).json()["orders"] == [
        {"number": order.number, "outcome": "not-found"}
    ]
    assert foreign_door.get("orders").json()["orders"] == []
    order.refresh_from_db()
    assert (order.state, order.version) == ("issued", 1)


def test_two_groups_may_use_the_same_number_and_each_lab_gets_its_own(cast, door, foreign_door, make_order):
    ours, theirs = make_order(), make_order(lab=cast.foreign_lab)
    with guard.set_aside():
        Order.objects.filter(pk=theirs.pk).update(number=ours.number)
    assert door.get(f"orders/{ours.number}").json()["sha256"] == ours.document_sha256
    assert foreign_door.get(f"orders/{ours.number}").json()["sha256"] == theirs.document_sha256


def test_forms_are_chosen_by_accept_and_by_suffix(door, make_order):
    order = make_order()
    assert door.get(f"orders/{order.number}")["Content-Type"] == "application/json"
    assert door.get(f"orders/{order.number}", headers={"Accept": "*/*"})["Content-Type"] == "application/json"
    problem(door.get(f"orders/{order.number}", headers={"Accept": "image/png"}), 406, "not-acceptable")
    problem(door.get(f"orders/{order.number}.png"), 404, "not-found")
    assert door.get(f"orders/{order.number}.json").json()["number"] == order.number


# --- saying


def test_acknowledging_twice_is_once(door, make_order):
    order = make_order()
    first = door.post(f"orders/{order.number}/acknowledgement").json()
    assert first == {"number": order.number, "state": "acknowledged", "waiting": False, "version": 2, "promised_on": None}
    assert door.post(f"orders/{order.number}/acknowledgement").json() == first
    assert OrderEvent.objects.filter(order=order, kind="acknowledged").count() == 1
    assert AuditEvent.objects.filter(action="order.acknowledged").count() == 1


def test_a_cancelled_order_is_not_acknowledged_by_mistake(cast, door, make_order):
    from orders.issue import cancel_order

    order = make_order()
    before = door.get("orders", waiting="any").json()["last"]
    problem(door.post(f"orders/{order.number}/acknowledgement", {"what": "cancellation"}), 409, "order-not-cancelled")
    cancel_order(actor=cast.dispenser, order=order, reason="Wrong frame was written.")
    problem(door.post(f"orders/{order.number}/acknowledgement"), 409, "order-cancelled")
    seen = door.get("orders", waiting="any", after=before).json()["orders"]
    assert [(o["number"], o["state"]) for o in seen] == [(order.number, "cancelled")], "met again past the old place"
    assert seen[0]["cancelled"]["reason"] == "Wrong frame was written."
    assert [o["number"] for o in door.get("orders").json()["orders"]] == [order.number]
    problem(door.get(f"orders/{order.number}.pdf"), 409, "order-cancelled")
    assert door.post(f"orders/{order.number}/acknowledgement", {"what": "cancellation"}).json()["waiting"] is False
    assert door.get("orders").json()["orders"] == []
    for path, body in (
        ("progress", {"state": "in_work"}),
        ("promise", {"on": SOON}),
        ("questions", {"text": "Why?"}),
    ):
        problem(door.post(f"orders/{order.number}/{path}", body), 409, "order-cancelled")


def test_many_at_once(cast, door, make_order):
    from orders.issue import cancel_order

    orders = [make_order() for _ in range(4)]
    door.post(f"orders/{orders[1].number}/acknowledgement")
    cancel_order(actor=cast.dispenser, order=orders[2], reason="Client changed their mind.")
    numbers = [o.number for o in orders] + ["SM-999999", orders[0].number]
    lines = door.post("orders/acknowledgements", {"numbers": numbers}).json()["orders"]
    assert [line["outcome"] for line in lines] == ["acknowledged", "already", "cancelled", "acknowledged", "not-found"]
    assert OrderEvent.objects.filter(kind="acknowledged").count() == 3
    again = door.post("orders/acknowledgements", {"numbers": numbers}).json()["orders"]
    assert [line["outcome"] for line in again] == ["already", "already", "cancelled", "already", "not-found"]
    assert OrderEvent.objects.filter(kind="acknowledged").count() == 3


def test_progress_moves_forward_only(door, make_order):
    order = make_order()
    assert door.post(f"orders/{order.number}/progress", {"state": "in_work"}).json()["state"] == "in_work"
    assert door.get("orders").json()["orders"] == [], "in work implies that the lab has it"
    assert door.post(f"orders/{order.number}/promise", {"on": SOON}).json()["promised_on"] == SOON
    sent = {"state": "dispatched", "tracking": "QK 4471"}
    assert door.post(f"orders/{order.number}/progress", sent).json()["state"] == "dispatched"
    door.post(f"orders/{order.number}/progress", sent)
    assert OrderEvent.objects.filter(order=order, kind="dispatched").count() == 1
    assert OrderEvent.objects.get(order=order, kind="dispatched").data == {"tracking": "QK 4471"}
    problem(door.post(f"orders/{order.number}/progress", {"state": "in_work"}), 409, "order-further-on")
    problem(door.post(f"orders/{order.number}/cannot-make", {"reason": "late"}), 409, "order-further-on")
    assert door.post(f"orders/{order.number}/acknowledgement").json()["state"] == "dispatched"


def test_a_lab_gives_an_order_back(door, make_order):
    order = make_order()
    assert door.post(f"orders/{order.number}/cannot-make", {"reason": "No such blank."}).json()["state"] == "cannot_make"
    problem(door.post(f"orders/{order.number}/progress", {"state": "in_work"}), 409, "order-cannot-be-made")


def test_question_and_answer(cast, door, make_order):
    order = make_order()
    asked = door.post(f"orders/{order.number}/questions", {"text": "Axis 80 or 08?", "field": "lenses.left.ordered.axis"})
    assert asked.json()["answer"] is None
    door.post(f"orders/{order.number}/questions", {"text": "Axis 80 or 08?", "field": "lenses.left.ordered.axis"})
    question = Question.objects.get()
    last = door.get("orders", waiting="any").json()["last"]
    answer_question(actor=cast.dispenser, question=question, text="80.")
    assert door.get(f"orders/{order.number}/questions").json()["questions"][0]["answer"] == "80."
    assert len(door.get("orders", waiting="any", after=last).json()["orders"]) == 1, "an answer is news"
    order.refresh_from_db()
    assert order.document_sha256 == hashlib.sha256(order.document.encode()).hexdigest(), "an answer edits nothing"


# --- once


def test_the_same_key_gives_the_same_answer_and_does_it_once(door, make_order):
    order = make_order()
    key = {"Idempotency-Key": '"8e03978e-40d5-43dd-bc93-6894a57f9324"'}
    body = {"state": "in_work", "note": "bench 4"}
    first = door.post(f"orders/{order.number}/progress", body, headers=key)
    door.post(f"orders/{order.number}/progress", {"state": "dispatched"})
    again = door.post(f"orders/{order.number}/progress", body, headers=key)
    assert again.content == first.content
    assert again["Idempotency-Replayed"] == "true"
    assert OrderEvent.objects.filter(order=order, kind="in_work").count() == 1
    bare = {"Idempotency-Key": "8e03978e-40d5-43dd-bc93-6894a57f9324"}
    assert door.post(f"orders/{order.number}/progress", body, headers=bare).content == first.content


def test_a_refusal_is_kept_under_its_key_too(door, make_order):
    order = make_order()
    key = {"Idempotency-Key": "k1"}
    door.post(f"orders/{order.number}/progress", {"state": "dispatched"})
    first = door.post(f"orders/{order.number}/progress", {"state": "in_work"}, headers=key)
    problem(first, 409, "order-further-on")
    again = door.post(f"orders/{order.number}/progress", {"state": "in_work"}, headers=key)
    assert (again.status_code, again.content, again["Content-Type"]) == (409, first.content, PROBLEM)


@pytest.mark.parametrize(
    ("path", "wrong", "right"),
    [
        ("promise", {"on": "2025-01-01"}, {"on": SOON}),
        ("questions", {"text": "Sure?", "field": "lens.desing"}, {"text": "Sure?", "field": "lens.design"}),
        ("progress", {"state": "done"}, {"state": "in_work"}),
    ],
)
def test_a_value_that_is_wrong_is_mended_under_the_same_key(door, make_order, path, wrong, right):
    """Whether the body by itself shows it or the deed finds it out: nothing was done, and nothing is kept."""
    url, key = f"orders/{make_order().number}/{path}", {"Idempotency-Key": "k2"}
    for _ in range(2):
        refused = door.post(url, wrong, headers=key)
        problem(refused, 422, "invalid")
        assert not refused.has_header("Idempotency-Replayed")
    assert door.post(url, right, headers=key).status_code == 200
    assert door.post(url, right, headers=key)["Idempotency-Replayed"] == "true"


def test_a_key_used_for_something_else_is_refused_and_keys_belong_to_a_lab(cast, door, foreign_door, make_order):
    order, other = make_order(), make_order(lab=cast.foreign_lab)
    key = {"Idempotency-Key": "same"}
    assert door.post(f"orders/{order.number}/acknowledgement", headers=key).status_code == 200
    problem(door.post(f"orders/{order.number}/progress", {"state": "in_work"}, headers=key), 422, "key-reused")
    assert foreign_door.post(f"orders/{other.number}/acknowledgement", headers=key).status_code == 200
    problem(door.post(f"orders/{order.number}/acknowledgement", headers={"Idempotency-Key": "a b"}), 400, "bad-request")
    problem(door.post(f"orders/{order.number}/acknowledgement", headers={"Idempotency-Key": "x" * 200}), 400, "bad-request")


@pytest.mark.parametrize(
    ("deed", "body"),
    [
        ("acknowledgement", '{"what": "\\ud800"}'),
        ("progress", '{"state": "\\udfff"}'),
        ("questions", '{"text": "\\ud800"}'),
    ],
)
def test_half_a_character_is_the_senders_mistake(door, make_order, deed, body):
    order = make_order()
    for more in ({}, {"Idempotency-Key": "half"}):
        given = {"Authorization": f"Bearer {door.token}", **more}
        response = door.client.post(f"/api/v1/orders/{order.number}/{deed}", body, "application/json", headers=given)
        assert response.status_code in (400, 422), response.content


def test_a_fault_leaves_neither_deed_nor_key(door, make_order, monkeypatch):
    """Killed between deed and answer: the transaction takes both away, and the repeat does it properly. In the ordinary way; for that
    of PostgreSQL see `test_at_once`."""
    monkeypatch.setattr(at_once, "works", lambda: False)
    order = make_order()
    key = {"Idempotency-Key": "crash"}
    door.client.raise_request_exception = False
    with monkeypatch.context() as patch:
        patch.setattr(IdempotentAnswer, "save", lambda *a, **k: (_ for _ in ()).throw(RuntimeError("power cut")))
        assert door.post(f"orders/{order.number}/acknowledgement", headers=key).status_code == 500
    order.refresh_from_db()
    assert order.state == "issued"
    assert not IdempotentAnswer.objects.exists()
    assert door.post(f"orders/{order.number}/acknowledgement", headers=key).json()["state"] == "acknowledged"


def test_if_match_guards_a_change(door, make_order):
    order = make_order()
    tag = door.get(f"orders/{order.number}")["ETag"]
    assert door.post(f"orders/{order.number}/progress", {"state": "in_work"}, headers={"If-Match": tag}).status_code == 200
    stale = door.post(f"orders/{order.number}/progress", {"state": "dispatched"}, headers={"If-Match": tag})
    problem(stale, 412, "changed-since")
    problem(door.post(f"orders/{order.number}/acknowledgement", headers={"If-Match": "W/" + tag}), 412, "changed-since")
    assert door.post(f"orders/{order.number}/acknowledgement", headers={"If-Match": "*"}).status_code == 200


def test_if_match_by_the_tag_of_another_order_does_not_hold(door, make_order):
    """Both are of version 1: a program that mixes up its orders is told, and not believed."""
    order, other = make_order(), make_order()
    tag, others = (door.get(f"orders/{o.number}")["ETag"] for o in (order, other))
    path = f"orders/{order.number}/progress"
    problem(door.post(path, {"state": "in_work"}, headers={"If-Match": others}), 412, "changed-since")
    assert door.post(path, {"state": "in_work"}, headers={"If-Match": f"{others}, {tag}"}).status_code == 200
    now = door.get(f"orders/{order.number}")["ETag"]
    assert door.post(path, {"state": "dispatched"}, headers={"If-Match": f"{tag}, {now}"}).status_code == 200
    problem(door.post("orders/SM-999999/progress", {"state": "in_work"}, headers={"If-Match": tag}), 404, "not-found")


def test_many_at_once_say_too_that_a_rejection_is_known(door, make_order):
    order = make_order(state="rejected", rejected_at=timezone.now(), reject_reason="Axis out.")
    assert [o["number"] for o in door.get("orders").json()["orders"]] == [order.number]
    lines = door.post("orders/acknowledgements", {"numbers": [order.number]}).json()["orders"]
    assert lines == [{"number": order.number, "outcome": "acknowledged"}]
    assert door.get("orders").json()["orders"] == []
    order.refresh_from_db()
    assert (order.state, order.waiting, order.version) == ("rejected", False, 2)
    assert order.events.filter(kind="rejection_seen").count() == 1
    again = door.post("orders/acknowledgements", {"numbers": [order.number]}).json()["orders"]
    assert again == [{"number": order.number, "outcome": "already"}]


def test_old_answers_are_forgotten_and_new_ones_kept(door, make_order, capsys):
    from django.core.management import call_command

    order = make_order()
    for key in ("old", "new"):
        door.post(f"orders/{order.number}/acknowledgement", headers={"Idempotency-Key": key})
    IdempotentAnswer.objects.filter(key="old").update(created_at=timezone.now() - timedelta(days=8))
    call_command("forget_answers")
    assert "1 dropped" in capsys.readouterr().out
    assert IdempotentAnswer.objects.get().key == "new"


def test_tokens_by_command(cast, door, capsys):
    from django.core.management import CommandError, call_command

    call_command("lab_token", cast.lab.code, "--group", str(cast.group.pk), "--label", "night job", "--days", "30")
    text = capsys.readouterr().out.strip()
    assert Door(door.client, text).get("orders").status_code == 200
    call_command("lab_token", cast.lab.code, "--list")
    listed = capsys.readouterr().out
    assert "night job" in listed
    assert text not in listed
    call_command("lab_token", cast.lab.code, "--revoke", text[:10])
    problem(Door(door.client, text).get("orders"), 401, "not-authenticated")
    with pytest.raises(CommandError):
        call_command("lab_token", "NOSUCH")


# --- bad input


@pytest.mark.parametrize(
    ("path", "body", "pointer"),
    [
        ("progress", {}, "/state"),
        ("progress", {"state": "lost"}, "/state"),
        ("progress", {"state": "dispatched", "tracking": "x" * 121}, "/tracking"),
        ("progress", {"state": "in_work", "note": "\x00"}, "/note"),
        ("progress", {"state": ["in_work"]}, "/state"),
        ("acknowledgement", {"what": "everything"}, "/what"),
        ("promise", {"on": "1.12.2026"}, "/on"),
        ("promise", {"on": "2026-02-30"}, "/on"),
        ("cannot-make", {"reason": ""}, "/reason"),
        ("cannot-make", {"reason": None}, "/reason"),
        ("questions", {"text": "\ud800"}, "/text"),
        ("questions", {"text": "x" * 10_000}, "/text"),
    ],
)
def test_each_fault_is_named_by_a_pointer(door, make_order, path, body, pointer):
    order = make_order()
    raw = json.dumps(body)
    got = problem(door.post(f"orders/{order.number}/{path}", raw), 422, "invalid")
    assert [e["pointer"] for e in got["errors"]] == [pointer]
    order.refresh_from_db()
    assert order.version == 1


@pytest.mark.parametrize("raw", ["", "{", "nan", '{"state": NaN}', "[" * 100_000, "\xff\xfe", '{"n": ' + "9" * 5000 + "}"])
def test_what_is_not_json_is_said_to_be_so(door, make_order, raw):
    order = make_order()
    response = door.client.post(
        f"/api/v1/orders/{order.number}/progress",
        raw.encode("latin-1"),
        content_type="application/json",
        headers={"Authorization": f"Bearer {door.token}"},
    )
    if raw == "":
        problem(response, 422, "invalid")  # an empty body is an empty object
    else:
        problem(response, 400, "bad-request")


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b'{"state": "in_work", "state": "dispatched"}', "The name state stands twice in one object."),
        (b'{"state": "in_work", "note": "\xff"}', "The body is not UTF-8: look at byte 31."),
        (b'\xef\xbb\xbf{"state": "in_work"}', "The body begins with a byte order mark: leave it out."),
        ('{"state": "in_work"}'.encode("utf-16"), "The body is not UTF-8: look at byte 1."),
        (b'{"state": in_work}', "The body is not JSON: look at line 1, column 11."),
        (b'{"state": Infinity}', "The body is not JSON: there is a number in it that JSON does not have."),
    ],
)
@pytest.mark.parametrize("path", ["progress", "acknowledgement"])
def test_a_body_that_cannot_be_read_says_where(door, make_order, path, raw, words):
    """The acknowledgement too, whose short way reads for itself."""
    order = make_order()
    headers = {"Authorization": f"Bearer {door.token}"}
    url = f"/api/v1/orders/{order.number}/{path}"
    found = problem(door.client.post(url, raw, content_type="application/json", headers=headers), 400, "bad-request")
    assert found["detail"] == words
    order.refresh_from_db()
    assert order.version == 1


@pytest.mark.parametrize("path", ["progress", "acknowledgement"])
def test_another_encoding_is_refused_by_name(door, make_order, path):
    order = make_order()
    url, headers = f"/api/v1/orders/{order.number}/{path}", {"Authorization": f"Bearer {door.token}"}

    def send(content_type="application/json", **more):
        return door.client.post(url, b"{}", content_type=content_type, headers={**headers, **more})

    squeezed = send(**{"Content-Encoding": "gzip"})
    assert "Content-Encoding" in problem(squeezed, 415, "media-type")["detail"]
    assert squeezed["Accept-Encoding"] == "identity"
    assert "UTF-8" in problem(send("application/json; charset=latin-1"), 415, "media-type")["detail"]
    order.refresh_from_db()
    assert order.version == 1
    assert send("application/json; charset=UTF-8").status_code in (200, 422)


@pytest.mark.parametrize(
    ("path", "body", "pointer", "words"),
    [
        ("progress", {"state": "in_work", "tracking": 44710093}, "/tracking", "Text is needed, in quotation marks."),
        ("progress", {"state": "in_work", "note": 1.5}, "/note", "Text is needed, in quotation marks."),
        ("progress", {"state": "in_work", "note": "a\x1b[31m"}, "/note", "There is a control character in it."),
        ("questions", {"text": "   "}, "/text", "Write something."),
        ("questions", {"text": "x" * 401}, "/text", "At most 400 characters."),
        ("promise", {"on": "2999-1-04"}, "/on", "A day as 2026-12-14."),
        ("progress", None, "", "The body has to be a JSON object."),
    ],
)
def test_a_value_of_the_wrong_kind_is_not_made_to_fit(door, make_order, path, body, pointer, words):
    order = make_order()
    found = problem(door.post(f"orders/{order.number}/{path}", json.dumps(body)), 422, "invalid")
    assert found["errors"] == [{"pointer": pointer, "detail": words}]
    order.refresh_from_db()
    assert order.version == 1


@pytest.mark.parametrize(
    ("accept", "given"),
    [
        ("application/pdf, application/json;q=0.5", "application/pdf"),
        ("application/json;q=0.4, application/pdf;q=0.6", "application/pdf"),
        ("application/json;q=0, */*;q=0.1", "application/pdf"),
        ("application/pdf;q=0, */*;q=0.1", "application/json"),
        ("application/json, text/plain, */*", "application/json"),
        ("application/*;q=0.2, application/fhir+json; fhirVersion=5.0", "application/fhir+json"),
        ("", "application/json"),
        ("application/json;q=0", None),
        ("application/json;q=much", None),
    ],
)
def test_the_heaviest_form_wins_and_what_weighs_nothing_is_not_wanted(door, make_order, accept, given):
    """RFC 9110, 12.5.1."""
    answer = door.get(f"orders/{make_order().number}", headers={"Accept": accept})
    if given is None:
        problem(answer, 406, "not-acceptable")
    else:
        assert answer["Content-Type"].partition(";")[0] == given


def test_of_two_versions_of_one_form_the_heavier_is_made(door, make_order):
    url, both = (
        f"orders/{make_order().number}",
        "application/fhir+json; fhirVersion=4.3;q={}, application/fhir+json; fhirVersion=5.0;q={}",
    )
    for first, second, version in (("0.5", "0.9", "5.0"), ("0.9", "0.5", "4.3"), ("0", "1", "5.0"), ("1", "1", "4.3")):
        answer = door.get(url, headers={"Accept": both.format(first, second)})
        assert f"fhirVersion={version}" in answer["Content-Type"], answer.content


def test_a_parameter_that_is_given_twice_or_names_no_form_is_refused_by_name(door, make_order):
    number = make_order().number
    assert problem(door.get("orders?after=1&after=2"), 400, "bad-request")["detail"] == "after: once only."
    assert door.get("orders?state=issued&state=cancelled").status_code == 200
    assert problem(door.get(f"orders/{number}?format=doc"), 404, "not-found")["detail"].startswith("format: one of json,")
    assert problem(door.get("orders?format=pdf"), 404, "not-found")["detail"] == "format: one of json."


def test_other_shapes_sizes_and_methods(door, make_order):
    order = make_order()
    url = f"/api/v1/orders/{order.number}/progress"
    headers = {"Authorization": f"Bearer {door.token}"}
    problem(door.client.post(url, {"state": "in_work"}, headers=headers), 415, "media-type")
    problem(
        door.client.post(url, b'"' + b"x" * 300_000 + b'"', content_type="application/json", headers=headers),
        413,
        "too-large",
    )
    problem(door.post(f"orders/{order.number}/progress", ["in_work"]), 422, "invalid")
    for method in ("put", "patch", "delete", "options", "trace"):
        response = getattr(door.client, method)("/api/v1/orders", headers=headers)
        problem(response, 405, "method-not-allowed")
        assert "GET" in response["Allow"]
    problem(door.client.get("/api/v1/nothing/like/it", headers=headers), 404, "not-found")
    problem(door.client.get("/api/v1/orders/SM 1", headers=headers), 404, "not-found")
    for nul in ("/api/v1/orders/%00", "/api/v1/orders?state=%00"):
        problem(door.client.get(nul, headers=headers), 400, "bad-request")


def test_too_many_requests_are_held_back(door, settings, one_minute):
    settings.LAB_REQUESTS_A_MINUTE = 3
    for left in ("2", "1", "0"):
        assert f";r={left};" in door.get("orders")["RateLimit"]
    response = door.get("orders")
    problem(response, 429, "too-many")
    assert 1 <= int(response["Retry-After"]) <= 61


# --- documentation


def test_the_schema_is_published_and_is_the_one_in_use(client):
    from jsonschema import Draft202012Validator

    response = client.get("/api/v1/schemas/order-1.0.json")
    assert response["Content-Type"] == "application/schema+json"
    Draft202012Validator.check_schema(json.loads(response.content))
    problem(client.get("/api/v1/schemas/order-9.json"), 404, "not-found")
    problem(client.get("/api/v1/schemas/..%2Fsettings.py"), 404, "not-found")


def test_openapi_names_every_address_and_every_status(client):
    spec = client.get("/api/v1/openapi.json").json()
    assert spec["openapi"].startswith("3.1")
    ours = {p for p in spec["paths"] if "/orders" in p}
    assert ours == {
        "/api/v1/orders",
        "/api/v1/orders/acknowledgements",
        *(
            f"/api/v1/orders/{{number}}{tail}"
            for tail in ("", "/acknowledgement", "/progress", "/promise", "/cannot-make", "/questions")
        ),
    }
    assert {"200", "400", "401", "403", "404", "405", "406", "409", "412", "413", "415", "422", "429"} <= set(
        spec["paths"]["/api/v1/orders/{number}/progress"]["post"]["responses"]
    )


@pytest.mark.parametrize(
    "numbers", [["A-1", "B"], ["A", " b "], [1, "A"], ["x" * 25], ["a b"], ["\u0661"], ["A\n"], [None], [True], [["A"]], []]
)
def test_numbers_of_a_batch_are_taken_as_a_list_field_takes_them(numbers):
    """The quick look at all of them says what the framework's look at each one says."""
    from rest_framework import serializers

    from orders.api import shapes

    class Plain(serializers.Serializer):
        numbers = serializers.ListField(
            child=serializers.RegexField(
                rf"^{shapes.NUMBER}\Z", max_length=24, error_messages={"invalid": "This is not an order number."}
            ),
            min_length=1,
            max_length=shapes.BATCH,
        )

    ours, plain = shapes.AcknowledgementsIn(data={"numbers": numbers}), Plain(data={"numbers": numbers})
    assert ours.is_valid() == plain.is_valid()
    assert ours.errors == plain.errors
    assert ours.validated_data == plain.validated_data


# --- slips are refused, with words that help


@pytest.mark.parametrize("name", ["afer", "cursor", "State", "limit "])
def test_a_parameter_of_the_feed_that_is_not_known_is_refused(door, make_order, name):
    """Else a misspelt `after` is answered with the first page for ever."""
    make_order()
    found = problem(door.get("orders?" + urlencode({name: "1"})), 400, "bad-request")
    assert found["detail"] == f"There is no parameter {name}: after, limit, waiting, state."
    assert door.get("orders?after=0&limit=5&waiting=any&state=issued&format=json").status_code == 200


def test_a_field_that_is_not_known_is_refused_and_nothing_is_done(door, make_order):
    order = make_order()
    sent = {"state": "dispatched", "tracking_number": "QK 4471", "note": 5, "a/b": 1}
    found = problem(door.post(f"orders/{order.number}/progress", sent), 422, "invalid")
    words = "There is no such field here: state, tracking, note."
    assert {e["pointer"]: e["detail"] for e in found["errors"] if e["pointer"] != "/note"} == {
        "/tracking_number": words,
        "/a~1b": words,
    }
    problem(door.post(f"orders/{order.number}/acknowledgement", {"What": "cancellation"}), 422, "invalid")
    problem(door.post("orders/acknowledgements", {"numbers": [order.number], "number": order.number}), 422, "invalid")
    order.refresh_from_db()
    assert (order.state, order.version) == ("issued", 1)


@pytest.mark.parametrize(
    ("path", "sent", "pointer", "words"),
    [
        ("progress", {"state": "done"}, "/state", "One of: in_work, dispatched."),
        ("acknowledgement", {"what": "all"}, "/what", "One of: order, cancellation."),
        ("acknowledgement", [], "", "The body has to be a JSON object."),
        ("promise", {"on": "14.12.2026"}, "/on", "A day as 2026-12-14."),
    ],
)
def test_what_is_wrong_is_said_with_what_would_be_right(door, make_order, path, sent, pointer, words):
    found = problem(door.post(f"orders/{make_order().number}/{path}", sent), 422, "invalid")
    assert found["errors"] == [{"pointer": pointer, "detail": words}]


def test_a_day_that_has_passed_or_is_far_off_is_no_promise(door, make_order):
    path, today = f"orders/{make_order().number}/promise", timezone.now().date()
    for days, words in ((-2, "This day has passed."), (400, "This day is more than a year off.")):
        found = problem(door.post(path, {"on": str(today + timedelta(days=days))}), 422, "invalid")
        assert found["errors"] == [{"pointer": "/on", "detail": words}]
    for days in (0, 366):
        assert door.post(path, {"on": str(today + timedelta(days=days))}).status_code == 200


def test_a_form_that_is_not_made_is_answered_with_those_that_are(door, make_order):
    number = make_order().number
    found = problem(door.get(f"orders/{number}", headers={"Accept": "image/png"}), 406, "not-acceptable")
    assert found["detail"] == "Made here: application/json, application/pdf, application/fhir+json, text/plain."
    found = problem(door.get(f"orders/{number}.xml"), 404, "not-found")
    assert found["detail"] == "Suffixes: .json, .pdf, .fhir, .fhir-r4b, .fhir-r5, .records."


def test_a_squeezed_answer_has_a_tag_of_its_own_that_holds_as_well(door, make_order):
    order = make_order()
    for path in ("orders?limit=5", f"orders/{order.number}"):
        plain, squeezed = door.get(path), door.get(path, headers={"Accept-Encoding": "gzip"})
        assert (plain.get("Content-Encoding"), squeezed["Content-Encoding"]) == (None, "gzip")
        assert plain["ETag"] != squeezed["ETag"]
        for tag in (plain["ETag"], squeezed["ETag"], "W/" + squeezed["ETag"]):
            again = door.get(path, headers={"If-None-Match": tag})
            assert (again.status_code, again["ETag"]) == (304, tag.removeprefix("W/"))
            assert again.content == b""
            assert "Content-Type" not in again
    assert (
        door.post(f"orders/{order.number}/progress", {"state": "in_work"}, {"If-Match": squeezed["ETag"]}).status_code
        == 200
    )


def test_a_token_that_is_wrong_is_told_apart_from_none(door):
    """RFC 6750, section 3: no error code where no token was shown, `invalid_token` where it does not open."""
    assert "error" not in door.client.get("/api/v1/orders")["WWW-Authenticate"]
    wrong = door.client.get("/api/v1/orders", headers={"Authorization": "Bearer dl_wrong"})
    assert wrong["WWW-Authenticate"] == 'Bearer realm="lab API", error="invalid_token"'
