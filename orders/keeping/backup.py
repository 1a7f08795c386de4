"""A backup is one encrypted file: the database at one moment, the secret key, the files, and a manifest of what has to be in it.

    datumline-20261128T060000Z.backup.age  =  age( tar( database.dump | database.sqlite3, files/…, contents/…, manifest.json ) )

PostgreSQL: `pg_dump` in its custom format, and the census of the manifest, read the same exported snapshot. SQLite: `VACUUM INTO`,
which is consistent beside writers; the census is of the copy. Encrypted by `age` to every key of a recipients file; the key that
opens it is kept apart from the machine. What is being written has another name until it is whole and on the disk.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import re
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import django
from django.conf import settings
from django.db import DatabaseError, connections, transaction

from orders.keeping import census, contents, elsewhere, tools

FORM = 1  # of the manifest
NAME = re.compile(r"^datumline-(\d{8}T\d{6}Z)\.backup\.age$")
COPY = "backup_copy"
WORK = ".datumline-backup-"
LEFT_OVER = timedelta(days=1)  # longer than a backup takes


@dataclass(frozen=True, slots=True)
class Made:
    path: Path
    manifest: dict[str, Any]


def back_up(
    *, folder: Path, recipients: Path, files: Path, now: datetime | None = None, with_contents: bool = True
) -> Made:
    """Write a backup of the site's own database into `folder`. `files`: the folder whose `media` goes along. `with_contents`: also what
    is in the store of pictures and documents; those in the database are in it anyway.

    Raises tools.ToolFailed with a sentence when `age` or `pg_dump` is missing or fails, or there is no room; nothing is left behind then.
    """
    try:
        return _back_up(folder, recipients, files, now, with_contents)
    except (OSError, DatabaseError) as error:
        if isinstance(error, DatabaseError) and _of_another_release():
            raise tools.ToolFailed(
                "The database is of another release than this code: make the backup with the code of that release, or migrate first."
            ) from error
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise tools.ToolFailed(
            f"The backup could not be written into {folder.absolute()}: {why}. Nothing of it is left."
        ) from error


def _of_another_release() -> bool:
    with contextlib.suppress(DatabaseError):
        return bool(elsewhere.behind(connections["default"]))
    return False


def _back_up(folder: Path, recipients: Path, files: Path, now: datetime | None, with_contents: bool) -> Made:
    if not recipients.is_file():
        raise tools.ToolFailed(f"There is no recipients file at {recipients.absolute()}: make a key with age-keygen first.")
    folder.mkdir(parents=True, exist_ok=True)
    clear_left_over(folder)
    path = folder / f"datumline-{(now or datetime.now(UTC)).astimezone(UTC):%Y%m%dT%H%M%SZ}.backup.age"
    if path.exists():
        raise tools.ToolFailed(f"{path} is there already.")
    partial = path.with_suffix(".partial")
    with tempfile.TemporaryDirectory(prefix=WORK, dir=folder) as made:  # of mode 0700
        work = Path(made)
        found, wanted = _postgresql(work) if connections["default"].vendor == "postgresql" else _sqlite(work)
        packed = contents.pack(work, wanted, include=with_contents)
        _files(work / "files", files)
        manifest = {
            "form": FORM,
            "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
            "database": connections["default"].vendor,
            "versions": _versions(),
            "census": found,
            "contents": packed.said(),
            "members": {str(p.relative_to(work)): tools.sha256_of(p) for p in sorted(work.rglob("*")) if p.is_file()},
        }
        (work / "manifest.json").write_text(json.dumps(manifest, indent=1, sort_keys=True))
        try:
            partial.touch(mode=0o600)
            _encrypt(work, partial, recipients)
            os.replace(partial, path)
        finally:
            partial.unlink(missing_ok=True)
    tools.settle(folder)
    return Made(path, manifest)


def clear_left_over(folder: Path, prefix: str = WORK) -> None:
    """What a backup or a restore that was killed has left: its folder holds the database and the secret key in clear."""
    before = (datetime.now(UTC) - LEFT_OVER).timestamp()
    for path in folder.iterdir():
        with contextlib.suppress(FileNotFoundError):  # one that is finishing just now takes its own away
            if path.name.startswith(prefix) and path.is_dir() and not path.is_symlink() and path.stat().st_mtime < before:
                shutil.rmtree(path, ignore_errors=True)  # somebody else's stays
            elif path.suffix == ".partial" and NAME.match(f"{path.stem}.age") and path.stat().st_mtime < before:
                path.unlink(missing_ok=True)


def _postgresql(work: Path) -> tuple[dict[str, Any], contents.Wanted]:
    connection = connections["default"]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        cursor.execute("SET LOCAL statement_timeout = 0")
        cursor.execute("SET LOCAL idle_in_transaction_session_timeout = 0")
        cursor.execute("SELECT pg_export_snapshot()")
        snapshot = cursor.fetchone()[0]
        found, wanted = census.take("default"), contents.wanted("default")
        tools.run(
            [tools.postgresql("pg_dump"), "--format=custom", "--no-owner", "--no-privileges", f"--snapshot={snapshot}",
             f"--file={work / 'database.dump'}"],
            "pg_dump could not read the database",
            env=tools.postgresql_env(connection.settings_dict),
        )  # fmt: skip
    return found, wanted


def _sqlite(work: Path) -> tuple[dict[str, Any], contents.Wanted]:
    copy = work / "database.sqlite3"
    with connections["default"].cursor() as cursor:
        cursor.execute("VACUUM INTO %s", [str(copy)])
    other = elsewhere.opened(COPY, f"sqlite:///{copy}")
    try:
        found, wanted = census.take(COPY), contents.wanted(COPY)
        with other.cursor() as cursor:  # one file again, without its journal beside it
            cursor.execute("PRAGMA journal_mode=DELETE")
    finally:
        other.close()
    return found, wanted


def _files(into: Path, files: Path) -> None:
    into.mkdir()
    (into / "secret-key").write_text(settings.SECRET_KEY)  # sessions, labs' webhook secrets and second factors rest on it
    (into / "secret-key").chmod(0o600)
    if settings.SECRET_KEY_FALLBACKS:  # in the middle of changing it: some things are under an older one still
        (into / "secret-key-fallbacks").write_text("\n".join(settings.SECRET_KEY_FALLBACKS))
        (into / "secret-key-fallbacks").chmod(0o600)
    if (files / "media").is_dir():
        shutil.copytree(files / "media", into / "media")


def _versions() -> dict[str, str]:
    connection = connections["default"]
    root = Path(settings.BASE_DIR)
    commit = ""
    if shutil.which("git") and (root / ".git").exists():
        asked = ["git", "-C", str(root), "rev-parse", "HEAD"]
        done = subprocess.run(asked, capture_output=True, text=True, check=False)  # noqa: S603
        commit = done.stdout.strip()
    version = re.search(r'^version = "([^"]+)"', (root / "pyproject.toml").read_text(), re.M)
    return {
        "datumline": version.group(1) if version else "",
        "commit": commit,
        "python": platform.python_version(),
        "django": django.get_version(),
        "database": ".".join(str(n) for n in connection.get_database_version()),
    }


def _encrypt(work: Path, out: Path, recipients: Path) -> None:
    """tar into age into a file: the whole is never in memory, and never in clear outside `work`."""
    with subprocess.Popen(  # noqa: S603
        [tools.program("age"), "--encrypt", "-R", str(recipients), "-o", str(out)],
        stdin=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as age:  # fmt: skip
        assert age.stdin is not None
        assert age.stderr is not None
        try:
            with tarfile.open(fileobj=age.stdin, mode="w|") as tar:
                tar.add(work / "manifest.json", "manifest.json")
                for member in sorted(work.iterdir()):
                    if member.name != "manifest.json":
                        tar.add(member, member.name)
            age.stdin.close()
        except BrokenPipeError:
            pass  # age says why
        trouble = age.stderr.read().decode(errors="replace")
        if age.wait() != 0 or not out.stat().st_size:
            raise tools.ToolFailed(f"age could not write the backup: {tools.last_line(trouble)}")
        with out.open("rb") as written:
            os.fsync(written.fileno())


# --- which to keep --------------------------------------------------------------------------------------------------------


def to_drop(names: Iterable[str], *, daily: int, weekly: int) -> list[str]:
    """Backups that may go: of each of the last `daily` days and `weekly` weeks that have one, the newest stays; the newest of all always."""
    dated = sorted(((m.group(1), n) for n in names if (m := NAME.match(n))), reverse=True)
    kept, days, weeks = {n for _, n in dated[:1]}, set[str](), set[tuple[int, int]]()
    for moment, name in dated:
        at = datetime.strptime(moment, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
        day, week = f"{at:%Y%m%d}", at.isocalendar()[:2]
        if day not in days and len(days) < daily:
            days.add(day)
            kept.add(name)
        if week not in weeks and len(weeks) < weekly:
            weeks.add(week)
            kept.add(name)
    return [n for _, n in dated if n not in kept]


def prune(folder: Path, *, daily: int, weekly: int) -> list[str]:
    """Delete what may go; the names of what went. Files of other names are never touched."""
    gone = to_drop((p.name for p in folder.iterdir()), daily=daily, weekly=weekly)
    for name in gone:
        (folder / name).unlink()
    return gone
