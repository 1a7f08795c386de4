"""Backups for real: written, encrypted, opened, restored into a fresh database and held against what they were made of."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import subprocess
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from deploy import environment
from orders.keeping.backup import _files as backup_files
from orders.keeping.backup import back_up, clear_left_over, to_drop
from orders.keeping.restore import WORK as RESTORING
from orders.keeping.restore import BadBackup, check, restore
from orders.keeping.tools import ToolFailed
from orders.management.commands.restore_data import TRIAL
from tests.deploy.places import VENDOR
from tests.stores import environment_of, keys_of, place

pytestmark = pytest.mark.usefixtures("unblocked")


@pytest.fixture(scope="session")
def keys(tmp_path_factory):
    folder = tmp_path_factory.mktemp("keys")
    for name in ("own", "other"):
        subprocess.run(["age-keygen", "-o", folder / f"{name}.key"], check=True, capture_output=True)
    public = subprocess.run(["age-keygen", "-y", folder / "own.key"], check=True, capture_output=True, text=True).stdout
    (folder / "recipients").write_text(public)
    return folder


@pytest.fixture(scope="session")
def backup(upgraded, keys):
    """A backup made while somebody goes on writing."""
    stop, written = threading.Event(), []

    def write():
        while not stop.is_set():
            n = len(written)
            upgraded.rows(
                "INSERT INTO practice_signintry (key, failures, last_at) "
                f"VALUES ('{n:064d}', 1, '2026-11-28 06:00:00+00:00')"
            )
            written.append(n)
            time.sleep(0.005)

    (upgraded.local / "media").mkdir(parents=True, exist_ok=True)
    (upgraded.local / "media" / "kept.bin").write_bytes(bytes(range(256)))
    writer = threading.Thread(target=write)
    writer.start()
    try:
        into = upgraded.folder / "backups"
        said = upgraded.manage("backup_data", "--into", str(into), "--recipients", str(keys / "recipients"))
    finally:
        stop.set()
        writer.join()
    assert len(written) > 20
    (path,) = into.iterdir()  # and nothing that was half written beside it
    assert str(path) in said
    assert path.stat().st_mode & 0o077 == 0
    return path


def test_a_backup_made_under_writing_comes_back_as_it_was_with_key_and_files(places, upgraded, keys, backup):
    assert b"SM-0000" not in backup.read_bytes()
    fresh = places.new()
    fresh.more = {"DATUMLINE_SECRET_KEY": "of the new machine, as deploy/restore sets one, and soon forgotten"}
    again = ("restore_data", str(backup), "--identity", str(keys / "own.key"))
    said = fresh.manage(*again)
    assert "OK: " in said
    assert (fresh.local / "secret-key").read_text() == (upgraded.local / "secret-key").read_text()
    assert (fresh.local / "secret-key").stat().st_mode & 0o077 == 0
    assert (fresh.local / "media" / "kept.bin").read_bytes() == bytes(range(256))
    orders = "SELECT id, document, state FROM orders_order ORDER BY id"
    assert fresh.rows(orders) == upgraded.rows(orders)
    assert fresh.rows(orders)
    assert "not empty" in fresh.refused(*again)  # a second time is refused
    assert "OK: " in upgraded.manage(*again, "--try")
    # the restored database is a working one: the next key is a new one
    fresh.rows("INSERT INTO practice_group (name, second_factor_roles) VALUES ('Fresh', '[]')")
    assert fresh.rows("SELECT max(id) FROM practice_group") == [
        (upgraded.rows("SELECT max(id) FROM practice_group")[0][0] + 1,)
    ]


@pytest.mark.skipif(VENDOR == "postgresql", reason="of a file of SQLite: the run on SQLite does it")
def test_what_is_in_a_store_goes_with_it_and_comes_back_into_another(places, upgraded_file, keys, bucket, settings):
    """By the real commands: moved out, backed up, and restored where another site keeps its pictures; tried without being put anywhere."""
    site, there = places.copy(upgraded_file), place(settings.CONTENTS.endpoint)
    site.more = environment_of(there)
    assert "each read back" in site.manage("move_contents", "--to", "store")
    kept = keys_of(bucket)
    assert len(kept) >= 1
    into = site.folder / "backups"
    said = site.manage("backup_data", "--into", str(into), "--recipients", str(keys / "recipients"))
    assert f"{len(kept)} pictures and documents of the store in it as well" in said
    (path,) = into.iterdir()
    own, trial, fresh = keys / "own.key", places.new("sqlite"), places.new("sqlite")
    bucket.objects.delete()  # the store burnt with the site
    assert restore(backup=path, identity=own, target=trial.url, files=None).wrong == []
    assert keys_of(bucket) == []
    settings.CONTENTS = place(there.endpoint, prefix="another/site")
    assert restore(backup=path, identity=own, target=fresh.url, files=fresh.local).wrong == []
    assert [k.removeprefix("another/site/") for k in keys_of(bucket)] == [k.removeprefix(f"{there.prefix}/") for k in kept]
    settings.CONTENTS = None  # and into a database alone
    alone = places.new("sqlite")
    assert restore(backup=path, identity=own, target=alone.url, files=alone.local).wrong == []
    assert alone.rows("SELECT count(*) FROM dispensing_photograph WHERE image_key <> ''") == [(0,)]
    digests = "SELECT id, sha256 FROM dispensing_photograph WHERE image IS NOT NULL ORDER BY id"
    found = dict(alone.rows(digests))
    assert found == dict(upgraded_file.rows(digests))
    for pk, digest in found.items():
        ((image,),) = alone.rows(f"SELECT image FROM dispensing_photograph WHERE id = {pk}")
        assert hashlib.sha256(image).hexdigest() == digest


def test_keys_of_before_go_along_while_they_are_listed(tmp_path, settings):
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "the key", []
    backup_files(tmp_path / "one", tmp_path)
    assert [p.name for p in (tmp_path / "one").iterdir()] == ["secret-key"]
    settings.SECRET_KEY_FALLBACKS = ["the one before", "the first"]
    backup_files(tmp_path / "two", tmp_path)
    kept = tmp_path / "two" / "secret-key-fallbacks"
    assert environment.old_keys(kept.read_text()) == ["the one before", "the first"]  # as the settings read it again
    assert kept.stat().st_mode & 0o077 == 0


def _other_key(path: Path, keys: Path) -> tuple[Path, str]:
    return keys / "other.key", "does not open this backup"


def _cut_short(path: Path, keys: Path) -> tuple[Path, str]:
    path.write_bytes(path.read_bytes()[:-20_000])
    return keys / "own.key", "damaged or cut short"


def _one_byte(path: Path, keys: Path) -> tuple[Path, str]:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    return keys / "own.key", "damaged or cut short"


def _something_else(path: Path, keys: Path) -> tuple[Path, str]:
    path.write_text("photographs of the sea")
    return keys / "own.key", "damaged or cut short"


def _no_key_file(path: Path, keys: Path) -> tuple[Path, str]:
    return keys / "recipients", "not a key file"


def _swapped_inside(path: Path, keys: Path) -> tuple[Path, str]:
    """Somebody with the public key makes a file of it: sealed well, but its members are not those of its manifest."""
    work = path.parent / "work"
    work.mkdir()
    clear = subprocess.run(["age", "-d", "-i", keys / "own.key", path], check=True, capture_output=True).stdout
    subprocess.run(["tar", "x", "-C", work], input=clear, check=True)
    (work / "files" / "secret-key").write_text("mine")
    sealed = subprocess.run(["tar", "c", "-C", work, "."], check=True, capture_output=True).stdout
    path.unlink()
    subprocess.run(["age", "-R", keys / "recipients", "-o", path], input=sealed, check=True)
    return keys / "own.key", "is not what was put in"


@pytest.mark.parametrize("spoil", [_other_key, _cut_short, _one_byte, _something_else, _no_key_file, _swapped_inside])
def test_what_is_not_a_whole_backup_is_said_to_be_so_and_changes_nothing(places, keys, backup, tmp_path, spoil):
    copy = tmp_path / backup.name
    shutil.copyfile(backup, copy)
    identity, words = spoil(copy, keys)
    fresh = places.new()
    with pytest.raises(BadBackup, match=words):
        restore(backup=copy, identity=identity, target=fresh.url, files=fresh.local)
    if VENDOR == "postgresql":
        assert fresh.rows("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'") == [(0,)]
    else:
        assert not Path(fresh.path).exists()
    assert not fresh.local.exists()


def test_what_differs_from_the_manifest_is_named(places, keys, backup):
    """The check can fail: a restored database is falsified behind the guards' back, and held against the manifest again."""
    fresh = places.new()
    found = restore(backup=backup, identity=keys / "own.key", target=fresh.url, files=None)
    assert (found.wrong, found.behind, found.files) == ([], [], [])
    fresh.rows("DROP TRIGGER order_document_no_update" + (" ON orders_order" if VENDOR == "postgresql" else ""))
    fresh.rows("UPDATE orders_order SET document = replace(document, 'sphere', 'spheer') WHERE id = 1")
    fresh.rows("DELETE FROM dispensing_goal")
    said = "\n".join(check(found.manifest, fresh.url).wrong)
    assert "dispensing_goal: 1 rows, now 0 rows" in said
    assert "orders: " in said
    assert "its text does not give the digest stored beside it" in said


