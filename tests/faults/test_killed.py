"""kill -9 of the application, of the worker and of PostgreSQL while orders are issued, signed, acknowledged and imported, labs are told,
what a limit concerns is judged again, and catalogues are read in.

What the site said was done is done; nothing is there twice; numbers and places have no gap; audit trails and documents are whole.
Short within the suite; DATUMLINE_FAULTS=long kills for as long as there is work, with ten times the work (or TESTS_FAULTS_TIMES).
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.faults.conftest import VENDOR
from tests.faults.crowd import Crowd
from tests.faults.machines import Receiver, Worker, until

LONG = os.environ.get("DATUMLINE_FAULTS") == "long"
TIMES = int(os.environ.get("TESTS_FAULTS_TIMES", "10")) if LONG else 1
LINES, WORKERS = 600 * TIMES, 3 * TIMES  # of each file; kills of the worker
pytestmark = pytest.mark.skipif(VENDOR != "postgresql", reason="processes that share SQLite are in test_sqlite")


def test_nothing_that_was_said_to_be_done_is_lost_or_done_twice(site, cluster, database):
    chance = random.Random()
    seed_of_chance = chance.randrange(10**9)
    chance.seed(seed_of_chance)
    print("chance", seed_of_chance)
    receiver = Receiver(pause=0.01)
    servers = [site.serve(wait=False), site.serve(wait=False)]
    seed = site.seed(ready=4 * TIMES, to_sign=TIMES, to_import=2 * TIMES, lines=LINES, webhook=receiver.port)
    for server in servers:
        server.wait()

    def sql(statement):
        return cluster.sql(statement, database)

    crowd, worker = Crowd(servers, seed, chance), Worker(site, sql, random.Random(seed_of_chance))
    at_work = [
        crowd.through(crowd.issue, seed["ready"]),
        crowd.through(crowd.issue, seed["ready"]),
        crowd.through(crowd.sign, seed["to_sign"]),
        crowd.through(crowd.bring_in, seed["to_import"]),
    ]
    lab = crowd.as_lab()
    with ThreadPoolExecutor(1) as beside:
        killing = beside.submit(worker.killed_at_work, WORKERS)
        killed = {"application": 0, "PostgreSQL": 0}
        while any(t.is_alive() for t in at_work) and (LONG or sum(killed.values()) < 2):
            time.sleep(chance.uniform(0.1, 0.6))
            rare = [k for k, n in killed.items() if n == min(killed.values())]
            who = chance.choice(rare)
            killed[who] += 1
            if who == "application":
                server = chance.choice(servers)
                server.kill()
                server.start(wait=False)
            else:
                cluster.kill()
                cluster.start()
            if LONG:  # kill after kill, and still something gets done: one of the two answers before the next
                until(lambda: any(map(answers, servers)), 240)
        for thread in at_work:
            thread.join(600)
            assert not thread.is_alive(), (crowd.unexpected[-3:], cluster.log())
        told = {seed["chores"]["issued"]} | {n for numbers in crowd.issued.values() for n in numbers}
        until(lambda: crowd.acknowledged >= told, 240)
        crowd.over.set()
        lab.join(240)
        killing.result()
    worker.kill()
    print(killed, "worker", worker.killed, dict(worker.jobs_in_hand), "requests without an answer:", crowd.outages)
    assert crowd.unexpected == []
    assert worker.wrong == []

    # issued: each dispense one order, and the one that was told; numbers and places without a gap
    rows = sql(
        "SELECT d.reference, o.number, o.feed_position FROM orders_order o JOIN dispensing_dispense d ON d.id = o.dispense_id"
    )
    assert dict(crowd.issued) == {ref: {number} for ref, number, _ in rows if number != seed["chores"]["issued"]}
    assert sorted(number for _, number, _ in rows) == [f"SM-{n:06d}" for n in range(1, len(seed["ready"]) + 2)]
    assert sorted(place for *_, place in rows) == list(range(1, len(rows) + 1))
    # acknowledged: once each
    events = dict(sql("SELECT kind, count(*) FROM orders_orderevent GROUP BY kind"))
    assert events["issued"] == events["acknowledged"] == len(rows)
    assert sql("SELECT count(*) FROM orders_order WHERE state <> 'acknowledged'") == [(0,)]
    # signed and imported: once each
    signed = sql(
        "SELECT d.reference, count(*) FROM dispensing_signature s JOIN dispensing_dispense d ON d.id = s.dispense_id "
        "WHERE s.decision = 'signed' GROUP BY d.reference"
    )
    assert sorted(signed) == sorted((reference, 1) for reference in seed["to_sign"])
    assert crowd.signed == set(seed["to_sign"])
    assert sql("SELECT count(*) FROM dispensing_prescription WHERE source = 'imported'") == [(len(seed["to_import"]),)]
    assert crowd.imported == set(seed["to_import"])
    left = json.loads(site.python("-m", "tests.faults.seed", "finish", *map(str, seed["chores"]["still"])))
    receiver.close()
    what_the_worker_did(seed["chores"], left)
    # told: every order reaches the lab; what came twice, because a kill came between telling and noting it, came under the same name
    assert left["undelivered"] == 0
    assert {number for _, number, _ in rows} <= set(left["messages"].values())
    assert dict(receiver.told) == left["messages"]
    assert len(receiver.told) - len(left["messages"]) <= worker.killed + 1 + killed["PostgreSQL"]
    assert f"{len(rows)} orders, every one as it was issued" in left["verify_orders"]


def answers(server):
    with contextlib.suppress(OSError):
        return server.get("/sign-in/", timeout=5).status in (200, 503)
    return False


def what_the_worker_did(chores, left):
    """All of it, once, and it can be taken back."""
    lines = chores["lines"]
    assert left["checked"] == ["checked", lines, lines]
    assert left["imports"] == {
        "new.csv": ["done", lines, 0, 0, lines], "changed.xlsx": ["done", 0, lines, 0, lines], "late.csv": ["done", lines, 0, 0, lines],
    }  # fmt: skip
    assert left["half_done"] == []
    assert left["told"]  # each import has one row of the trail
    assert left["digests"]  # and it names just the lines that were put
    assert all(total == done == items and not trouble and over for total, done, items, trouble, over in left["rechecks"])
    assert left["items_once"]
    limits = [found for kind, *found in left["changes"] if kind == "limit"]
    assert len(limits) == 3
    frames = [found for kind, *found in left["changes"] if kind == "frame"]
    assert len(frames) == 1  # the changed frame was chosen; told once, with the import that changed it
    for first, second in (*limits, *frames):
        assert first == second
        assert first
        assert len(first) == len(set(map(tuple, first)))
    assert left["catalogue"] == chores["catalogue"]  # taken back, it is as it was
    assert "BROKEN" not in left["verify_audit"]
