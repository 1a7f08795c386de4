"""How many requests a lab may send a minute over all processes and hosts, and the headers that say so (after the IETF draft
"RateLimit header fields for HTTP").

What a token has used of the running minute stands in the database, one row a token (`LabRequests`), by the database's clock. A
server process does not write there with every request, which would make every page of a feed a write and let the requests of one
lab wait for each other: it claims a share of the minute and spends it by itself. So no more than the quota is ever let through,
however many processes there are; what a process has claimed and not spent when the minute ends is lost to the others, at most
SHARE requests each, and `r` in the header may be off by as much for every other process. Shares shrink towards the end of the
quota, down to single requests. Once the quota is used up a process says so by itself until the minute is over.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

from django.conf import settings
from django.db import connection

from orders.models import LabRequests

WINDOW_S = 60
SHARE = 64  # requests a process claims at once, at most
MOST_KNOWN = 10_000  # tokens a process keeps shares of before it throws away those that have ended

# The database's clock, since those of the hosts may differ. A row that is one minute ahead was written while this statement waited;
# one that is further off was written before the clock was set, and does not count.
_NOW = {
    "postgresql": "extract(epoch FROM statement_timestamp())::double precision",
    "sqlite": "(julianday('now') - 2440587.5) * 86400.0",
}
_TABLE = LabRequests._meta.db_table
_CLAIM = (
    f"INSERT INTO {_TABLE} AS r (token_id, minute, used) SELECT %s, CAST(floor(n.now / {WINDOW_S}) AS bigint), %s "  # noqa: S608
    "FROM (SELECT {now} AS now) n WHERE true ON CONFLICT (token_id) DO UPDATE SET "
    "used = CASE WHEN r.minute IN (excluded.minute, excluded.minute + 1) THEN r.used ELSE 0 END + excluded.used, "
    "minute = CASE WHEN r.minute = excluded.minute + 1 THEN r.minute ELSE excluded.minute END "
    "RETURNING used, minute, {now}"
)


@dataclass(frozen=True, slots=True)
class Allowance:
    quota: int
    remaining: int
    resets_in_s: int

    @property
    def used_up(self) -> bool:
        return self.remaining < 0

    def headers(self) -> dict[str, str]:
        return {
            "RateLimit-Policy": f'"lab";q={self.quota};w={WINDOW_S}',
            "RateLimit": f'"lab";r={max(0, self.remaining)};t={self.resets_in_s}',
        }


@dataclass(slots=True)
class _Share:
    quota: int
    ends: float  # of the minute, by this process's monotonic clock
    here: int  # claimed and not spent
    elsewhere: int  # of the quota, not claimed by anybody when this share was


class Counter:
    """The shares of one process."""

    def __init__(self) -> None:
        self._shares: dict[str, _Share] = {}
        self._lock = threading.Lock()

    def spend(self, digest: str) -> Allowance | None:
        """One request, without asking the database; None where it has to be asked. `digest` is that of a token."""
        quota, now = _quota(), time.monotonic()
        with self._lock:
            share = self._shares.get(digest)
            if share is None or share.ends <= now or share.quota != quota:
                return None
            wait = int(share.ends - now) + 1
            if share.here:
                share.here -= 1
                return Allowance(quota, share.here + share.elsewhere, wait)
            return Allowance(quota, -1, wait) if not share.elsewhere else None

    def count(self, token_id: int, digest: str) -> Allowance:
        """One request of a token that is known to be valid."""
        spent = self.spend(digest)
        while spent is None:
            self._claim(token_id, digest)
            spent = self.spend(digest)
        return spent

    def forget(self) -> None:
        with self._lock:
            self._shares.clear()

    def _claim(self, token_id: int, digest: str) -> None:
        quota, now = _quota(), time.monotonic()
        known = self._shares.get(digest)
        free = known.elsewhere if known is not None and known.ends > now and known.quota == quota else quota
        wanted = min(SHARE, max(1, free // 16))
        with connection.cursor() as cursor:
            cursor.execute(_CLAIM.replace("{now}", _NOW[connection.vendor]), [token_id, wanted])
            used, minute, at = cursor.fetchone()
        got = max(0, min(wanted, quota - (used - wanted)))
        with self._lock:
            if len(self._shares) > MOST_KNOWN:
                self._shares = {d: s for d, s in self._shares.items() if s.ends > now}
            ends = now + (minute + 1) * WINDOW_S - at
            had = self._shares.get(digest)
            # another thread of this process may have claimed of this minute as well: nothing is thrown away
            here = had.here if had is not None and had.ends > ends - WINDOW_S / 2 and had.quota == quota else 0
            self._shares[digest] = _Share(quota, ends, here + got, max(0, quota - used))


_here = Counter()
spend, count, forget = _here.spend, _here.count, _here.forget


def _quota() -> int:
    return int(settings.LAB_REQUESTS_A_MINUTE)
