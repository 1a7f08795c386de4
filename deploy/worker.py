"""The worker: takes whatever job is due, one at a time, until it is told to stop. Lives through a database that goes away."""

from __future__ import annotations

import logging
import signal
import threading
import time
from collections.abc import Iterable
from datetime import datetime, timedelta
from types import FrameType

from django.db import Error as DatabaseError
from django.db import InterfaceError, connections
from django.utils import timezone

from deploy import jobs

log = logging.getLogger(__name__)
LOOK_EVERY_S = 2.0
SAY_EVERY = timedelta(seconds=15)
LONGEST_PAUSE_S = 30.0


class Worker:
    """`only`: names of jobs; empty means all that are installed."""

    def __init__(self, only: Iterable[str] = (), look_every_s: float = LOOK_EVERY_S) -> None:
        wanted = set(only)
        self.periodic = {name: job for name, job in jobs.installed().items() if not wanted or name in wanted}
        self.name = jobs.worker_name()
        self.stop = threading.Event()
        self.look_every_s = look_every_s
        self._said_at: datetime | None = None

    def listen(self) -> None:
        """SIGTERM and SIGINT end it after the job in hand; a second one ends it at once."""

        def told(number: int, frame: FrameType | None) -> None:
            if self.stop.is_set():
                raise KeyboardInterrupt
            self.stop.set()

        signal.signal(signal.SIGTERM, told)
        signal.signal(signal.SIGINT, told)

    def go(self, *, until_idle: bool = False) -> int:
        """Work until told to stop, or with `until_idle` until nothing is due. How many jobs were run."""
        done, pause = 0, 0.5
        log.info("worker %s started: %s", self.name, ", ".join(self.periodic))
        while not self.stop.is_set():
            try:
                ran = self.step()
                done, pause = done + ran, 0.5
            except (DatabaseError, InterfaceError) as error:
                log.error("the database does not serve the worker: %s; again in %.0f s", jobs.place_of(error), pause)
                connections.close_all()
                self.stop.wait(pause)
                pause = min(2 * pause, LONGEST_PAUSE_S)
                continue
            if not ran:
                if until_idle:
                    break
                self.stop.wait(self.look_every_s)
        try:
            jobs.forget_worker(self.name)
        except (DatabaseError, InterfaceError):
            connections.close_all()
        log.info("worker %s stopped after %d jobs", self.name, done)
        return done

    def step(self) -> bool:
        """One look: say that we are here, take a job, run it. Whether there was one."""
        now = timezone.now()
        if self._said_at is None or now - self._said_at >= SAY_EVERY or now < self._said_at:
            jobs.note_jobs(self.periodic, now)
            jobs.note_worker(self.name, now)
            self._said_at = now
        job = jobs.claim(self.name, self.periodic, now)
        if job is None:
            return False
        began = time.monotonic()
        trouble = jobs.run(job, self.periodic[job.name])
        seconds = time.monotonic() - began
        if trouble is None:
            log.info("job %s done", job.name, extra={"job": job.name, "seconds": round(seconds, 3)})
        else:
            log.error("job %s failed: %s", job.name, jobs.place_of(trouble), extra={"job": job.name})
            if isinstance(trouble, DatabaseError | InterfaceError):
                connections.close_all()
        return True