def test_without_a_recipients_file_nothing_is_written(upgraded, tmp_path):
    said = upgraded.refused("backup_data", "--into", str(tmp_path / "none"), "--recipients", str(tmp_path / "nowhere"))
    assert "no recipients file" in said
    assert not (tmp_path / "none").exists()


def no_room(*_args, **_more):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_without_room_a_backup_says_so_and_leaves_nothing(keys, tmp_path, monkeypatch):
    monkeypatch.setattr(f"orders.keeping.backup._{VENDOR}", no_room)
    with pytest.raises(ToolFailed, match=r"could not be written into .*No space left on device\. Nothing of it is left"):
        back_up(folder=tmp_path / "backups", recipients=keys / "recipients", files=tmp_path)
    assert list((tmp_path / "backups").iterdir()) == []


def test_without_room_to_unpack_it_is_not_the_backup_that_is_blamed(places, keys, backup, tmp_path, monkeypatch):
    fresh = places.new()
    monkeypatch.setattr("orders.keeping.restore.shutil.copyfileobj", no_room)
    with pytest.raises(BadBackup, match="no room to unpack"):
        restore(backup=backup, identity=keys / "own.key", target=fresh.url, files=fresh.local, work_in=tmp_path)
    assert list(tmp_path.iterdir()) == []
    assert not fresh.local.exists()


