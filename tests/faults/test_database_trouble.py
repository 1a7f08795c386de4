"""A PostgreSQL that is restarted, locked, silent or full, and too many people at once: words within seconds, nothing half saved.

One site for all of it, since a server process takes longest to start. The limits are those of deploy/settings.py, set lower by the
environment as an operator would.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import psycopg
import pytest

from tests.faults.conftest import VENDOR
from tests.faults.machines import Receiver, Site, Wire, until

pytestmark = pytest.mark.skipif(VENDOR != "postgresql", reason="about PostgreSQL; SQLite has test_sqlite")


@pytest.fixture(scope="module")
def world(tmp_path_factory, cluster):
    """A site with one server behind a wire, ready dispenses and a lab."""
    cluster.sql('DROP DATABASE IF EXISTS "trouble" WITH (FORCE)')
    cluster.create("trouble")
    wire = Wire(cluster.port)
    site = Site(tmp_path_factory.mktemp("trouble"), cluster.url("trouble", port=wire.port))
    server = site.serve(wait=False, DATUMLINE_DB_STATEMENT_S="2", DATUMLINE_DB_LOCK_S="1", DATUMLINE_LAB_REQUESTS="30")
    seed = site.seed(ready=3)
    server.wait()
    yield World(site, server, seed, wire, cluster)
    site.stop()
    wire.close()


class World:
    def __init__(self, site, server, seed, wire, cluster) -> None:
        self.site, self.server, self.seed, self.wire, self.cluster = site, server, seed, wire, cluster

    def sql(self, statement):
        return self.cluster.sql(statement, "trouble")

    def look(self, path="/clients/"):
        return self.server.get(path, session=self.seed["sessions"]["dispenser"])

    def issue(self, reference):
        version = self.sql(f"SELECT version FROM dispensing_dispense WHERE reference = '{reference}'")[0][0]
        return self.server.post(
            f"/dispenses/{reference}/order/", {"lab": self.seed["lab"], "version": str(version)},
            session=self.seed["sessions"]["dispenser"],
        )  # fmt: skip

    def everything(self):
        return self.sql(
            "SELECT (SELECT count(*) FROM orders_order), (SELECT count(*) FROM orders_orderevent), "
            "(SELECT coalesce(sum(sequence), 0) FROM practice_audithead), (SELECT coalesce(sum(last), 0) FROM orders_numberseries)"
        )


def test_after_a_restart_the_next_request_works(world):
    for how in ("fast", "immediate"):
        assert world.look().status == 200
        world.cluster.stop(how)
        down = world.look()
        assert down.status == 503
        assert "does not answer" in down.text
        assert down.headers["Retry-After"]
        feed = world.server.get("/api/v1/orders", token=world.seed["token"])
        assert feed.status == 503
        assert json.loads(feed.body)["type"].endswith("#problem-unavailable")
        world.cluster.start()
        assert world.look().status == 200


def test_a_record_that_somebody_else_holds_is_said_to_be_busy_and_nothing_is_saved(world):
    reference = world.seed["ready"][0]
    before = world.everything()
    with psycopg.connect(world.cluster.url("trouble")) as other:
        other.execute(f"SELECT 1 FROM dispensing_dispense WHERE reference = '{reference}' FOR UPDATE")
        began = time.monotonic()
        answer = world.issue(reference)
        assert time.monotonic() - began < 60
        assert answer.status == 503
        assert "Somebody else is saving the same record" in answer.text
        assert "Nothing was saved" in answer.text
        other.rollback()
    assert world.everything() == before
    assert world.issue(reference).status == 302


def test_a_database_that_falls_silent_is_given_up_within_seconds(world):
    """The wire takes what is sent and passes nothing on: no error, no end. Afterwards the same server process goes on."""
    reference = world.seed["ready"][1]
    assert world.look().status == 200
    before = world.everything()
    world.wire.stalled.set()
    try:
        began = time.monotonic()
        answer = world.issue(reference)
        took = time.monotonic() - began
    finally:
        world.wire.stalled.clear()
    assert answer.status == 503
    assert took < 90
    assert until(lambda: world.look().status == 200, 120)
    assert world.everything() == before
    assert world.issue(reference).status == 302


def test_two_people_on_one_record_one_order(world):
    reference = world.seed["ready"][2]
    with ThreadPoolExecutor(6) as several:
        answers = list(several.map(lambda _: world.issue(reference), range(6)))
    told = {a.to for a in answers if a.status == 302}
    assert len(told) == 1
    assert {a.status for a in answers} <= {200, 302, 503}
    assert len(world.sql(f"SELECT 1 FROM orders_order o JOIN dispensing_dispense d ON d.id = o.dispense_id WHERE d.reference = '{reference}'")) == 1  # fmt: skip


def test_two_hundred_connections_at_once_are_all_answered(world):
    gate = threading.Barrier(200)

    def one(_):
        gate.wait()
        return world.server.get("/sign-in/", timeout=300).status

    with ThreadPoolExecutor(200) as many:
        assert set(many.map(one, range(200))) == {200}
    # and the database was not asked for two hundred connections
    assert world.sql("SELECT count(*) FROM pg_stat_activity WHERE datname = 'trouble'")[0][0] < 20


def test_a_webhook_target_that_hangs_holds_up_nobody(world):
    """A lab's server takes the message and never answers: pages go on, the message waits for its next time."""
    receiver = Receiver(hang=True)
    if not world.sql("SELECT 1 FROM orders_order"):
        assert world.issue(world.seed["ready"][0]).status == 302
    try:
        script = (
            "import django; django.setup();"
            "from orders.models import Lab, Order, WebhookMessage; from practice.models import Staff, Post;"
            "from orders.webhooks import outbox, send; from django.utils import timezone; import time;"
            "send.STEP_S, send.WHOLE_S = 1.0, 2.0;"
            f"lab = Lab.objects.get(code={world.seed['lab']!r}); post = Post.objects.filter(role='manager', branch__code='SM').first();"
            f"outbox.save_webhook(actor=post.staff, branch=post.branch, lab=lab, url='http://127.0.0.1:{receiver.port}/');"
            "WebhookMessage.objects.create(webhook=lab.webhook, order=Order.objects.order_by('pk').first(), message_id='m1', kind='order.issued',"
            " at=timezone.now(), due_at=timezone.now());"
            "from orders.webhooks.deliver import deliver_due; began = time.monotonic(); print(deliver_due());"
            "print(time.monotonic() - began, WebhookMessage.objects.get().trouble)"
        )
        environment = {**world.site.environment, "DATUMLINE_DATABASE_URL": world.cluster.url("trouble")}
        sending = subprocess.Popen([sys.executable, "-c", script], env=environment, stdout=subprocess.PIPE, text=True)
        assert world.look().status == 200
        said, _ = sending.communicate(timeout=300)
    finally:
        receiver.close()
    assert "failed=1" in said
    assert float(said.splitlines()[1].split()[0]) < 60
    assert world.sql("SELECT count(*) FROM orders_webhookmessage WHERE delivered_at IS NULL AND due_at > now()") == [(1,)]


