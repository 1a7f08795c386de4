"""Moving between SQLite and PostgreSQL, both ways: every row, every order text, every audit trail, and the next keys.

With DATUMLINE_FAULTS=long also with 50,000 dispenses (MOVE_DISPENSES: another number); the figures are in deploy/BACKUP.md.
"""

from __future__ import annotations

import json
import os
import sqlite3

import pytest

from orders.keeping.elsewhere import OtherDatabase
from orders.keeping.move import move
from tests.deploy.places import ROOT, VENDOR

pytestmark = pytest.mark.usefixtures("unblocked")
KEYS = {"practice_auditdetail": "event_id"}
only_postgresql = pytest.mark.skipif(VENDOR != "postgresql", reason="needs the suite's PostgreSQL beside a file")


def _whole(place) -> dict[str, list[tuple]]:
    """Every row as plain SQL gives it, brought to one form: told by us, not by the code that moves."""
    tables = [
        "practice_client", "practice_auditevent", "practice_auditdetail", "dispensing_dispense", "dispensing_reading", "dispensing_photograph",
        "dispensing_signature", "orders_order", "orders_orderevent", "orders_receiptcheck", "practice_staff", "auth_group_permissions",
    ]  # fmt: skip
    found = {}
    for table in tables:
        cursor_rows, names = _rows_and_names(place, table)
        found[table] = [tuple(_one_form(name, v) for name, v in zip(names, row, strict=True)) for row in cursor_rows]
    return found


def _rows_and_names(place, table):
    import psycopg

    if place.url.startswith("sqlite"):
        with sqlite3.connect(place.path) as connection:
            cursor = connection.execute(f'SELECT * FROM "{table}" ORDER BY {KEYS.get(table, "id")}')
            rows, names = cursor.fetchall(), [c[0] for c in cursor.description]
    else:
        with psycopg.connect(place.url, options="-c timezone=UTC") as connection:
            cursor = connection.execute(f'SELECT * FROM "{table}" ORDER BY {KEYS.get(table, "id")}')
            rows, names = cursor.fetchall(), [c[0] for c in cursor.description]
    order = sorted(range(len(names)), key=names.__getitem__)
    return [[row[i] for i in order] for row in rows], [names[i] for i in order]


def _one_form(name, value):
    from datetime import datetime

    if isinstance(value, bool | int):
        return f"{value:.6f}"
    if isinstance(value, bytes | memoryview):
        return bytes(value)
    if isinstance(value, dict | list):
        return json.dumps(value, sort_keys=True)
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M:%S.%f")
    text = str(value)
    if name in {"document", "snapshot", "imported_document"}:
        return text  # byte for byte
    if text.startswith(("{", "[")):
        return json.dumps(json.loads(text), sort_keys=True)
    if len(text) >= 19 and text[4:5] == "-" and text[10:11] in " T" and text[13:14] == ":":
        return datetime.fromisoformat(text).strftime("%Y-%m-%d %H:%M:%S.%f")
    try:
        return f"{float(text):.6f}" if name not in {"reference", "as_typed", "number", "phone"} else text
    except ValueError:
        return text


