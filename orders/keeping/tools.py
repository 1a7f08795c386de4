"""The programs that backups are made with: `age`, and PostgreSQL's own `pg_dump` and `pg_restore`."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any


class ToolFailed(Exception):
    """The sentence says what could not be done and why."""


def program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise ToolFailed(f"{name} is not installed (Debian: apt install {name}).")
    return found


def postgresql(name: str) -> str:
    """The newest there is of one of PostgreSQL's programs: an older one cannot read a newer server."""
    places = sorted(
        Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda p: int(re.sub(r"\D", "", p.parts[-3]) or 0)
    )
    if places:
        return str(places[-1])
    found = shutil.which(name)
    if found is None:
        raise ToolFailed(f"{name} is not installed (Debian: apt install postgresql-client).")
    return found


def postgresql_env(settings_dict: Mapping[str, Any]) -> dict[str, str]:
    """Where the database is, by environment: a password on a command line can be read by everybody on the machine."""
    names = {"NAME": "PGDATABASE", "USER": "PGUSER", "PASSWORD": "PGPASSWORD", "HOST": "PGHOST", "PORT": "PGPORT"}
    given = {pg: str(settings_dict[ours]) for ours, pg in names.items() if settings_dict.get(ours)}
    options = settings_dict.get("OPTIONS", {})
    for name in ("sslmode", "sslrootcert", "sslcert", "sslkey"):
        if options.get(name):
            given["PG" + name.upper()] = str(options[name])
    return {**os.environ, **given}


def run(command: list[str], trouble: str, env: Mapping[str, str] | None = None) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=env)  # noqa: S603
    if done.returncode < 0:
        raise ToolFailed(f"{trouble}: it was ended from outside (signal {-done.returncode})")
    if done.returncode != 0:
        raise ToolFailed(f"{trouble}: {last_line(done.stderr)}")
    return done.stdout


def last_line(text: str) -> str:
    """The line that says most: the first that names an error, else the last."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return next((line for line in lines if "error" in line.lower()), lines[-1] if lines else "it did not say why")


def sha256_of(path: Path) -> str:
    with path.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def settle(folder: Path) -> None:
    """The names in a folder are on the disk, not only in memory."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
