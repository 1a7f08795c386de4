from __future__ import annotations

import pytest

from tests.deploy.places import Places
from tests.stores import bucket, server  # noqa: F401  (fixtures of this folder)


@pytest.fixture(scope="session")
def places(tmp_path_factory):
    made = Places(tmp_path_factory.mktemp("places"))
    yield made
    made.tidy()


@pytest.fixture
def unblocked(django_db_blocker):
    """For databases of a test's own: the suite's is left alone."""
    with django_db_blocker.unblock():
        yield


@pytest.fixture(scope="session")
def upgraded(places):
    """Records of the earlier release, brought forward to this one. Shared: tests copy it and leave it alone."""
    place = places.earlier()
    place.manage("migrate", "--verbosity", "0")
    return place


@pytest.fixture(scope="session")
def upgraded_file(places, upgraded):
    """The same in a file of SQLite, whatever the suite runs on."""
    if upgraded.url.startswith("sqlite"):
        return upgraded
    place = places.earlier("sqlite")
    place.manage("migrate", "--verbosity", "0")
    return place
