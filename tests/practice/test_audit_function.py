"""The row that PostgreSQL adds to the chain by itself is the row that `audit.record` adds, in every column."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
import rfc8785
from django.db import connection, transaction
from django.utils import timezone

from practice import audit
from practice.models import AuditEvent, AuditHead

pytestmark = pytest.mark.skipif("connection.vendor != 'postgresql'", reason="a function of PostgreSQL")
ODD = 'Glas "Süd" \\ / <&> \x01\x07\b\t\n\f\r\x1f\x7f\u2028\ufeff שלום 👓'


def by_function(group, branch, client, name, subject, after) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT practice_audit_record_1(%s, %s, %s, %s, %s, %s, %s, %s)",
            [
                group.pk,
                branch and branch.pk,
                client and client.pk,
                timezone.now(),
                name,
                "order.acknowledged",
                subject,
                rfc8785.dumps(after).decode(),
            ],
        )


def columns(event: AuditEvent) -> dict:
    row = AuditEvent.objects.filter(pk=event.pk).values().get()
    row.pop("id")
    return row


@pytest.mark.parametrize("with_client", [True, False])
@pytest.mark.parametrize("rows_before", [0, 2])
def test_both_write_the_same_row(cast, monkeypatch, with_client, rows_before):
    AuditHead.objects.filter(group=cast.group).delete()
    if rows_before == 0:
        assert not AuditEvent.objects.filter(group=cast.group).exists(), "the group's first row"
    for _ in range(rows_before):
        audit.record(actor=cast.manager, action="client.changed", subject="client x", group=cast.group)
    branch, client = (cast.branch, cast.client) if with_client else (None, None)
    after = {"state": "acknowledged"} if with_client else {"numbers": ["SM-000001", "SM-000002"]}
    with transaction.atomic():
        by_function(cast.group, branch, client, ODD, "order SM-000001", after)
        theirs = AuditEvent.objects.latest("pk")
        row, head = columns(theirs), AuditHead.objects.filter(group=cast.group).values().get()
        assert theirs.digest == audit.digest_of(theirs)
        assert audit.verify(cast.group) is None
        transaction.set_rollback(True)
    monkeypatch.setattr(audit, "timezone", SimpleNamespace(now=lambda: row["at"]))
    ours = audit.record(
        actor=None,
        actor_name=ODD,
        action="order.acknowledged",
        subject="order SM-000001",
        group=cast.group,
        branch=branch,
        client=client,
        after=after,
    )
    assert columns(ours) == row
    assert AuditHead.objects.filter(group=cast.group).values().get() == head
    assert row["sequence"] == rows_before + 1


def test_a_text_is_written_as_the_canonical_form_writes_it(db):
    """RFC 8785, 3.2.2.2, held against the library over every character there is but NUL, which PostgreSQL keeps nowhere."""
    text = "".join(chr(c) for c in range(1, 0x110000) if not 0xD800 <= c < 0xE000)
    with connection.cursor() as cursor:
        cursor.execute("SELECT to_json(%s::text)::text", [text])
        assert cursor.fetchone()[0] == rfc8785.dumps(text).decode()
