"""The demo's past happens while somebody is there: opening hours of a shop and of a lab (common practice), by the branch's clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

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
