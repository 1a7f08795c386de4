"""manage.py worker: runs the periodic jobs until it is told to stop (SIGTERM). Any number may run, on any hosts."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from deploy import jobs
from deploy.worker import Worker


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--only", nargs="+", default=[], metavar="JOB", help="these jobs only")
        parser.add_argument(
            "--until-idle", action="store_true", help="run what is due now, then end: for a timer, every minute"
        )

    def handle(self, *args: Any, only: list[str], until_idle: bool, **options: Any) -> None:
        known = jobs.installed()
        unknown = set(only) - known.keys()
        if unknown:
            raise CommandError(f"No such job: {', '.join(sorted(unknown))}. There are: {', '.join(known)}.")
        worker = Worker(only)
        worker.listen()
        done = worker.go(until_idle=until_idle)
        self.stdout.write(f"{done} jobs run.")