def test_of_a_database_not_yet_migrated_no_backup_is_made_and_why_is_said(places, keys, tmp_path):
    """New code before an old database: somebody has put the release in place and thinks of the backup then."""
    said = places.earlier().refused("backup_data", "--into", str(tmp_path / "b"), "--recipients", str(keys / "recipients"))
    assert "The database is of another release than this code" in said
    assert list((tmp_path / "b").iterdir()) == []


def test_a_backup_of_a_newer_release_is_restored_and_not_called_in_order(places, keys, backup):
    """The one kind of wrong release that no migration mends."""
    newer = places.new()
    restore(backup=backup, identity=keys / "own.key", target=newer.url, files=newer.local)
    newer.rows(
        "INSERT INTO django_migrations (app, name, applied) VALUES ('orders', '9999_of_tomorrow', '2026-11-28 06:00:00+00:00')"
    )
    newer.manage("backup_data", "--into", str(newer.folder / "backups"), "--recipients", str(keys / "recipients"))
    (made,) = (newer.folder / "backups").iterdir()
    fresh = places.new()
    said = fresh.refused("restore_data", str(made), "--identity", str(keys / "own.key"), "--files", str(fresh.folder / "f"))
    assert "of a newer release than this one (+orders.9999_of_tomorrow)" in said


def test_what_a_killed_backup_left_in_clear_goes_with_the_next(tmp_path):
    own = "datumline-20261127T060000Z.backup"  # as somebody has unpacked it
    made = ("datumline-20261128T060000Z.backup.age", "notes.partial", own, "datumline-20261129T060000Z.backup.partial")
    for name in made:
        (tmp_path / name).write_text("x")
    for name in (".datumline-backup-old", ".datumline-backup-now", ".other"):
        (tmp_path / name / "files").mkdir(parents=True)
        (tmp_path / name / "files" / "secret-key").write_text("in clear")
    yesterday = time.time() - 25 * 3600
    for path in tmp_path.iterdir():
        if path.name != ".datumline-backup-now":
            os.utime(path, (yesterday, yesterday))
    clear_left_over(tmp_path)
    for prefix in (RESTORING, TRIAL):
        (tmp_path / f"{prefix}old").mkdir()
        os.utime(tmp_path / f"{prefix}old", (yesterday, yesterday))
        clear_left_over(tmp_path, prefix)
    assert {p.name for p in tmp_path.iterdir()} == {*made[:3], ".datumline-backup-now", ".other"}


# --- which stay -----------------------------------------------------------------------------------------------------------


def _name(at: datetime) -> str:
    return f"datumline-{at:%Y%m%dT%H%M%SZ}.backup.age"


def test_old_backups_go_by_day_and_week():
    # one every six hours through 40 days that end on Saturday 28 November 2026
    newest = datetime(2026, 11, 28, 18, tzinfo=UTC)
    names = [_name(newest - timedelta(hours=6 * i)) for i in range(160)]
    others = ["notes.txt", "datumline-old.backup.age", _name(newest) + ".partial"]
    kept = set(names) - set(to_drop([*names, *others], daily=3, weekly=3))
    # the newest of three days, and of the weeks that end on the Sundays 29, 22 and 15 November (the 28th is in both lists)
    assert kept == {_name(newest - timedelta(days=d)) for d in (0, 1, 2, 6, 13)}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 60 * 24 * 3600), min_size=1, max_size=40, unique=True), st.integers(0, 9), st.integers(0, 9))
def test_the_newest_always_stays_and_no_more_than_were_asked_for(ages, daily, weekly):
    now = datetime(2026, 11, 28, 18, tzinfo=UTC)
    names = [_name(now - timedelta(seconds=s)) for s in ages]
    gone = to_drop(names, daily=daily, weekly=weekly)
    kept = set(names) - set(gone)
    assert _name(now - timedelta(seconds=min(ages))) in kept
    assert len(kept) <= max(1, daily + weekly)
    assert to_drop(kept, daily=daily, weekly=weekly) == []  # once is enough
