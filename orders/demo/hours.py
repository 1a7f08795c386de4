"""When the demo's past happens: while somebody is there. Common practice of the trade, in the branch's own time.

A moment outside is moved to the next opening, spread over the morning by the moment itself: the same every time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """Opening and closing of each day of the week, Monday first; None where it is closed."""

    days: tuple[tuple[time, time] | None, ...]

    def are_open(self, at: datetime, zone: str) -> bool:
        """Whether somebody is there at a moment (aware), by the clock of `zone`."""
        local = at.astimezone(ZoneInfo(zone))
        span = self.days[local.weekday()]
        return span is not None and span[0] <= local.time() < span[1]

    def within(self, at: datetime, zone: str, *, before: int = 0, after: int = 0) -> datetime:
        """`at` where it is in opening hours with `before` and `after` minutes to spare for what belongs to it, else the next such."""
        local = at.astimezone(ZoneInfo(zone))
        day = local.date()
        while True:
            span = self.days[day.weekday()]
            if span is not None:
                first = datetime.combine(day, span[0], tzinfo=local.tzinfo) + timedelta(minutes=before)
                last = datetime.combine(day, span[1], tzinfo=local.tzinfo) - timedelta(minutes=after)
                if first <= local < last:
                    return local.astimezone(at.tzinfo)
                if local < first < last:
                    minutes = int((last - first).total_seconds()) // 60
                    spread = timedelta(
                        minutes=(local.hour * 60 + local.minute) * 7 % min(minutes, 150), seconds=local.second
                    )
                    return (first + spread).astimezone(at.tzinfo)
            day += timedelta(days=1)


_DAY, _SATURDAY = (time(9), time(17, 30)), (time(9), time(13))
BRANCH = Hours(days=(_DAY, _DAY, _DAY, _DAY, _DAY, _SATURDAY, None))
_SHIFT = (time(7), time(18))
LAB = Hours(days=(_SHIFT, _SHIFT, _SHIFT, _SHIFT, _SHIFT, None, None))
