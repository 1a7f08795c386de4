"""The periodic jobs: what is run how often, and how one worker of many takes the next.

A job is a management command. Who runs it claims its row (SKIP LOCKED on PostgreSQL, BEGIN IMMEDIATE on SQLite) for two minutes and
renews the claim while it works; whoever is killed loses the claim by the clock, and another does the job. So no job runs twice at
once, and any number of workers on any number of hosts may look. A command of `JOBS` that is not installed is left out.
"""

from __future__ import annotations

import os
import secrets
import socket
import threading
import time
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from datetime import time as clock_time
from io import StringIO
from pathlib import Path

from django.core.management import call_command, get_commands
from django.db import Error as DatabaseError
from django.db import InterfaceError, connection, connections, transaction
from django.db.models import Q
from django.utils import timezone

from deploy.models import Job, Worker

LEASE = timedelta(minutes=2)
RENEW_S = 30.0
WORKER_LOST = timedelta(minutes=10)  # a worker not heard of for so long is forgotten
AFTER_FAILURE = timedelta(minutes=1)  # at the earliest, doubled with each failure in a row
_ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True, slots=True)
class Periodic:
    """`every`: from the end of one run to the start of the next; or once a day `at` a time (UTC)."""

    name: str
    what: str
    arguments: tuple[str, ...] = ()
    every: timedelta | None = None
    at: clock_time | None = None

    def next_after(self, now: datetime) -> datetime:
        if self.every is not None:
            return now + self.every
        assert self.at is not None
        today = datetime.combine(now.astimezone(UTC).date(), self.at, UTC)
        return today if today > now else today + timedelta(days=1)

    @property
    def longest_gap(self) -> timedelta:
        """Between two successes, before somebody should look."""
        return max(10 * self.every, timedelta(minutes=10)) if self.every else timedelta(hours=26)


JOBS: tuple[Periodic, ...] = (
    Periodic(
        "recheck", "judges again what a changed limit or entry concerns", ("--limit", "500"), every=timedelta(seconds=20)
    ),
    Periodic("deliver_webhooks", "tells labs that there is news", every=timedelta(seconds=15)),
    Periodic("sweep_contents", "deletes from the store what no record holds any more", every=timedelta(minutes=5)),
    Periodic("work_imports", "works off uploaded lists", every=timedelta(seconds=15)),
    Periodic("summarise", "adds up the day for the reports", at=clock_time(1, 30)),
    Periodic("forget_answers", "drops answers kept for labs' repeated requests", at=clock_time(2, 30)),
    Periodic("forget_sign_ins", "drops wrong tries and links for signing in that are long over", at=clock_time(2, 45)),
    Periodic("forget_leftovers", "drops sessions that are over, old presence and lost workers", at=clock_time(3, 0)),
)


def installed(jobs: Iterable[Periodic] | None = None) -> dict[str, Periodic]:
    known = get_commands()
    return {job.name: job for job in (JOBS if jobs is None else jobs) if job.name in known}


def worker_name() -> str:
    return f"{socket.gethostname()[:80]}:{os.getpid()}:{secrets.token_hex(3)}"


def note_jobs(jobs: Iterable[str], now: datetime) -> None:
    """A row for each job; a new one is due at once."""
    missing = set(jobs) - set(Job.objects.values_list("name", flat=True))
    if missing:
        Job.objects.bulk_create([Job(name=name, due_at=now) for name in sorted(missing)], ignore_conflicts=True)


def note_worker(name: str, now: datetime) -> None:
    """The worker `name` is alive."""
    if not Worker.objects.filter(name=name).update(seen_at=now):
        Worker.objects.update_or_create(name=name, defaults={"started_at": now, "seen_at": now})


def forget_worker(name: str) -> None:
    Worker.objects.filter(name=name).delete()


