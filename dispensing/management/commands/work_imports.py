"""manage.py work_imports: check and carry out the files that wait. One pass; for a timer of a minute or so."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from dispensing.imports import jobs


class Command(BaseCommand):
    help = (
        "Check imported files and carry out those that were let go, until nothing waits. Several may run at once; pages that show the "
        "progress do the same in small slices."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--seconds", type=float, default=None, help="at most so long")

    def handle(self, *args: Any, **options: Any) -> None:
        count = jobs.work(seconds=options["seconds"])
        dropped = jobs.drop_old()
        self.stdout.write(f"{count} pieces worked off, {dropped} forgotten.")
