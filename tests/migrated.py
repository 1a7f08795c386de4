"""Databases that are migrated already, where the run has made one: copied instead of being migrated again.

`deploy/test` migrates one file of SQLite and one database of PostgreSQL and names them in the environment; without them
every database is migrated as usual.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from django.core import management
from django.db import connection

FILE = os.environ.get("TESTS_MIGRATED_FILE", "")
TEMPLATE = os.environ.get("TESTS_TEMPLATE_DATABASE", "")  # the test settings name it to Django as well


def copied(to: Path) -> bool:
    """A file of SQLite at `to` with every table in it; False if there is none to copy."""
    if not FILE:
        return False
    shutil.copyfile(FILE, to)
    return True


@contextmanager
def no_second_migration() -> Iterator[None]:
    """While Django makes the suite's database: `migrate` finds everything done. In memory, the tables are copied in."""
    if not (FILE if connection.vendor == "sqlite" else TEMPLATE):
        yield
        return
    call_command = management.call_command

    def instead(name: str, *arguments: Any, **options: Any) -> Any:
        if name != "migrate":
            return call_command(name, *arguments, **options)
        if connection.vendor == "sqlite":
            connection.ensure_connection()
            with sqlite3.connect(FILE) as source:
                source.backup(connection.connection)
            source.close()
        return None

    with patch.object(management, "call_command", instead):
        yield
