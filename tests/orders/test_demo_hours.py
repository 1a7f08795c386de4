"""The demo's past happens while somebody is there: opening hours of a shop and of a lab (common practice), by the branch's clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from orders.demo.clock import APART, WEEK, Clock, moments, other_clock
from orders.demo.hours import BRANCH, LAB

HALIFAX = "America/Halifax"


@pytest.mark.parametrize("hours", [BRANCH, LAB])
def test_every_moment_of_a_fortnight_goes_where_somebody_is(hours):
    start = datetime(2026, 3, 21, tzinfo=UTC)  # the clocks change on the 29th in London
    for n in range(14 * 24 * 2):
        at = start + timedelta(minutes=30 * n)
        moved = hours.within(at, "Europe/London", before=45, after=30)
        assert moved >= at
        assert hours.are_open(moved - timedelta(minutes=45), "Europe/London")
        assert hours.are_open(moved + timedelta(minutes=29), "Europe/London")
        assert moved == hours.within(at, "Europe/London", before=45, after=30)


def test_a_moment_in_opening_hours_stays():
    at = datetime(2026, 3, 26, 14, 5, tzinfo=UTC)
    assert BRANCH.within(at, "Europe/London") == at


def test_the_clock_is_that_of_the_branch():
    early = datetime(2026, 3, 26, 9, 0, tzinfo=UTC)  # six in the morning there
    assert not BRANCH.are_open(early, HALIFAX)
    assert BRANCH.within(early, HALIFAX).astimezone(ZoneInfo(HALIFAX)).hour in {9, 10, 11}


def test_a_sunday_and_a_saturday_afternoon_become_monday():
    for at in (datetime(2026, 3, 22, 11, tzinfo=UTC), datetime(2026, 3, 21, 15, tzinfo=UTC)):
        assert BRANCH.within(at, "Europe/London").date().isoformat() == "2026-03-23"


def test_whenever_it_is_loaded_deeds_were_done_while_somebody_was_there():
    """Every five hours of three weeks, with the clocks of the demo's branches, over a change to summer time."""
    zones = ["Europe/London", HALIFAX, "Europe/Vienna", "Europe/London", "Europe/Vienna", HALIFAX] * 10
    start = datetime(2026, 3, 16, tzinfo=UTC)
    for n in range(21 * 24 // 5):
        now = start + timedelta(hours=5 * n)
        found = moments(zones, now)
        assert len(found) == len(zones)
        assert found[-1] + APART <= now
        assert now - found[0] < timedelta(days=6)
        for at, zone, later in zip(found, zones, [*found[1:], now], strict=True):
            assert at + APART <= later
            assert BRANCH.are_open(at, zone)
            assert BRANCH.are_open(at + APART, zone)
            assert LAB.are_open(at + APART, zone)
            assert WEEK.are_open(at, zone)
    assert moments([], start) == []


def test_the_clock_goes_forward_and_is_given_back():
    real, at = timezone.now, datetime(2026, 3, 26, 14, 5, tzinfo=UTC)
    with other_clock() as clock:
        assert abs(timezone.now() - real()) < timedelta(minutes=1)  # not put anywhere yet
        clock.put(at)
        told = [timezone.now() for _ in range(1000)]
        assert told == sorted(set(told))
        assert at < told[0] < told[-1] < at + APART
        assert timezone.localdate() == at.date()
    assert timezone.now is real
    assert Clock().now() > at
