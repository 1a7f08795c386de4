"""How many requests a lab may send a minute, and the headers that say so (after the IETF draft "RateLimit header fields").

Counted by token in Django's cache; where that cache is not shared, each server process counts by itself.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from django.conf import settings
from django.core.cache import cache

WINDOW_S = 60


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


def count(token_id: int) -> Allowance:
    """Count one request of this token in the running minute."""
    quota = int(getattr(settings, "LAB_REQUESTS_A_MINUTE", 60_000))
    now = time.time()
    window = int(now // WINDOW_S)
    key = f"lab-requests:{token_id}:{window}"
    cache.add(key, 0, timeout=2 * WINDOW_S)
    try:
        used = cache.incr(key)
    except ValueError:  # fell out of the cache in between
        used = 1
    return Allowance(quota, quota - used, int((window + 1) * WINDOW_S - now) + 1)
