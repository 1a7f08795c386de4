"""SQLite broken on purpose: killed while writing, written to by twenty, out of room.

A kill -9 stands for a power cut as far as a test can cut power: what the program had not yet given to the system is lost, and the
file is opened again as it lies there, with its journal.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time

import pytest

from tests import migrated
from tests.faults.conftest import VENDOR
from tests.faults.machines import ROOT, Receiver, Site, Worker
from tests.faults.test_killed import what_the_worker_did

LONG = os.environ.get("DATUMLINE_FAULTS") == "long"
pytestmark = pytest.mark.skipif(VENDOR != "sqlite", reason="about SQLite")


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    made = Site(tmp_path_factory.mktemp("file"), "")
    if not migrated.copied(made.folder / "datumline.sqlite3"):
        made.manage("migrate", "--verbosity", "0")
    made.data = made.seed(ready=8 if LONG else 4)
    yield made
    made.stop()


def issue_forever(site, name: str = "issue", *arguments: str) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.faults.writer", name, *arguments], cwd=ROOT, env=site.environment,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def rows(site, statement):
    with contextlib.closing(sqlite3.connect(site.folder / "datumline.sqlite3", timeout=30)) as connection, connection:
        return connection.execute(statement).fetchall()


def orders(site) -> int:
    return rows(site, "SELECT count(*) FROM orders_order")[0][0]


def test_killed_while_writing_everything_that_was_said_to_be_done_is_there(site):
    """Audited changes written one after the other by a process that is killed at a random moment, again and again."""
    chance, said = random.Random(), []
    for _ in range(12 if LONG else 3):
        writer = issue_forever(site, "change")
        assert writer.stdout is not None
        said.append(int(writer.stdout.readline()))  # the first is done: it is at work
        time.sleep(chance.uniform(0.0, 0.4))
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read()  # not communicate(): that forgets what readline() has read ahead
        writer.communicate()
        said += [int(line) for line in rest.splitlines() if line.strip()]
    assert rows(site, "PRAGMA integrity_check") == [("ok",)]
    assert rows(site, "PRAGMA foreign_key_check") == []
    kept = [
        n
        for (n,) in rows(site, "SELECT sequence FROM practice_auditevent WHERE action = 'faults.changed' ORDER BY sequence")
    ]
    assert len(said) == len(set(said)) >= 3
    assert set(said) <= set(kept)  # what was said is there; at most one a kill was done and not said
    assert len(set(kept) - set(said)) <= (12 if LONG else 3)
    # the change and its audit row stood and fell together
    assert rows(site, "SELECT notes FROM practice_client WHERE notes LIKE 'changed %' ORDER BY id LIMIT 1") == [
        (f"changed {max(kept)}",)
    ]
    assert "BROKEN" not in site.manage("verify_audit")


@pytest.mark.skipif(not LONG, reason="long form: DATUMLINE_FAULTS=long")
def test_a_worker_that_is_killed_has_done_each_thing_once_or_not_at_all(tmp_path):
    receiver, site = Receiver(pause=0.01), Site(tmp_path / "site", "")
    site.manage("migrate", "--verbosity", "0")
    chores = site.seed(lines=3000, webhook=receiver.port)["chores"]
    chance = random.Random()
    worker = Worker(site, lambda statement: rows(site, statement), chance, "sqlite")
    try:
        worker.killed_at_work(15)
    finally:
        worker.kill()
    print(dict(worker.jobs_in_hand))
    left = json.loads(site.python("-m", "tests.faults.seed", "finish", *map(str, chores["still"])))
    receiver.close()
    assert worker.wrong == []
    what_the_worker_did(chores, left)
    assert left["undelivered"] == 0
    assert dict(receiver.told) == left["messages"]


def test_twenty_writers_wait_for_each_other_and_nobody_is_turned_away(site):
    done = site.python("-m", "tests.faults.writer", "crowd", "20", "5" if LONG else "2")
    expected = 20 * (5 if LONG else 2)
    assert done.split() == ["done", str(expected)]
    assert "BROKEN" not in site.manage("verify_audit")


def test_a_database_that_is_locked_for_longer_is_said_to_be_busy(site):
    before = orders(site)
    with sqlite3.connect(site.folder / "datumline.sqlite3", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        said = site.python("-m", "tests.faults.writer", "page", site.data["ready"][1])
        other.execute("ROLLBACK")
    assert said.splitlines()[0] == "503"
    assert "Somebody else is saving the same record" in said
    assert orders(site) == before


def test_without_room_it_is_said_and_nothing_is_half_saved(site):
    had = orders(site)
    before = rows(site, "SELECT sequence FROM practice_audithead ORDER BY group_id")
    said = site.python("-m", "tests.faults.writer", "page", site.data["ready"][0], "full")
    assert said.splitlines()[0] == "503"
    assert "no room left" in said
    assert orders(site) == had
    assert rows(site, "SELECT sequence FROM practice_audithead ORDER BY group_id") == before
    assert rows(site, "PRAGMA integrity_check") == [("ok",)]
    said = site.python("-m", "tests.faults.writer", "page", site.data["ready"][0])  # with room again
    assert said.splitlines()[0] == "302"
    assert orders(site) == had + 1
