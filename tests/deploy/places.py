"""Databases of their own for tests of backing up, moving and upgrading: in files, or beside the suite's on its PostgreSQL."""

from __future__ import annotations

import lzma
import os
import secrets
import sqlite3
import subprocess
import sys
from pathlib import Path

import psycopg

from orders.keeping import tools
from tests.migrated import TEMPLATE, copied

ROOT = Path(__file__).resolve().parents[2]
EARLIER = ROOT / "fixtures" / "earlier"
SERVER = os.environ.get("DATUMLINE_DATABASE_URL", "")
VENDOR = "postgresql" if SERVER else "sqlite"


class Place:
    """One database and a folder; `manage` runs the real commands on it, in a process of their own."""

    def __init__(self, folder: Path, url: str) -> None:
        self.folder, self.url = folder, url
        self.local = folder / "local"
        self.more: dict[str, str] = {}  # environment of its commands

    @property
    def path(self) -> str:
        return self.url.removeprefix("sqlite:///")

    def run(self, *command: str, timeout: float = 300, **more: str) -> subprocess.CompletedProcess[str]:
        environment = {
            **os.environ,
            "DATUMLINE_LOCAL": str(self.local),
            "DATUMLINE_DATABASE_URL": self.url,
            **self.more,
            **more,
        }
        if "DJANGO_SETTINGS_MODULE" not in more:
            environment.pop("DJANGO_SETTINGS_MODULE", None)  # that of the tests
        return subprocess.run(
            [sys.executable, *command],
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=timeout,
        )

    def manage(self, *arguments: str) -> str:
        done = self.run("manage.py", *arguments)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def refused(self, *arguments: str) -> str:
        """What a command that ends in an error says."""
        done = self.run("manage.py", *arguments)
        assert done.returncode == 1, done.stdout + done.stderr
        assert "Traceback" not in done.stderr, done.stderr
        return done.stdout + done.stderr

    def rows(self, statement: str) -> list[tuple]:
        if self.url.startswith("sqlite"):
            with sqlite3.connect(self.path) as connection:
                return connection.execute(statement).fetchall()
        with psycopg.connect(self.url) as connection:
            cursor = connection.execute(statement)
            return cursor.fetchall() if cursor.description else []


class Places:
    """Makes them, and takes away what it made on the server."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.made = folder, list[str]()

    def new(self, vendor: str = VENDOR, template: str = "template1") -> Place:
        folder = self.folder / secrets.token_hex(4)
        folder.mkdir(parents=True)
        if vendor == "sqlite":
            return Place(folder, f"sqlite:///{folder / 'records.sqlite3'}")
        name = f"place_{secrets.token_hex(5)}"
        with psycopg.connect(SERVER, autocommit=True) as connection:
            connection.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
        self.made.append(name)
        return Place(folder, SERVER.rsplit("/", 1)[0] + "/" + name)

    def earlier(self, vendor: str = VENDOR) -> Place:
        """As the earlier release left it: nothing migrated yet."""
        place = self.new(vendor)
        text = lzma.decompress((EARLIER / f"0.1.0-{vendor}.sql.xz").read_bytes()).decode()
        if vendor == "sqlite":
            connection = sqlite3.connect(place.path)
            connection.executescript(text)
            connection.close()
        else:
            done = subprocess.run(
                [tools.postgresql("psql"), "-q", "-v", "ON_ERROR_STOP=1", "-X", "-d", place.url],
                input=text, capture_output=True, text=True, check=False,
            )  # fmt: skip
            assert done.returncode == 0, done.stderr
        return place

    def migrated(self) -> Place:
        """A new one of the suite's own kind with every table and no record."""
        place = self.new(template=TEMPLATE or "template1")
        if not (TEMPLATE if SERVER else copied(Path(place.path))):
            place.manage("migrate", "--verbosity", "0")
        return place

    def copy(self, of: Place) -> Place:
        """Another file with the same records."""
        place = self.new("sqlite")
        with sqlite3.connect(of.path) as one, sqlite3.connect(place.path) as two:
            one.backup(two)
        return place

    def tidy(self) -> None:
        if self.made:
            with psycopg.connect(SERVER, autocommit=True) as connection:
                for name in self.made:
                    connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
