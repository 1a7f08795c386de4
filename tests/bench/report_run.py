"""Runs the benchmarks one after another, on databases it makes itself, and keeps what each printed.

A PostgreSQL of its own (or the one that is given) with a group of fifty branches at two sizes, `tests.bench.big_group`; everything else a
benchmark needs is made by it or here. Each result is a JSON file, written as soon as it is there, so that a run can be stopped and gone on
with: what is there already is not run again.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
# of the server that is started here: a quarter of 8 GB, and what large loads want; durable, as a real one is
SETTINGS = (
    "shared_buffers=2GB", "effective_cache_size=5GB", "max_wal_size=8GB", "checkpoint_timeout=15min", "random_page_cost=1.1",
    "work_mem=32MB", "max_connections=200",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Size:
    """How much of everything."""

    small: int  # dispenses of the smaller group
    large: int
    arguments: dict[str, list[str]]
    limit_s: float  # for each benchmark
    pairs: int = 0  # made through the use cases and multiplied; 0: as `big_group` has it


SIZES = {
    "tiny": Size(  # to see that all of it works; the figures mean nothing
        200, 600,
        {
            "assess": ["--distinct", "20", "--lines", "300", "--archive", "3000"], "batch": ["--dispenses", "2000", "--single", "50"],
            "compare": ["--rounds", "1"], "feed": ["300"], "import": ["--lines", "600"], "labs": ["--orders", "20000", "--seconds", "0.3"],
            "learning": ["--dispenses", "2000"], "morning": ["--seconds", "8", "--warm", "2", "--people", "6"],
            "pages": ["--rounds", "1"], "pdf": ["--rounds", "2"], "servers": ["--requests", "40"],
        },
        1800, 20,
    ),
    "small": Size(
        2_000, 20_000,
        {
            "assess": ["--distinct", "60", "--lines", "4000", "--archive", "200000"], "batch": ["--dispenses", "20000", "--single", "300"],
            "compare": ["--rounds", "3"], "feed": ["3000"], "import": ["--lines", "5000"], "labs": ["--orders", "20000", "--seconds", "1"],
            "learning": ["--dispenses", "20000"], "morning": ["--seconds", "60"], "pages": ["--rounds", "7"], "pdf": ["--rounds", "10"],
            "servers": ["--requests", "400"],
        },
        900,
    ),
    "full": Size(10_000, 1_000_000, {"morning": ["--seconds", "300"]}, 3600),
}  # fmt: skip
LARGE = {"morning", "partition"}  # on the larger group
SMALL = {"feed"}  # inside a transaction that is rolled back, on the smaller
LAST = ("partition", "morning")  # what holds locks or changes rows


def benches() -> list[str]:
    found = sorted(p.stem.removeprefix("bench_") for p in HERE.glob("bench_*.py"))
    return [b for b in found if b not in LAST] + [b for b in reversed(LAST) if b in found]


def say(words: str) -> None:
    print(f"{time.strftime('%H:%M:%S')}  {words}", file=sys.stderr, flush=True)


class Failed(Exception):
    pass


class Run:
    """One run: its databases, its folder of results."""

    def __init__(self, size: str, results: Path, server: str, gunicorn: str = "") -> None:
        self.name, self.size, self.results, self.server, self.gunicorn = size, SIZES[size], results, server, gunicorn
        self.local = Path(tempfile.mkdtemp(prefix="datumline-bench-"))
        self.local.chmod(0o755)

    # --- what the benchmarks stand on -------------------------------------------------------------------------------------

    def url(self, database: str) -> str:
        return urlunsplit(urlsplit(self.server)._replace(path="/" + database))

    def python(self, *arguments: str, database: str = "", limit_s: float = 7200) -> str:
        environment = {k: v for k, v in os.environ.items() if k not in ("DATUMLINE_DATABASE_URL", "DJANGO_SETTINGS_MODULE")}
        environment["DATUMLINE_LOCAL"] = str(self.local)
        if database:
            environment["DATUMLINE_DATABASE_URL"] = self.url(database)
        try:
            done = subprocess.run(
                [sys.executable, *arguments],
                cwd=ROOT,
                env=environment,
                capture_output=True,
                text=True,
                timeout=limit_s,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise Failed(f"took longer than {limit_s:.0f} s and was stopped") from None
        if "{" not in done.stdout and done.returncode:
            last = (done.stderr.strip() or done.stdout.strip() or "nothing was printed").splitlines()[-1]
            raise Failed(f"exit {done.returncode}: {last[:300]}")
        return done.stdout

    def sql(self, statement: str) -> list[Any]:
        import psycopg

        with psycopg.connect(self.server, autocommit=True) as connection:
            cursor = connection.execute(statement)  # type: ignore[call-overload]
            return list(cursor.fetchall()) if cursor.description else []

    def database(self, name: str, *, fresh: bool = False) -> str:
        """A migrated database of this name; one that is there is kept unless it has to be `fresh`."""
        if name not in {row[0] for row in self.sql("SELECT datname FROM pg_database")}:
            self.sql(f'CREATE DATABASE "{name}" TEMPLATE template0')
            fresh = False
            self.python("manage.py", "migrate", "--verbosity", "0", database=name)
        if fresh:
            self.sql(f'DROP DATABASE "{name}" WITH (FORCE)')
            return self.database(name)
        return name

    def group(self, count: int) -> str:
        """The database with the group of fifty branches and `count` dispenses; loaded unless it is there. How long that took is kept."""
        name = f"bench_group_{count}"
        kept = self.results / f"load_{count}.json"
        there = name in {row[0] for row in self.sql("SELECT datname FROM pg_database")}
        if there and kept.exists():
            return name
        if there:
            self.sql(f'DROP DATABASE "{name}" WITH (FORCE)')
        say(f"{count:,} dispenses are loaded")
        self.database(name)
        found = json.loads(
            self.python(
                "-m", "tests.bench.big_group", "--dispenses", str(count), "--pairs", str(self.size.pairs), database=name
            )
        )
        _write(kept, found)
        return name

    # --- the benchmarks ---------------------------------------------------------------------------------------------------

    def plan(self, name: str) -> tuple[list[str], str]:
        """Its arguments and its database."""
        arguments = list(self.size.arguments.get(name, []))
        if name == "pages":
            both = ("--small", self.url(self.group(self.size.small)), "--large", self.url(self.group(self.size.large)))
            return [*arguments, *both], ""
        if name in LARGE:
            return arguments, self.group(self.size.large)
        if name in SMALL:
            return arguments, self.group(self.size.small)
        if name == "learning":
            return arguments, self.database("bench_learning", fresh=True)
        if name == "labs":
            return arguments, "postgres"  # makes its own beside it
        if name == "servers":
            if not self.gunicorn:
                raise Failed("not run: it compares with gunicorn, which is not part of the project: --gunicorn PATH")
            people = self.local / "demo-people.txt"
            if not people.exists():
                self.python("manage.py", "migrate", "--verbosity", "0")
                people.write_text(self.python("manage.py", "load_demo"))
            return [*arguments, "--gunicorn", self.gunicorn], ""
        return arguments, ""

    def one(self, name: str) -> dict[str, Any]:
        """The result of one benchmark, as its file holds it."""
        load = round(os.getloadavg()[0], 1)
        try:
            arguments, database = self.plan(name)
            say(name)
            began = time.perf_counter()
            text = self.python("-m", f"tests.bench.bench_{name}", *arguments, database=database, limit_s=self.size.limit_s)
            took = round(time.perf_counter() - began, 1)
            found = json.loads(text[text.index("{") :])
        except Failed as problem:
            return {"bench": name, "trouble": str(problem), "load_before": load}
        except ValueError:
            return {"bench": name, "trouble": "what it printed is not JSON", "load_before": load}
        shown = ["postgresql://…" if "://" in a else a for a in arguments]
        return {"bench": name, "arguments": shown, "load_before": load, "seconds": took, "figures": found}

    def all(self, only: list[str]) -> None:
        """Each in turn. What was run before in this folder and went well is left alone."""
        with contextlib.suppress(Failed):
            self.python("manage.py", "collectstatic", "--no-input", "--verbosity", "0")
        for name in only or benches():
            kept = self.results / f"{name}.json"
            if kept.exists() and "figures" in json.loads(kept.read_text()):
                say(f"{name}: is there already")
                continue
            _write(kept, self.one(name))

    def close(self) -> None:
        shutil.rmtree(self.local, ignore_errors=True)


def _write(path: Path, content: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


@contextlib.contextmanager
def own_server(folder: Path) -> Iterator[str]:
    """A PostgreSQL for this run; its data lie in `folder` and are used again by the next run that names it."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    from tests.faults.machines import Cluster

    folder.mkdir(parents=True, exist_ok=True)
    cluster = Cluster(folder, settings=SETTINGS)
    try:
        yield cluster.url()
    finally:
        cluster.stop("fast")
