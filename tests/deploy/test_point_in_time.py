"""Back to a moment: a real PostgreSQL that archives its log, a base backup, and a recovery to just before a mistake.

The same commands and settings as deploy/BACKUP.md gives, which is read here so that they cannot differ.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

from orders.keeping import tools
from tests.deploy.places import ROOT, VENDOR
from tests.faults.machines import Cluster, until

pytestmark = pytest.mark.skipif(VENDOR != "postgresql", reason="about PostgreSQL")
PAGE = (ROOT / "deploy" / "BACKUP.md").read_text()


def given(name: str) -> str:
    """A setting as the page gives it, in a line of its own."""
    found = re.search(rf"^\s+{name} = '(.*)'$", PAGE, re.M)
    assert found, f"deploy/BACKUP.md does not say {name}"
    return found.group(1)


def test_recovered_to_a_moment_what_came_before_is_there_and_what_came_after_is_not():
    with tempfile.TemporaryDirectory(prefix="datumline-pitr-", ignore_cleanup_errors=True) as made:
        folder = Path(made)
        archive, base = folder / "archive", folder / "base"
        first = folder / "first"
        for each in (archive, first):
            each.mkdir()
        folder.chmod(0o755)
        archive.chmod(0o777)
        cluster = Cluster(first)
        try:
            _through(cluster, archive, base, folder)
        finally:
            cluster.stop()


def _through(cluster: Cluster, archive: Path, base: Path, folder: Path) -> None:
    with (cluster.data / "postgresql.auto.conf").open("a") as conf:
        conf.write(f"wal_level = {given('wal_level')}\narchive_mode = {given('archive_mode')}\n")
        command = given("archive_command").replace("/var/lib/datumline-archive", str(archive))
        conf.write(f"archive_command = '{command}'\narchive_timeout = '{given('archive_timeout')}'\n")
    cluster.stop("fast")
    cluster.start()
    cluster.sql("CREATE TABLE notes (n int, at timestamptz DEFAULT clock_timestamp())")
    cluster.sql("INSERT INTO notes VALUES (1)")
    subprocess.run(
        [tools.postgresql("pg_basebackup"), "-d", cluster.url(), "-D", str(base), "--checkpoint=fast", "--wal-method=stream"],
        check=True, capture_output=True,
    )  # fmt: skip
    cluster.sql("INSERT INTO notes VALUES (2)")  # after the base backup: only in the log
    time.sleep(1.1)
    moment = cluster.sql("SELECT clock_timestamp()")[0][0]
    time.sleep(1.1)
    cluster.sql("INSERT INTO notes VALUES (3)")
    cluster.sql("DELETE FROM notes WHERE n = 1")  # the mistake
    cluster.sql("SELECT pg_switch_wal()")
    until(lambda: cluster.sql("SELECT last_archived_wal IS NOT NULL FROM pg_stat_archiver")[0][0], 240)
    last = cluster.sql("SELECT pg_walfile_name(pg_current_wal_lsn() - 1)")[0][0]
    until(lambda: len(list(archive.iterdir())) >= 2 or (archive / last).exists(), 240)
    cluster.kill()  # the machine is gone; only the base backup and the archive are left

    again = Cluster.__new__(Cluster)
    again.__dict__.update(cluster.__dict__)
    again.folder, again.data = folder, base
    if cluster.user:
        subprocess.run(["chown", "-R", cluster.user, str(base), str(folder)], check=True)
    base.chmod(0o700)
    with (base / "postgresql.auto.conf").open("a") as conf:
        conf.write("archive_mode = 'off'\n")
        command = given("restore_command").replace("/var/lib/datumline-archive", str(archive))
        conf.write(f"restore_command = '{command}'\n")
        conf.write(f"recovery_target_time = '{moment.isoformat()}'\n")
        conf.write(f"recovery_target_action = '{given('recovery_target_action')}'\n")
    (base / "recovery.signal").touch()
    if cluster.user:
        subprocess.run(["chown", cluster.user, str(base / "recovery.signal")], check=True)
    again.start()
    try:
        until(lambda: not again.sql("SELECT pg_is_in_recovery()")[0][0], 240)
        assert again.sql("SELECT n FROM notes ORDER BY n") == [(1,), (2,)]
        again.sql("INSERT INTO notes VALUES (4)")  # it is a database to work with again
    finally:
        again.stop()
