"""manage.py jobs: the periodic jobs, when each ran last and how it went; and the workers that are alive.

Ends with 1 when a job fails or is overdue, or no worker is there, so that a monitor can call it.
"""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from deploy import jobs
from deploy.models import Job, Worker


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--now", nargs="+", default=[], metavar="JOB", help="make these jobs due at once")

    def handle(self, *args: Any, now: list[str], **options: Any) -> None:
        known, moment = jobs.installed(), timezone.now()
        if set(now) - known.keys():
            raise CommandError(f"No such job: {', '.join(sorted(set(now) - known.keys()))}. There are: {', '.join(known)}.")
        jobs.note_jobs(known, moment)
        Job.objects.filter(name__in=now).update(due_at=moment)
        rows = {row.name: row for row in Job.objects.filter(name__in=known)}
        bad = False
        for name, periodic in known.items():
            row = rows[name]
            state, wrong = state_of(row, periodic, moment)
            bad = bad or wrong
            last = f"{row.succeeded_at:%Y-%m-%d %H:%M:%S} UTC" if row.succeeded_at else "never"
            self.stdout.write(f"{name:<18}{state:<22}last success {last:<25}{row.runs:>7} runs  {row.said}")
            if row.trouble:
                self.stdout.write(f"{'':<18}last error: {row.trouble}")
        alive = list(Worker.objects.filter(seen_at__gt=moment - jobs.LEASE).order_by("name"))
        for worker in alive:
            self.stdout.write(f"worker {worker.name}: seen {(moment - worker.seen_at).total_seconds():.0f} s ago")
        if not alive:
            self.stdout.write("No worker is running.")
        if bad or not alive:
            raise SystemExit(1)


def state_of(row: Job, periodic: jobs.Periodic, now: Any) -> tuple[str, bool]:
    """In words, and whether somebody should look."""
    if row.claimed_until is not None and row.claimed_until > now:
        return "running", False
    if row.failures:
        return f"failed {row.failures} times", True
    if row.succeeded_at is None:
        return "waiting for its first", False
    if now - row.succeeded_at > periodic.longest_gap:
        return "overdue", True
    return "in order", False
