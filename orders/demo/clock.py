"""A clock for the deeds that the demo plays through the use cases: whenever it is loaded, they were done while somebody was there.

Only with the year before it, as people look at it: without, everything happens at the moment of loading, which tests rely on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, time, timedelta

from django.utils import timezone

from orders.demo.hours import Hours

_DAY = (time(9), time(17, 30))
WEEK = Hours(days=(_DAY, _DAY, _DAY, _DAY, _DAY, None, None))  # when branches and labs both are at work
APART = timedelta(minutes=3)  # from one entry to the next
_TICK = timedelta(seconds=1)


def moments(zones: Sequence[str], now: datetime) -> list[datetime]:
    """When each entry begins, by the time zones of their branches: one after the other, each in the week's hours there, the last over
    before `now`, and as late as that goes."""
    start = now - APART * len(zones)
    while True:
        found, at = [], start
        for zone in zones:
            at = WEEK.within(at, zone, after=10)
            found.append(at)
            at += APART
        if not found or at <= now:
            return found
        start -= timedelta(minutes=30)


class Clock:
    """Stands where it was put, and goes on by a second whenever it is asked, but never as far as the next entry."""

    def __init__(self) -> None:
        self._real = timezone.now
        self._at: datetime | None = None
        self._asked = 0

    def put(self, at: datetime) -> None:
        self._at, self._asked = at, 0

    def now(self) -> datetime:
        if self._at is None:
            return self._real()
        self._asked += 1
        return self._at + min(_TICK * self._asked, APART - _TICK) + timedelta(microseconds=self._asked)


@contextmanager
def other_clock() -> Iterator[Clock]:
    """Whatever asks Django for the time meanwhile is told that of this clock; a loader alone in its process uses it, never the site."""
    clock, real = Clock(), timezone.now
    timezone.now = clock.now
    try:
        yield clock
    finally:
        timezone.now = real
