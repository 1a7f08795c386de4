"""Move photographs and received documents between the database and the store (deploy/STORAGE.md). Can be stopped and started again."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from practice import contents
from practice.contents import move


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--to", required=True, choices=("store", "database"))

    def handle(self, *args: Any, to: str, **options: Any) -> None:
        if settings.CONTENTS is None:
            raise CommandError("No store is set: DATUMLINE_S3_BUCKET and what belongs to it (deploy/STORAGE.md).")
        if contents.to_the_store() != (to == "store"):
            raise CommandError(
                f"DATUMLINE_STORAGE still sends what is new to the {'store' if to == 'database' else 'database'}: "
                "change it for every process of the site first, then move what is there."
            )
        try:
            done = (move.to_store if to == "store" else move.to_database)(self.stdout.write)
        except contents.Away as away:
            raise CommandError(f"{away.why} What was moved so far is moved: start the command again.") from away
        for line in done.wrong:
            self.stdout.write(f"NOT MOVED  {line}")
        if done.wrong:
            raise CommandError(f"{done.moved} moved, {len(done.wrong)} left where they were.")
        self.stdout.write(f"{done.moved} moved ({done.size} bytes), each read back and held against its digest.")
