"""A backup brought back into a fresh database, and held against its manifest.

Opened, unpacked and looked through before the database is touched; a database with records in it is refused. Afterwards every
table is counted, every order's text and every audit row is digested again.
"""

from __future__ import annotations

import errno
import json
import shutil
import subprocess
import tarfile
import tempfile
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from django.db import connections

from orders.keeping import census, contents, elsewhere, tools
from orders.keeping.backup import FORM, clear_left_over
from orders.keeping.elsewhere import OtherDatabase

ALIAS = "restore_to"
WORK = ".datumline-restore-"


class BadBackup(Exception):
    """The file is not a whole backup, or the key does not open it."""


@dataclass(slots=True)
class Restored:
    manifest: dict[str, Any]
    wrong: list[str] = field(default_factory=list)
    behind: list[str] = field(default_factory=list)  # migrations of this release that the backup has not
    files: list[Path] = field(default_factory=list)


def restore(*, backup: Path, identity: Path, target: str, files: Path | None, work_in: Path | None = None) -> Restored:
    """Into the database at address `target`; the secret key and other files into the folder `files`, pictures and documents that were in
    a store into this site's (None: leave them, only look through them).

    Raises BadBackup, OtherDatabase or tools.ToolFailed before anything is changed, or with the target as empty as it was.
    """
    for path, what in ((backup, "backup"), (identity, "key")):
        if not path.is_file():
            raise BadBackup(f"There is no {what} at {path.absolute()}.")
    clear_left_over(work_in or Path(tempfile.gettempdir()), WORK)
    with tempfile.TemporaryDirectory(prefix=WORK, dir=work_in) as made:  # of mode 0700
        work = Path(made)
        _decrypt(backup, identity, work)
        manifest = _manifest(work)
        if files is not None:
            _no_other_files(work / "files", files)
        _into(work, manifest, target)
        found = check(manifest, target)
        if not found.behind:
            found.wrong += _contents(work, manifest, target, put=files is not None)
        if files is not None:
            found.files = _put(work / "files", files)
    return found


def _decrypt(backup: Path, identity: Path, work: Path) -> None:
    with subprocess.Popen(  # noqa: S603
        [tools.program("age"), "--decrypt", "-i", str(identity), str(backup)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as age:
        assert age.stdout is not None
        assert age.stderr is not None
        broken = ""
        try:
            with tarfile.open(fileobj=age.stdout, mode="r|") as tar:
                _unpack(tar, work)
        except (tarfile.TarError, EOFError, OSError) as error:
            broken = str(error)
            if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
                age.kill()
                raise BadBackup(
                    f"There is no room to unpack the backup in {work.parent}: about its size is needed (TMPDIR names another folder)."
                ) from error
        while age.stdout.read(1 << 20):  # what the archive left over, so that age can end
            pass
        said = age.stderr.read().decode(errors="replace")
        if age.wait() != 0:
            if "no identity matched" in said:
                raise BadBackup("This key does not open this backup: it was made for other keys.")
            if f'reading "{identity}"' in said:
                raise BadBackup(f"{identity} is not a key file of age: {tools.last_line(said)}")
            raise BadBackup(f"The backup is damaged or cut short: {tools.last_line(said)}")
        if broken:
            raise BadBackup(f"The backup opens, but what is in it cannot be read: {broken}")


def _unpack(tar: tarfile.TarFile, into: Path) -> None:
    """Plain files and folders, none of them outside `into`; anything else is refused. By hand: `extractall` learned to filter in Python
    3.11.4, and Debian 12 has 3.11.2."""
    for member in tar:
        path = PurePosixPath(member.name)
        if path.is_absolute() or ".." in path.parts or not (member.isfile() or member.isdir()):
            raise tarfile.TarError(f"{member.name} is no plain file of the backup.")
        target = into / path
        if member.isdir():
            target.mkdir(parents=True, exist_ok=True)
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        content = tar.extractfile(member)
        assert content is not None
        with target.open("xb") as file:
            shutil.copyfileobj(content, file)
        target.chmod(0o600 | member.mode & 0o755)


def _manifest(work: Path) -> dict[str, Any]:
    try:
        manifest: dict[str, Any] = json.loads((work / "manifest.json").read_text())
        members, form = manifest["members"], manifest["form"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadBackup("There is no manifest in the file: it is not a backup of this program.") from error
    if form != FORM:
        raise BadBackup(f"The backup is of form {form}; this release reads form {FORM}.")
    for name, digest in members.items():
        if not (work / name).is_file() or tools.sha256_of(work / name) != digest:
            raise BadBackup(f"The backup is damaged: {name} is not what was put in.")
    return manifest


def _into(work: Path, manifest: dict[str, Any], target: str) -> None:
    connection = elsewhere.opened(ALIAS, target)
    if connection.vendor != manifest["database"]:
        raise OtherDatabase(
            f"The backup is of a {manifest['database']} database: restore it into one, then use manage.py move_data."
        )
    try:
        if connection.vendor == "sqlite":
            path = Path(connection.settings_dict["NAME"])
            if path.exists() and elsewhere.tables(connection):
                raise OtherDatabase(f"The database to restore into is not empty: {path} has tables.")
            connection.close()
            for beside in ("", "-wal", "-shm", "-journal"):
                Path(f"{path}{beside}").unlink(missing_ok=True)
            partial = path.with_name(path.name + ".partial")
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(work / "database.sqlite3", partial)
                partial.rename(path)
            except OSError as error:
                partial.unlink(missing_ok=True)
                raise tools.ToolFailed(f"{path} could not be written: {error.strerror}. Nothing of it is left.") from error
            return
        there = elsewhere.tables(connection)
        if there:
            raise OtherDatabase(f"The database to restore into is not empty: it has tables ({', '.join(there[:3])}, …).")
        tools.run(
            [tools.postgresql("pg_restore"), "--no-owner", "--no-privileges", "--single-transaction", "--exit-on-error",
             f"--dbname={connection.settings_dict['NAME']}", str(work / "database.dump")],
            "pg_restore could not write the database, which is as empty as before",
            env=tools.postgresql_env(connection.settings_dict),
        )  # fmt: skip
    finally:
        connection.close()


def check(manifest: dict[str, Any], target: str) -> Restored:
    """Hold a database against a manifest."""
    connection = elsewhere.opened(ALIAS, target)
    try:
        result = Restored(manifest, census.differences(manifest["census"], census.take(ALIAS)))
        result.behind = elsewhere.behind(connection)
        if not result.behind:  # the rest reads through the models of this release
            result.wrong += census.faults(ALIAS)
        return result
    finally:
        connections[ALIAS].close()


def _contents(work: Path, manifest: dict[str, Any], target: str, *, put: bool) -> list[str]:
    elsewhere.opened(ALIAS, target)
    try:
        return list(contents.unpack(work, manifest, ALIAS, put=put))
    finally:
        connections[ALIAS].close()


def _no_other_files(packed: Path, files: Path) -> None:
    for path in packed.rglob("*"):
        there = files / path.relative_to(packed)
        if path.is_file() and there.exists() and tools.sha256_of(there) != tools.sha256_of(path):
            raise OtherDatabase(
                f"There is another {path.relative_to(packed)} at {there}: move it away, or restore files elsewhere."
            )


def _put(packed: Path, files: Path) -> list[Path]:
    put = []
    for path in sorted(p for p in packed.rglob("*") if p.is_file()):
        to = files / path.relative_to(packed)
        to.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        shutil.copyfile(path, to)
        to.chmod(0o600)
        put.append(to)
    return put
