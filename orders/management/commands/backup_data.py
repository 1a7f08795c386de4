"""Write one encrypted file with the database at this moment, the secret key and the files; delete old ones. See deploy/BACKUP.md."""

from __future__ import annotations

import os
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from orders.keeping import backup
from orders.keeping.tools import ToolFailed


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--into", type=Path, default=os.environ.get("DATUMLINE_BACKUPS"), help="folder; else DATUMLINE_BACKUPS"
        )
        parser.add_argument(
            "--recipients",
            type=Path,
            default=os.environ.get("DATUMLINE_BACKUP_RECIPIENTS"),
            help="file of age public keys; else DATUMLINE_BACKUP_RECIPIENTS",
        )
        parser.add_argument("--keep-daily", type=int, default=14, help="of so many days the newest stays")
        parser.add_argument("--keep-weekly", type=int, default=8, help="of so many weeks the newest stays")
        parser.add_argument(
            "--without-contents",
            action="store_true",
            help="leave out pictures and documents of the store: it is kept safe itself",
        )
        parser.add_argument("--keep-all", action="store_true", help="delete nothing")

    def handle(
        self,
        *args: Any,
        into: Path,
        recipients: Path,
        keep_daily: int,
        keep_weekly: int,
        keep_all: bool,
        without_contents: bool,
        **options: Any,
    ) -> None:
        if not into or not recipients:
            raise CommandError("Say where backups go and for which keys: --into and --recipients.")
        try:
            made = backup.back_up(
                folder=Path(into),
                recipients=Path(recipients),
                files=Path(settings.LOCAL_DIR),
                with_contents=not without_contents,
            )
        except ToolFailed as problem:
            raise CommandError(str(problem)) from problem
        found = made.manifest["census"]
        self.stdout.write(
            f"{made.path}: {made.path.stat().st_size} bytes, {sum(found['tables'].values())} rows in {len(found['tables'])} tables, "
            f"{found['orders']['count']} orders, digest {found['orders']['sha256'][:16]}"
        )
        if not keep_all:
            for name in backup.prune(Path(into), daily=keep_daily, weekly=keep_weekly):
                self.stdout.write(f"deleted {name}")
        kept = made.manifest["contents"]
        if kept["left_out"] and not without_contents:
            raise CommandError(
                f"The backup is written, but {kept['count']} pictures and documents of the store are not in it: {kept['left_out']}"
            )
        if kept["wrong"]:
            raise CommandError(
                f"The backup is written, but {len(kept['wrong'])} pictures or documents are not in the store as they should be: "
                "manage.py verify_contents names them."
            )
        if kept["count"]:
            left = f"left out: they are in bucket {kept['bucket']} alone" if without_contents else "in it as well"
            self.stdout.write(f"{kept['count']} pictures and documents of the store {left}.")
