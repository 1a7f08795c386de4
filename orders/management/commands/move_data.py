"""Bring every record into another, empty database (SQLite or PostgreSQL), and look whether all has arrived."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from orders.keeping.elsewhere import OtherDatabase
from orders.keeping.move import move


class Command(BaseCommand):
    help = __doc__
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--from", dest="source", required=True, help="sqlite:////full/path or postgresql://user@host:port/name"
        )
        parser.add_argument("--to", dest="target", required=True, help="the same; an empty database")

    def handle(self, *args: Any, source: str, target: str, verbosity: int, **options: Any) -> None:
        try:
            moved = move(source=source, target=target, said=self.stdout.write if verbosity > 1 else lambda _: None)
        except OtherDatabase as problem:
            raise CommandError(str(problem)) from problem
        for line in moved.wrong:
            self.stdout.write(f"NOT THE SAME  {line}")
        for table in moved.left_out:
            self.stdout.write(f"left out: {table} is not of this release")
        if moved.wrong:
            raise CommandError(f"{len(moved.wrong)} differences: do not use the new database.")
        self.stdout.write(
            f"{moved.rows} rows in {moved.tables} tables moved; every row, every order and every audit trail is as it was. "
            "The secret key stays where it is: the new site needs the same DATUMLINE_SECRET_KEY."
        )
        if moved.in_store:
            self.stdout.write(
                f"{moved.in_store} pictures and documents are in the store and stay there: the new site needs the same DATUMLINE_S3_… "
                "settings, and the old one must not run any more."
            )
