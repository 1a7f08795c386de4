from __future__ import annotations

import os
from collections import Counter
from contextlib import ExitStack

import pytest
from hypothesis import HealthCheck, settings

# no property test has a clock, and the same cases are tried in each run: what fails, fails for everybody and again. To look for
# cases that nobody has tried yet: pytest --hypothesis-profile=search
_WITHOUT_A_CLOCK = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("suite", derandomize=True, database=None, **_WITHOUT_A_CLOCK)
settings.register_profile("search", **_WITHOUT_A_CLOCK)
settings.load_profile("suite")

DATABASE = {"db", "transactional_db", "live_server", "places", "unblocked", "site", "django_db_setup"}


# what differs between databases is in these whatever their cases are: in the second run with every case
EVERY_CASE = {"faults", "deploy"}
EVERY_CASE_IN = {
    "test_guard.py",
    "test_at_once.py",
    "test_quick.py",
    "test_audit.py",
    "test_audit_function.py",
    "test_every_post.py",
}
LONG_IN = {"test_demo.py", "test_every_route.py", "test_page_queries.py", "test_crowd.py", "test_api_by_schema.py"}
CASES = 1  # of any other test
# what stands on pages: with SQLite alone. Every route is opened with both (test_every_route, test_page_queries), and the browser works on PostgreSQL
PAGES = {
    "test_sheet.py",
    "test_compare_pages.py",
    "test_desk_pages.py",
    "test_web.py",
    "test_after_web.py",
    "test_places.py",
    "test_bench.py",
    "test_labs_page.py",
}


def pytest_collection_modifyitems(config, items):
    if "TESTS_OF_THE_DATABASE" in os.environ:
        kept = _of_the_database(items)
        config.hook.pytest_deselected(items=[item for item in items if item not in kept])
        items[:] = [item for item in items if item in kept]
    items[:] = _long_first(items)


def _of_the_database(items):
    """With TESTS_OF_THE_DATABASE, only what touches a database or starts processes that do: the second run, on PostgreSQL.

    Of a test with many cases (one bad input each, say) the first: the others differ by what is typed, not by the database.
    """
    keep, seen = set(), Counter()
    for item in sorted(items, key=lambda item: item.nodeid):
        parts = set(item.path.parts)
        if item.path.name in PAGES:
            continue
        if not (DATABASE & set(item.fixturenames) or item.get_closest_marker("django_db") or {"faults", "bench"} & parts):
            continue
        function = item.nodeid.partition("[")[0]
        seen[function] += 1
        if seen[function] <= CASES or EVERY_CASE & parts or item.path.name in EVERY_CASE_IN:
            keep.add(item)
    return keep


def _long_first(items):
    """What takes long begins, in each of the two halves that two workers start with: at the end nobody waits for one of these."""
    long = [item for item in items if EVERY_CASE & set(item.path.parts) or item.path.name in LONG_IN]
    files = list(dict.fromkeys(item.path for item in long))
    one, other = ([item for item in long if files.index(item.path) % 2 == half] for half in (0, 1))
    chosen = set(long)
    rest = [item for item in items if item not in chosen]
    middle = max(len(items) // 2 - len(one), 0)
    return [*one, *rest[:middle], *other, *rest[middle:]]


@pytest.fixture(scope="session")
def _copying():
    from tests.migrated import no_second_migration

    with ExitStack() as stack:
        stack.enter_context(no_second_migration())
        yield stack


@pytest.fixture(scope="session")
def django_db_setup(_copying, django_db_setup):
    """The suite's database, as pytest-django makes it; what is migrated already is copied, and after that `migrate` is itself."""
    _copying.close()


@pytest.fixture
def cast(db):
    from tests.factories import Cast

    return Cast()


@pytest.fixture(autouse=True)
def _audit_can_be_emptied(request):
    """The database refuses to delete audit rows and orders; a test that empties its tables afterwards (live server) needs it to."""
    mark = request.node.get_closest_marker("django_db")
    if not ({"transactional_db", "live_server"} & set(request.fixturenames) or (mark and mark.kwargs.get("transaction"))):
        yield
        return
    request.getfixturevalue("transactional_db")  # set up before us, so that it empties the tables after us
    yield
    from orders import guard
    from practice import audit_guard

    guard.remove()
    audit_guard.remove()  # put back by post_migrate, which emptying the tables sends
