"""The audit trail: a chain that shows where it was broken, in a database that refuses to break it."""

from __future__ import annotations

import hashlib
import threading
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, connections, transaction

from practice import audit, audit_guard
from practice.models import AuditEvent, AuditHead


def _some(cast, count=4):
    return [
        audit.record(
            actor=cast.manager,
            action="client.changed",
            subject=f"client {n}",
            group=cast.group,
            branch=cast.branch,
            client=cast.client,
            before={"phone": "01632 960000", "height": Decimal("22.50")},
            after={"phone": f"01632 96000{n}", "on": date(2026, 11, 25), "ratio": 1e-7, "whole": 2.0, "long": 2**60},
        )
        for n in range(count)
    ]


def test_a_row_says_who_what_when_before_and_after(cast):
    event = _some(cast, 1)[0]
    event.refresh_from_db()
    assert event.actor == cast.manager
    assert event.actor_name == cast.manager.display_name
    assert event.before == {"phone": "01632 960000", "height": "22.50"}
    assert event.after["on"] == "2026-11-25"
    assert event.after["long"] == str(2**60)
    assert event.digest == audit.digest_of(event)


def test_a_chain_reads_back_whole_from_the_database(cast):
    events = _some(cast)
    assert [e.sequence for e in events] == [1, 2, 3, 4]
    assert events[0].previous_digest == audit.START
    assert [e.previous_digest for e in events[1:]] == [e.digest for e in events[:-1]]
    assert audit.verify(cast.group) is None
    call_command("verify_audit")


def test_the_digest_is_sha256_of_canonical_json_that_anybody_can_recompute(cast):
    """Written out by hand (RFC 8785: sorted names, no spaces), not by the function under test."""
    event = AuditEvent(
        group_id=7, branch_id=None, client_id=3, at=datetime(2026, 11, 25, 8, 30, 0, 120, tzinfo=UTC), actor_id=None,
        actor_name="Tideglass Surfacing", action="order.acknowledged", subject="order SM-000001",
        before={}, after={"state": "acknowledged"}, sequence=5, previous_digest="ab" * 32,
    )  # fmt: skip
    text = (
        '{"action":"order.acknowledged","actor":null,"actor_name":"Tideglass Surfacing","after":{"state":"acknowledged"},'
        '"at":"2026-11-25T08:30:00.000120+00:00","before":{},"branch":null,"client":3,"group":7,'
        '"previous":"' + "ab" * 32 + '","sequence":5,"subject":"order SM-000001"}'
    )
    assert audit.digest_of(event) == hashlib.sha256(text.encode()).hexdigest()


def test_groups_have_chains_of_their_own(cast):
    _some(cast, 2)
    event = audit.record(actor=None, action="test.done", subject="x", group=cast.foreign_branch.group)
    assert event.sequence == 1
    assert event.actor_name == "system"


@pytest.mark.parametrize(
    "statement", ["UPDATE practice_auditevent SET subject = 'another'", "DELETE FROM practice_auditevent"]
)
def test_the_database_refuses_to_change_or_delete_a_row(cast, statement):
    _some(cast, 2)
    with pytest.raises(DatabaseError, match="never changed or deleted"), transaction.atomic(), connection.cursor() as c:
        c.execute(statement)
    assert AuditEvent.objects.filter(group=cast.group).count() == 2


def test_the_orm_is_refused_likewise(cast):
    event = _some(cast, 1)[0]
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        event.delete()
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        AuditEvent.objects.update(actor_name="nobody")


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="SQLite has no TRUNCATE")
@pytest.mark.django_db(transaction=True)
def test_postgresql_refuses_to_truncate():
    from tests.factories import Cast

    with transaction.atomic():
        _some(Cast(), 1)
    with pytest.raises(DatabaseError, match="never changed"), connection.cursor() as c:
        c.execute("TRUNCATE practice_auditevent CASCADE")
    assert AuditEvent.objects.count() == 1


