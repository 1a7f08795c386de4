"""Queries that each page needs on the demo: never more than `tests/data/page_queries.json` says.

A page that asks the database once a row is quick on a trial and slow in a practice. When a page needs more for a good reason, change its
number in the file, in the same commit; when it needs fewer, lower it. Written anew with `PIN_PAGE_QUERIES=1` in the environment.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from orders.demo.load import load
from tests.factories import PASSWORD
from tests.pages import PAGES, browsers, look_for

PINNED = Path(__file__).parent / "data" / "page_queries.json"
_FRAMING = ("BEGIN", "COMMIT", "SAVEPOINT", "RELEASE")


@pytest.mark.django_db
def test_no_page_asks_the_database_more_often_than_it_did():
    load(password=PASSWORD, with_year=False)
    world = look_for()
    opened = browsers(world)
    counts = {}
    for page in PAGES:
        page.ask(opened[page.who], world)  # what is kept for a minute or a session is kept now
        with CaptureQueriesContext(connection) as captured:
            answer = page.ask(opened[page.who], world)
        assert answer.status_code == 200, page.name
        counts[page.name] = sum(not q["sql"].startswith(_FRAMING) for q in list(captured.captured_queries))
    if os.environ.get("PIN_PAGE_QUERIES"):
        PINNED.write_text(json.dumps(counts, indent=1) + "\n")
    pinned = json.loads(PINNED.read_text())
    assert set(pinned) == set(counts), "a page was added or taken away: tests/data/page_queries.json has to name it"
    more = {name: f"{n} instead of {pinned[name]}" for name, n in counts.items() if n > pinned[name]}
    assert not more
