from __future__ import annotations

import pytest


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
