"""What was issued stays as it was issued: the database refuses, and what is changed behind its back is found."""

from __future__ import annotations

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from orders import document as doc
from orders import guard
from orders.issue import issue_order
from orders.models import Order, OrderEvent
from tests.orders.ready import ready_dispense


@pytest.mark.parametrize("column", guard.FROZEN)
def test_the_database_refuses_to_change_what_was_issued(make_order, column):
    order = make_order()
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        Order.objects.filter(pk=order.pk).update(**{column: "else"})
    before = getattr(order, column)
    setattr(order, column, "else")
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        order.save()
    order.refresh_from_db()
    assert getattr(order, column) == before


def test_raw_statements_are_refused_too(make_order):
    order = make_order()
    statements = [
        "UPDATE orders_order SET document = replace(document, '-2.31', '-3.31')",
        "DELETE FROM orders_order",
        "UPDATE orders_orderevent SET note = 'x'",
        "DELETE FROM orders_orderevent",
    ]
    if connection.vendor == "postgresql":
        statements.append("TRUNCATE orders_orderevent")
        with connection.cursor() as cursor:  # the rows just written would forbid that for a reason of their own
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    for statement in statements:
        with pytest.raises(DatabaseError, match="never changed"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    order.refresh_from_db()
    assert "-2.31" in order.document
    assert order.events.count() == 1


def test_what_may_change_changes(make_order):
    order = make_order()
    order.state, order.version = "acknowledged", 2
    order.save()  # writes every column, the frozen ones as they are
    Order.objects.filter(pk=order.pk).update(state="in_work", document=order.document)
    order.refresh_from_db()
    assert (order.state, order.version) == ("in_work", 2)
    assert OrderEvent.objects.create(order=order, at=order.issued_at, kind="in_work").pk


def test_the_guard_is_put_back_after_every_migrate(make_order):
    order = make_order()
    guard.remove()
    with transaction.atomic():
        Order.objects.filter(pk=order.pk).update(schema_version="0.9")  # the guard was what refused
    guard.install()
    guard.install()
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        Order.objects.filter(pk=order.pk).update(schema_version="1.0")


def test_whole_orders_are_said_to_be_whole(cast, capsys):
    issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    call_command("verify_orders")
    assert capsys.readouterr().out == "1 orders, every one as it was issued.\n"


def _text_alone(order):
    return {"document": order.document.replace('"-2.31"', '"-3.31"').replace('"-2.25"', '"-3.25"')}


def _with_its_digest(order):
    text = _text_alone(order)["document"]
    return {"document": text, "document_sha256": doc.digest(text)}


@pytest.mark.parametrize(
    ("falsify", "words"),
    [
        (_text_alone, "its text does not give the digest"),
        (lambda o: {"document_sha256": "0" * 64}, "its text does not give the digest"),
        (_with_its_digest, "its digest is not the one the trace tells of"),
        (lambda o: {"number": "SM-900000"}, "its text is that of order SM-00000"),
        (lambda o: {"schema_version": "0.9"}, "its text is of schema version 1.1"),
    ],
)
def test_the_first_that_differs_is_named(cast, make_order, capsys, falsify, words):
    make_order()
    order = issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    later = make_order()
    with guard.set_aside():
        changes = falsify(order)
        Order.objects.filter(pk=order.pk).update(**changes)
        Order.objects.filter(pk=later.pk).update(document="{}")
    with pytest.raises(CommandError, match="2 of 3 orders differ") as caught:
        call_command("verify_orders")
    assert f"the first is {changes.get('number', order.number)} " in str(caught.value)
    assert words in str(caught.value)


def test_a_trace_falsified_as_well_is_found_by_the_audit_trail(cast):
    order = issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    changes = _with_its_digest(order)
    with guard.set_aside():
        Order.objects.filter(pk=order.pk).update(**changes)
        order.events.filter(kind="issued").update(data={"sha256": changes["document_sha256"]})
    with pytest.raises(CommandError, match="not the one the audit trail tells of"):
        call_command("verify_orders")
