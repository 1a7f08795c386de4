"""Reports read from the copy when there is one, write to the database itself, and do without the copy when it is away."""

from __future__ import annotations

import pytest
from django.db import connection, connections
from django.db.utils import OperationalError
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from practice import reports
from practice.models import Group


@pytest.fixture
def copy():
    """A second connection by the name of the copy, to the same records: what a replica shows, seen inside the test's transaction."""
    settings = connections.settings
    settings[reports.ALIAS] = settings["default"]
    other = connection.copy(alias=reports.ALIAS)
    other.connection, other.in_atomic_block, other.autocommit = connection.connection, True, False
    other.savepoint_ids, other.atomic_blocks = connection.savepoint_ids, connection.atomic_blocks
    other.ensure_connection = lambda: None
    connections[reports.ALIAS] = other
    yield other
    del connections[reports.ALIAS]
    del settings[reports.ALIAS]


@pytest.fixture
def manager(client, cast):
    client.force_login(cast.manager)
    return client


@pytest.mark.parametrize("name", ["practice:audit", "orders:learning", "practice:retention"])
def test_a_report_reads_from_the_copy(manager, copy, name):
    with CaptureQueriesContext(copy) as there, CaptureQueriesContext(connection) as here:
        assert manager.get(reverse(name)).status_code == 200
    assert there.captured_queries
    late = [
        q["sql"]
        for q in here.captured_queries
        if any(t in q["sql"] for t in ("auditevent", "orders_tally", "orders_order"))
    ]
    assert not late


def test_other_pages_do_not(manager, copy):
    with CaptureQueriesContext(copy) as there:
        assert manager.get(reverse("orders:today")).status_code == 200
    assert not there.captured_queries


def test_what_is_written_goes_to_the_database_itself(cast, copy):
    with reports.reading() as there, CaptureQueriesContext(copy) as asked:
        assert there
        made = Group.objects.create(name="Written while reading")
        assert Group.objects.get(pk=made.pk)._state.db == reports.ALIAS
    assert made._state.db == "default"
    assert all(q["sql"].startswith("SELECT") for q in asked.captured_queries)
    assert Group.objects.get(pk=made.pk)._state.db == "default"


def test_a_copy_that_is_away_is_done_without(manager, copy, caplog):
    def away() -> None:
        raise OperationalError("connection refused")

    with CaptureQueriesContext(copy) as asked:
        copy.ensure_connection = away
        assert manager.get(reverse("practice:audit")).status_code == 200
    assert not asked.captured_queries
    assert "does not answer" in caplog.text


def test_without_a_copy_nothing_is_different(cast):
    with reports.reading() as there:
        assert not there
        assert Group.objects.first()._state.db == "default"
