"""Bring a backup back into a fresh database and say whether it is what was backed up. See deploy/BACKUP.md."""

from __future__ import annotations

import secrets
import tempfile
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from orders.keeping import tools
from orders.keeping.backup import clear_left_over
from orders.keeping.elsewhere import OtherDatabase
from orders.keeping.restore import BadBackup, restore
from practice.database import url_of

TRIAL = "datumline-try-"


class Command(BaseCommand):
    help = __doc__
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("backup", type=Path)
        parser.add_argument("--identity", type=Path, required=True, help="the age key that opens it")
        where = parser.add_mutually_exclusive_group()
        where.add_argument("--to", default="", help="address of an empty database; else the site's own")
        where.add_argument("--try", dest="trial", action="store_true", help="into a database made for it, and thrown away")
        parser.add_argument(
            "--files", type=Path, default=None, help="folder for the secret key and files; else the site's own"
        )

    def handle(
        self, *args: Any, backup: Path, identity: Path, to: str, trial: bool, files: Path | None, **options: Any
    ) -> None:
        try:
            if trial:
                with _thrown_away() as url:
                    found = restore(backup=backup, identity=identity, target=url, files=None)
            else:
                target, folder = to or url_of(connection.settings_dict), files or Path(settings.LOCAL_DIR)
                connection.close()
                found = restore(backup=backup, identity=identity, target=target, files=folder)
        except (BadBackup, OtherDatabase, tools.ToolFailed) as problem:
            raise CommandError(str(problem)) from problem
        for path in found.files:
            self.stdout.write(f"file {path}")
        for line in found.wrong:
            self.stdout.write(f"NOT THE SAME  {line}")
        if found.wrong:
            raise CommandError(f"{len(found.wrong)} differences from what was backed up: do not use this database.")
        counted = found.manifest["census"]
        self.stdout.write(
            f"OK: {sum(counted['tables'].values())} rows in {len(counted['tables'])} tables and {counted['orders']['count']} orders as they "
            f"were at {found.manifest['made_at']}; every audit trail ends where it ended."
        )
        if newer := [name for name in found.behind if name.startswith("+")]:
            raise CommandError(
                f"The backup is of a newer release than this one ({', '.join(newer[:3])}): it was restored and counted, but only that release, "
                "or a later one, may serve it."
            )
        if found.behind:
            self.stdout.write(
                f"The backup is of an earlier release ({', '.join(found.behind[:3])}): run manage.py migrate, verify_orders, verify_audit."
            )


@contextmanager
def _thrown_away() -> Iterator[str]:
    if connection.vendor == "sqlite":
        clear_left_over(Path(tempfile.gettempdir()), TRIAL)
        with tempfile.TemporaryDirectory(prefix=TRIAL) as folder:
            yield f"sqlite:///{folder}/try.sqlite3"
        return
    name = f"datumline_try_{secrets.token_hex(4)}"
    with connection.cursor() as cursor:
        cursor.execute(f'CREATE DATABASE "{name}"')
    try:
        yield url_of({**connection.settings_dict, "NAME": name})
    finally:
        with connection.cursor() as cursor:
            cursor.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
