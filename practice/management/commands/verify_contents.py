"""Hold every photograph and received document against its digest, wherever it is; say whether the store takes us. See deploy/STORAGE.md."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from practice import contents
from practice.contents import move, store


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--probe", action="store_true", help="only write, read and delete one small object")
        parser.add_argument("--unknown", action="store_true", help="also list objects in the folder that no record knows")

    def handle(self, *args: Any, probe: bool, unknown: bool, **options: Any) -> None:
        try:
            if settings.CONTENTS is not None:
                store.current().probe()
                self.stdout.write(f"The store takes us: bucket {settings.CONTENTS.bucket}.")
            elif probe or unknown:
                raise CommandError("No store is set: everything is in the database.")
            if probe:
                return
            found = move.look_through()
            strays = list(move.unknown()) if unknown else []
        except contents.Away as away:
            raise CommandError(away.why) from away
        for key in strays:
            self.stdout.write(f"unknown  {key}")
        for line in found.wrong:
            self.stdout.write(f"WRONG  {line}")
        said = f"{found.here} contents in the database, {found.there} in the store"
        if found.wrong:
            raise CommandError(f"{said}: {len(found.wrong)} are not what was put in.")
        self.stdout.write(
            f"{said}: each is what its digest says." + (f" {len(strays)} objects are unknown." if unknown else "")
        )
