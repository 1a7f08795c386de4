"""A lab's requests are counted over all server processes: never more than the quota, and not many less."""

from __future__ import annotations

import re
from collections import Counter as Tally

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from orders import labs
from orders.api import limits
from orders.models import LabRequests, LabToken
from tests.factories import Cast
from tests.orders.test_crowd import together

PROCESSES = 3


@pytest.fixture(autouse=True)
def nothing_claimed(one_minute):
    """Each test begins in a minute of its own."""


@pytest.fixture
def token(cast) -> LabToken:
    return labs.create_token(lab=cast.lab).row


def quota(settings, requests: int) -> None:
    settings.LAB_REQUESTS_A_MINUTE = requests


def turn(minutes: int) -> None:
    """As if what was claimed had been claimed so many minutes ago."""
    for row in LabRequests.objects.all():
        LabRequests.objects.filter(pk=row.pk).update(minute=row.minute - minutes)


@pytest.mark.parametrize("most", [1, 2, 40, 700])
def test_several_processes_let_through_what_one_would(settings, token, most):
    """Each `Counter` is what one process knows; they share nothing but the database."""
    quota(settings, most)
    processes = [limits.Counter() for _ in range(PROCESSES)]
    told = [each.count(token.pk, token.digest) for _ in range(most) for each in processes]
    let_through = sum(not t.used_up for t in told)
    assert LabRequests.objects.get().used >= most
    assert let_through == most
    assert all(t.quota == most and 1 <= t.resets_in_s <= 61 for t in told)


def test_what_one_process_has_claimed_and_not_spent_is_little(settings, token):
    """Two processes ask once each, a third takes all it gets: the quota less two shares at most, and never more."""
    quota(settings, 1000)
    idle, other, busy = (limits.Counter() for _ in range(3))
    for each in (idle, other):
        assert not each.count(token.pk, token.digest).used_up
    got = sum(not busy.count(token.pk, token.digest).used_up for _ in range(1200))
    assert 1000 - 2 * limits.SHARE <= got <= 998
    assert not idle.count(token.pk, token.digest).used_up, "it spends what it has claimed"


def test_the_headers_count_down(settings, token):
    quota(settings, 5)
    said = [limits.count(token.pk, token.digest) for _ in range(7)]
    assert [s.remaining for s in said] == [4, 3, 2, 1, 0, -1, -1]
    headers = [s.headers() for s in said]
    assert {h["RateLimit-Policy"] for h in headers} == {'"lab";q=5;w=60'}
    assert [int(re.search(r"r=(\d+);t=\d+", h["RateLimit"])[1]) for h in headers] == [4, 3, 2, 1, 0, 0, 0]


def test_the_database_is_asked_once_a_share_and_not_at_all_once_the_quota_is_used_up(settings, token):
    quota(settings, 64_000)
    with CaptureQueriesContext(connection) as queries:
        for _ in range(2 * limits.SHARE):
            limits.count(token.pk, token.digest)
    assert len(queries) == 2
    limits.forget()
    quota(settings, 1)
    limits.count(token.pk, token.digest)
    with CaptureQueriesContext(connection) as queries:
        assert all(limits.count(token.pk, token.digest).used_up for _ in range(50))
    assert not queries


def test_a_new_minute_begins_anew_and_a_clock_that_was_set_blocks_nobody(settings, token):
    quota(settings, 3)

    def new_process() -> list[bool]:
        each = limits.Counter()
        return [each.count(token.pk, token.digest).used_up for _ in range(4)]

    assert new_process() == [False, False, False, True]
    assert new_process() == [True] * 4
    turn(1)
    assert new_process() == [False, False, False, True]
    turn(-1)  # written a moment later by another, while this one waited: the same minute
    assert new_process() == [True] * 4
    turn(-90)  # written before the clock was set back
    assert new_process() == [False, False, False, True]


def test_tokens_are_counted_apart(settings, cast, token):
    quota(settings, 2)
    other = labs.create_token(lab=cast.lab).row
    assert [limits.count(t.pk, t.digest).used_up for t in (token, token, token, other)] == [False, False, True, False]


def test_a_process_forgets_tokens_that_nobody_uses(settings, token, monkeypatch):
    monkeypatch.setattr(limits, "MOST_KNOWN", 3)
    each = limits.Counter()
    for n in range(5):
        each._shares[f"{n}"] = limits._Share(60_000, 0.0, 1, 1)  # of a minute that is long over
    each.count(token.pk, token.digest)
    assert set(each._shares) == {token.digest}


def test_a_spent_share_ends_with_its_minute(settings, token):
    each = limits.Counter()
    each.count(token.pk, token.digest)
    assert each.spend(token.digest) is not None
    each._shares[token.digest].ends = 0.0
    assert each.spend(token.digest) is None


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="threads on SQLite are one process and one file")
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("apart", [True, False])
def test_eight_threads_let_through_the_quota_and_no_more(settings, apart):
    """Apart: as many processes, with connections of their own. Together: one process with as many threads."""
    quota(settings, 500)
    token = labs.create_token(lab=Cast().lab).row
    shared = limits.Counter()

    def pull():
        each = limits.Counter() if apart else shared
        return Tally(each.count(token.pk, token.digest).used_up for _ in range(200))

    told = together(*(pull,) * 8)
    assert LabRequests.objects.get().used >= 500
    let_through = sum(t[False] for t in told)
    assert 500 - 8 * limits.SHARE <= let_through <= 500
    if not apart:
        assert let_through == 500