@transaction.atomic
def claim(who: str, names: Iterable[str], now: datetime) -> Job | None:
    """The job that has been due longest and that nobody is at, claimed for `who`; None when there is none."""
    job = (
        Job.objects.filter(Q(claimed_until=None) | Q(claimed_until__lte=now), name__in=list(names), due_at__lte=now)
        .order_by("due_at", "pk")
        .select_for_update(skip_locked=connection.features.has_select_for_update_skip_locked)
        .first()
    )
    if job is not None:
        job.claimed_by, job.claimed_until, job.started_at = f"{who} {secrets.token_hex(4)}"[:120], now + LEASE, now
        job.save(update_fields=["claimed_by", "claimed_until", "started_at"])
    return job


class _Renewal:
    """Renews a claim from a thread of its own while the job works; `lost` once it was not ours any more."""

    def __init__(self, job: Job, worker: str) -> None:
        self._job, self._worker = job, worker
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._go, name="renewal", daemon=True)

    def __enter__(self) -> _Renewal:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _go(self) -> None:
        try:
            while not self._over.wait(RENEW_S):
                now = timezone.now()
                try:
                    mine = Job.objects.filter(pk=self._job.pk, claimed_by=self._job.claimed_by)
                    mine.update(claimed_until=now + LEASE)
                    note_worker(self._worker, now)
                except (DatabaseError, InterfaceError):
                    connections.close_all()  # this thread's; the next turn opens another
        finally:
            connections.close_all()


def place_of(error: BaseException) -> str:
    """Kind of an error and where in our code it arose; never its text, which can hold what somebody typed."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if f.filename.startswith(str(_ROOT)) and "/.local/" not in f.filename] or list(frames)
    where = f" at {Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else ""
    return f"{type(error).__name__}{where}"[:300]


def run(job: Job, periodic: Periodic, *, clock: Callable[[], datetime] = timezone.now) -> BaseException | None:
    """Run a claimed job to its end and note how it went. Returns the error it ended with, if any.

    An error of the database is noted as the job's trouble too, as soon as the database answers again.
    """
    said, trouble, began = StringIO(), None, time.monotonic()
    with _Renewal(job, job.claimed_by.rpartition(" ")[0]):
        try:
            call_command(job.name, *periodic.arguments, stdout=said, stderr=StringIO(), no_color=True)
        except (Exception, SystemExit) as error:
            trouble = error
    finish(job, periodic, said.getvalue(), trouble, time.monotonic() - began, clock)
    return trouble


def finish(
    job: Job, periodic: Periodic, said: str, trouble: BaseException | None, seconds: float, clock: Callable[[], datetime]
) -> None:
    """Write down how it went, trying for as long as the claim lasts when the database is away."""
    deadline, pause = time.monotonic() + LEASE.total_seconds() / 2, 0.2
    while True:
        try:
            _finish(job, periodic, said, trouble, seconds, clock())
            return
        except (DatabaseError, InterfaceError):
            if connection.in_atomic_block or time.monotonic() > deadline:
                raise
            connection.close()
            time.sleep(pause)
            pause = min(2 * pause, 5)


def _finish(job: Job, periodic: Periodic, said: str, trouble: BaseException | None, seconds: float, now: datetime) -> None:
    with transaction.atomic():
        row = Job.objects.select_for_update().filter(pk=job.pk, claimed_by=job.claimed_by).first()
        if row is None:
            return  # lost the claim: whoever has it now writes
        row.claimed_by, row.claimed_until = "", None
        row.finished_at, row.seconds, row.runs = now, round(seconds, 3), row.runs + 1
        row.due_at = periodic.next_after(now)
        if trouble is None:
            lines = said.strip().splitlines()
            row.succeeded_at, row.failures, row.said = now, 0, (lines[-1] if lines else "")[:200]
        else:
            row.failures, row.trouble = row.failures + 1, place_of(trouble)
            again = now + AFTER_FAILURE * 2 ** min(row.failures - 1, 5)
            row.due_at = min(row.due_at, again) if periodic.at else max(row.due_at, again)
        row.save()