def test_a_lab_that_pulls_in_a_tight_loop_is_slowed_down_and_others_are_not(world):
    statuses = [world.server.get("/api/v1/orders", token=world.seed["token"]).status for _ in range(75)]
    assert statuses.count(429) >= 10  # the quota counts by minute: at the turn of one it begins anew
    assert statuses.count(200) >= 30
    refused = world.server.get("/api/v1/orders", token=world.seed["token"])
    if refused.status == 429:
        assert int(refused.headers["Retry-After"]) <= 61
    assert world.look().status == 200


@pytest.mark.skipif(os.getuid() != 0, reason="a disk of a few megabytes can be mounted by root only")
def test_a_full_disk_is_said_to_be_full_and_nothing_is_half_saved(world, tmp_path):
    """The orders' table on a disk of its own that is filled up to the last block; with room again, the same request is done."""
    place = world.cluster.folder / "small"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(place)], capture_output=True, text=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip(f"mounting is not permitted here: {mounted.stderr.strip()}")
    try:
        (place / "t").mkdir()
        shutil.chown(place / "t", world.cluster.user or os.getuid())
        world.sql(f"CREATE TABLESPACE small LOCATION '{place}/t'")
        world.sql("ALTER TABLE orders_order SET TABLESPACE small")
        reference = world.seed["ready"][1]
        assert world.issue(reference).status == 302
        order = world.sql(f"SELECT o.number FROM orders_order o JOIN dispensing_dispense d ON d.id = o.dispense_id WHERE d.reference = '{reference}'")[0][0]  # fmt: skip
        with (place / "filler").open("wb") as filler:
            try:
                while True:
                    filler.write(b"x" * 65536)
                    filler.flush()
            except OSError:
                pass

        def replace(number):
            # cancelling and issuing anew needs room for another document
            form = {"lab": world.seed["lab"], "reason": "The lab has moved house.", "version": "1"}
            return world.server.post(f"/orders/{number}/replace/", form, session=world.seed["sessions"]["dispenser"])

        for _ in range(20):  # until what was free in the last blocks is used up
            before = world.everything()
            answer = replace(order)
            if answer.status != 302:
                break
            order = answer.to.rstrip("/").rpartition("/")[2]
        assert answer.status == 503, answer.text[:500]
        assert "no room left" in answer.text
        assert "Nothing was saved" in answer.text
        assert world.everything() == before
        (place / "filler").unlink()
        assert replace(order).status == 302
        assert "BROKEN" not in world.site.manage("verify_audit")
    finally:
        world.sql("ALTER TABLE orders_order SET TABLESPACE pg_default")
        world.sql("DROP TABLESPACE IF EXISTS small")
        subprocess.run(["umount", str(place)], check=False)
