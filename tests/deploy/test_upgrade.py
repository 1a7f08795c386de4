"""What an earlier release wrote is brought forward by the migrations, and is the same records: figures counted by that release's side."""

from __future__ import annotations

import hashlib
import json

import psycopg
import pytest

from tests.deploy.places import EARLIER, VENDOR

EXPECTED = json.loads((EARLIER / "0.1.0.json").read_text())[VENDOR]


def test_every_row_order_and_audit_trail_of_the_earlier_release_is_there(upgraded):
    for table, n in EXPECTED["tables"].items():
        assert (table, upgraded.rows(f'SELECT count(*) FROM "{table}"')[0][0]) == (table, n)
    roll = hashlib.sha256()
    for group, number, document in upgraded.rows(
        "SELECT group_id, number, document FROM orders_order ORDER BY group_id, number"
    ):
        roll.update(f"{group} {number} {hashlib.sha256(document.encode()).hexdigest()}\n".encode())
    assert roll.hexdigest() == EXPECTED["orders"]
    heads = upgraded.rows("SELECT group_id, sequence, digest FROM practice_audithead ORDER BY group_id")
    assert [list(h) for h in heads] == EXPECTED["audit"]
    assert "every one as it was issued" in upgraded.manage("verify_orders")
    assert "BROKEN" not in upgraded.manage("verify_audit")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE practice_auditevent SET action = 'x'",
        "DELETE FROM orders_orderevent",
        "UPDATE orders_order SET document = '{}'",
    ],
)
def test_the_guards_are_in_place_after_the_upgrade(upgraded, statement):
    import sqlite3

    with pytest.raises((psycopg.IntegrityError, sqlite3.IntegrityError), match="never changed"):
        upgraded.rows(statement)
