"""Periodic jobs and the worker: taken once, given back by the clock, noted whatever happens."""

from __future__ import annotations

import threading
import time as clock
from datetime import UTC, datetime, time, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import OperationalError, connections
from django.utils import timezone

from deploy import jobs
from deploy.models import Job, Worker
from deploy.worker import Worker as Working
from dispensing.models import Presence
from dispensing.record import start_dispense
from tests.factories import Cast

MINUTE = jobs.Periodic("forget_answers", "", every=timedelta(minutes=1))
NIGHTLY = jobs.Periodic("forget_leftovers", "", at=time(3, 0))


def test_every_listed_job_says_what_it_does_and_when():
    assert len({job.name for job in jobs.JOBS}) == len(jobs.JOBS)
    for job in jobs.JOBS:
        assert job.what
        assert (job.every is None) != (job.at is None)
    assert {"recheck", "deliver_webhooks", "forget_answers", "forget_leftovers"} <= jobs.installed().keys()


@pytest.mark.parametrize(
    ("now", "next_one"),
    [
        (datetime(2026, 3, 1, 2, 59, tzinfo=UTC), datetime(2026, 3, 1, 3, 0, tzinfo=UTC)),
        (datetime(2026, 3, 1, 3, 0, tzinfo=UTC), datetime(2026, 3, 2, 3, 0, tzinfo=UTC)),
        (datetime(2026, 12, 31, 23, 0, tzinfo=UTC), datetime(2027, 1, 1, 3, 0, tzinfo=UTC)),
    ],
)
def test_a_nightly_job_comes_at_its_hour(now, next_one):
    assert NIGHTLY.next_after(now) == next_one


@pytest.mark.django_db
def test_a_job_is_claimed_once_and_again_when_its_claim_is_over():
    now = timezone.now()
    jobs.note_jobs(["forget_answers"], now)
    jobs.note_jobs(["forget_answers"], now + timedelta(hours=1))  # not made due anew
    first = jobs.claim("one", ["forget_answers"], now)
    assert first is not None
    assert jobs.claim("two", ["forget_answers"], now + jobs.LEASE - timedelta(seconds=1)) is None
    second = jobs.claim("two", ["forget_answers"], now + jobs.LEASE)
    assert second is not None
    assert second.claimed_by.startswith("two")
    jobs._finish(first, MINUTE, "late", None, 1.0, now)  # the first wakes up: what it says does not count any more
    assert Job.objects.get().claimed_by.startswith("two")
    jobs._finish(second, MINUTE, "all\n3 dropped.\n", None, 1.0, now)
    row = Job.objects.get()
    assert (row.said, row.runs, row.failures, row.due_at) == ("3 dropped.", 1, 0, now + timedelta(minutes=1))


@pytest.mark.django_db
def test_a_failure_is_noted_without_its_text_and_tried_later_and_later(monkeypatch):
    def fails(*args, **kwargs):
        raise ValueError("Miriam Sandoval")

    monkeypatch.setattr(jobs, "call_command", fails)
    now = timezone.now()
    jobs.note_jobs(["forget_answers"], now)
    waits = []
    for _ in range(3):
        job = jobs.claim("one", ["forget_answers"], now)
        assert isinstance(jobs.run(job, MINUTE, clock=lambda now=now: now), ValueError)
        row = Job.objects.get()
        waits.append((row.due_at - now).total_seconds())
        now = row.due_at
    assert waits == [60, 120, 240]
    assert row.failures == 3
    assert row.trouble.startswith("ValueError at test_jobs.py:")
    assert "Miriam" not in row.trouble


@pytest.mark.django_db
def test_the_worker_runs_what_is_due_and_then_says_so(cast: Cast):
    seen = timezone.now()
    out = StringIO()
    call_command("worker", "--until-idle", stdout=out)
    assert f"{len(jobs.installed())} jobs run." in out.getvalue()
    assert not Worker.objects.exists()  # gone when it has stopped
    assert all(row.succeeded_at >= seen and not row.trouble for row in Job.objects.all())
    told = StringIO()
    with pytest.raises(SystemExit):
        call_command("jobs", stdout=told)
    assert "No worker is running." in told.getvalue()
    jobs.note_worker("here:1:a", timezone.now())
    told = StringIO()
    call_command("jobs", stdout=told)
    assert "in order" in told.getvalue()
    assert "worker here:1:a: seen 0 s ago" in told.getvalue()
    with pytest.raises(CommandError, match="No such job: nonsense"):
        call_command("jobs", "--now", "nonsense")


@pytest.mark.django_db
def test_leftovers_are_dropped_and_what_is_in_use_stays(client, cast: Cast):
    from django.contrib.sessions.models import Session

    client.force_login(cast.dispenser)
    key = client.session.session_key
    Session.objects.create(session_key="over", session_data="", expire_date=timezone.now() - timedelta(seconds=1))
    Worker.objects.create(name="lost", started_at=timezone.now(), seen_at=timezone.now() - timedelta(hours=1))
    Worker.objects.create(name="here", started_at=timezone.now(), seen_at=timezone.now())
    dispense = start_dispense(actor=cast.dispenser, client=cast.client, branch=cast.branch)
    for staff, ago in ((cast.dispenser, 2), (cast.manager, 0)):
        Presence.objects.create(dispense=dispense, staff=staff, seen_at=timezone.now() - timedelta(hours=ago))
    call_command("forget_leftovers", stdout=StringIO())
    assert set(Session.objects.values_list("session_key", flat=True)) == {key}
    assert list(Worker.objects.values_list("name", flat=True)) == ["here"]
    assert Presence.objects.get().staff == cast.manager


@pytest.mark.django_db
def test_a_database_that_goes_away_is_waited_for(monkeypatch):
    worker, tries = Working(["forget_answers"], look_every_s=0), []

    def step():
        tries.append(1)
        if len(tries) < 3:
            raise OperationalError("gone")
        worker.stop.set()
        return False

    monkeypatch.setattr(worker, "step", step)
    monkeypatch.setattr(worker.stop, "wait", lambda seconds: None)
    monkeypatch.setattr("deploy.worker.connections.close_all", lambda: None)
    worker.go()
    assert len(tries) == 3


@pytest.mark.django_db(transaction=True)
def test_of_many_workers_at_once_one_has_the_job(monkeypatch):
    """Six threads with connections of their own, as processes would: twelve claims, each due job once."""
    now = timezone.now()
    jobs.note_jobs(["forget_answers", "forget_leftovers"], now)
    start, taken = threading.Barrier(6), []

    def claim_patiently(who):
        for _ in range(20_000):
            try:
                return jobs.claim(who, ["forget_answers", "forget_leftovers"], now)
            except OperationalError:  # SQLite in memory, as tests have it, refuses at once where a file would wait
                clock.sleep(0.005)
        raise AssertionError("never came to its turn")

    def look(n):
        try:
            start.wait()
            for _ in range(2):
                job = claim_patiently(f"worker {n}")
                if job is not None:
                    taken.append(job.name)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=look, args=(n,)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(taken) == ["forget_answers", "forget_leftovers"]