TAMPERING = {
    "a word": ("UPDATE practice_auditevent SET subject = 'client 9' WHERE sequence = 3", 3, "not what was written"),
    "who": ("UPDATE practice_auditevent SET actor_name = 'Somebody Else' WHERE sequence = 2", 2, "not what was written"),
    "before": (
        "UPDATE practice_auditdetail SET before = '{}' WHERE event_id = "
        "(SELECT id FROM practice_auditevent WHERE sequence = 1)",
        1,
        "not what was written",
    ),
    "what is beside it gone": (
        "DELETE FROM practice_auditdetail WHERE event_id = (SELECT id FROM practice_auditevent WHERE sequence = 2)",
        2,
        "is missing",
    ),
    "the digest of what is beside it": (
        "UPDATE practice_auditevent SET detail_digest = '' WHERE sequence = 2",
        2,
        "not what was written",
    ),
    "a row in the middle": ("DELETE FROM practice_auditevent WHERE sequence = 2", 2, "missing"),
    "the first row": ("DELETE FROM practice_auditevent WHERE sequence = 1", 1, "missing"),
    "the last row": ("DELETE FROM practice_auditevent WHERE sequence = 4", 4, "missing"),
    "all rows": ("DELETE FROM practice_auditevent", 1, "missing"),
    "the head": ("DELETE FROM practice_audithead", 4, "head"),
}


@pytest.mark.parametrize("what", TAMPERING)
def test_tampering_behind_the_guard_is_found_and_named(cast, what):
    statement, row, words = TAMPERING[what]
    _some(cast)
    audit_guard.remove()
    try:
        with connection.cursor() as c:
            c.execute(statement)
    finally:
        audit_guard.install()
    found = audit.verify(cast.group)
    assert found is not None
    assert found.sequence == row
    assert words in found.what
    with pytest.raises(CommandError, match=f"row {row}"):
        call_command("verify_audit")


def test_a_row_rewritten_with_its_own_digest_still_breaks_the_chain(cast):
    events = _some(cast)
    audit_guard.remove()
    try:
        events[1].subject = "client 9"
        events[1].digest = audit.digest_of(events[1])
        events[1].save()
    finally:
        audit_guard.install()
    found = audit.verify(cast.group)
    assert found is not None
    assert (found.sequence, found.what) == (3, "row 3 does not follow the row before it")


def test_a_change_that_fails_leaves_no_row(cast):
    def fails() -> None:
        with transaction.atomic():
            _some(cast, 1)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    assert not AuditEvent.objects.exists()
    assert audit.verify(cast.group) is None


@pytest.mark.django_db(transaction=True)
def test_a_row_outside_a_transaction_is_refused():
    from tests.factories import Cast

    cast = Cast()
    with pytest.raises(RuntimeError, match="inside the transaction"):
        audit.record(actor=cast.manager, action="test.done", subject="x", group=cast.group)


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="threads cannot share SQLite's test database in memory")
@pytest.mark.django_db(transaction=True)
def test_rows_written_at_once_form_one_chain():
    """Eight writers, five rows each: without the lock two of them would take the same place."""
    from tests.factories import Cast

    cast = Cast()
    go = threading.Barrier(8)
    trouble: list[Exception] = []

    def write() -> None:
        try:
            go.wait()
            for n in range(5):
                with transaction.atomic():
                    audit.record(actor=cast.manager, action="test.done", subject=f"{n}", group=cast.group)
        except Exception as problem:
            trouble.append(problem)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=write) for _ in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert trouble == []
    assert AuditHead.objects.get(group=cast.group).sequence == 40
    assert audit.verify(cast.group) is None


def test_the_guard_survives_a_table_that_is_rebuilt(cast):
    """SQLite drops triggers with a table it rebuilds for a migration; every `migrate` puts them back."""
    audit_guard.remove()
    audit_guard.install()
    audit_guard.install()
    _some(cast, 1)
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        AuditEvent.objects.all().delete()


def test_only_differences_are_kept():
    assert audit.changed({"a": 1, "b": 2, "c": 3}, {"a": 1, "b": 4, "d": 5}) == (
        {"b": 2, "c": 3, "d": None},
        {"b": 4, "c": None, "d": 5},
    )
