"""manage.py recheck: judge again what a changed limit, catalogue entry or new edition of the limits concerns. One pass; for a timer."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from orders.models import RecheckItem
from orders.recheck import start_edition, work_off


class Command(BaseCommand):
    help = (
        "Judge again the dispenses and unacknowledged orders that a changed limit or catalogue entry concerns, and keep what differs. "
        "One pass over what is waiting; several may run at once. Pages that show the progress do the same in small slices."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--limit", type=int, default=None, help="at most so many dispenses")

    def handle(self, *args: Any, **options: Any) -> None:
        start_edition()
        count = work_off(limit=options["limit"])
        waiting = RecheckItem.objects.filter(done_at=None).count()
        self.stdout.write(f"{count} judged again, {waiting} waiting.")
