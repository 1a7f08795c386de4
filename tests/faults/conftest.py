from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest

from tests.faults.machines import Cluster, Site

VENDOR = "postgresql" if os.environ.get("DATUMLINE_DATABASE_URL") else "sqlite"


@pytest.fixture(scope="session")
def cluster():
    """A PostgreSQL of these tests' own: it is killed, and the suite's is not. Not in pytest's folder, which is root's alone."""
    with tempfile.TemporaryDirectory(prefix="datumline-faults-", ignore_cleanup_errors=True) as folder:
        made = Cluster(Path(folder))
        yield made
        made.stop()


@pytest.fixture
def database(cluster):
    """A new database on it, migrated; gone afterwards."""
    import secrets

    name = f"faults_{secrets.token_hex(4)}"
    cluster.create(name)
    yield name
    cluster.sql(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


@pytest.fixture
def site(tmp_path, cluster, database):
    made = Site(tmp_path / "site", cluster.url(database))
    yield made
    made.stop()