@only_postgresql
def test_sqlite_to_postgresql_and_back_is_the_same_records(places, upgraded_file):
    start = places.copy(upgraded_file)
    # a key that was given and is gone is not given again; a remark with everything a keyboard has
    start.rows(
        "INSERT INTO practice_signintry (id, key, failures, last_at) VALUES (77, 'x', 1, '2026-11-28 06:00:00.000001')"
    )
    start.rows("DELETE FROM practice_signintry")
    told = start.run(
        "-c",
        "import django; django.setup(); from django.db import transaction; from practice import audit; from practice.models import Client\n"
        "with transaction.atomic():\n"
        "    c = Client.objects.order_by('pk').first()\n"
        "    e = audit.record(actor=None, action='client.changed', subject=c.reference, group=c.group, client=c, after={'notes': 'kept beside'})\n"
        "print(e.detail.after)",
        DJANGO_SETTINGS_MODULE="deploy.settings",
        PYTHONPATH=str(ROOT),
    )
    assert "kept beside" in told.stdout, told.stderr  # a row of the trail that holds only a digest of what it tells
    there, back = places.new("postgresql"), places.new("sqlite")
    said = there.manage("move_data", "--from", start.url, "--to", there.url)
    assert "every row, every order and every audit trail is as it was" in said
    before = _whole(start)
    after = _whole(there)
    for table, rows in before.items():
        for one, two in zip(rows, after[table], strict=True):
            assert one == two, table
    assert sum(len(rows) for rows in before.values()) > 1500
    there.rows("INSERT INTO practice_signintry (key, failures, last_at) VALUES ('y', 1, now())")
    assert there.rows("SELECT id FROM practice_signintry") == [(78,)]
    assert "every one as it was issued" in there.manage("verify_orders")
    assert "BROKEN" not in there.manage("verify_audit")
    there.manage("move_data", "--from", there.url, "--to", back.url)
    assert _whole(back) == before
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        back.rows("UPDATE practice_auditevent SET action = 'x'")


def test_what_cannot_be_moved_is_refused_and_the_target_stays_as_it_was(places, upgraded):
    target = places.migrated()
    with pytest.raises(OtherDatabase, match="moves nothing onto itself"):
        move(source=upgraded.url, target=upgraded.url)
    with pytest.raises(OtherDatabase, match="of another release; migrate it first"):
        move(source=places.earlier().url, target=target.url)
    with pytest.raises(OtherDatabase, match="no database at /nowhere/x"):
        move(source="sqlite:////nowhere/x", target=target.url)
    with pytest.raises(OtherDatabase, match="a database is given as"):
        move(source="mysql://x", target=target.url)
    with pytest.raises(
        OtherDatabase, match="holds no records of this kind" if VENDOR == "postgresql" else "no database at"
    ):
        move(source=places.new().url, target=target.url)
    target.rows("INSERT INTO practice_group (name, second_factor_roles) VALUES ('Somebody else', '[]')")
    said = target.refused("move_data", "--from", upgraded.url, "--to", target.url)
    assert "not empty: there are records in practice_group" in said
    assert target.rows("SELECT count(*) FROM practice_client") == [(0,)]


def test_a_row_that_cannot_be_kept_stops_the_whole_move(places, upgraded_file):
    """A client whose branch is not there: SQLite was made to keep it; nothing at all is moved."""
    target, broken = places.new(), places.copy(upgraded_file)
    broken.rows("UPDATE practice_client SET branch_id = 99999 WHERE id = 3")
    with pytest.raises(OtherDatabase, match=r"Nothing was moved.*practice_client"):
        move(source=broken.url, target=target.url)
    assert target.rows("SELECT count(*) FROM practice_group") == [(0,)]


@only_postgresql
@pytest.mark.skipif(os.environ.get("DATUMLINE_FAULTS") != "long", reason="long form: DATUMLINE_FAULTS=long")
def test_a_big_group_is_moved_both_ways(places):
    start, file, again = places.new("postgresql"), places.new("sqlite"), places.new("postgresql")
    start.manage("migrate", "--verbosity", "0")
    filled = start.run(
        "-m",
        "tests.bench.big_group",
        "--dispenses",
        os.environ.get("MOVE_DISPENSES", "50000"),
        timeout=3600,
        PYTHONPATH=str(ROOT),
    )
    assert filled.returncode == 0, filled.stderr
    for one, two in ((start, file), (file, again)):
        done = two.run("manage.py", "move_data", "--from", one.url, "--to", two.url, timeout=3600)
        assert done.returncode == 0, done.stdout + done.stderr
        print(done.stdout)
    counted = "SELECT count(*), sum(length(document)) FROM orders_order"
    assert [tuple(map(int, r)) for r in again.rows(counted)] == [tuple(map(int, r)) for r in start.rows(counted)]
