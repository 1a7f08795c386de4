"""How far a rate may lie from the others by chance: limits of a funnel plot and of a chart over time. Pure.

A funnel plot shows each group's rate against its number of pairs, with limits around the rate of all together: between 95 % limits lie
19 of 20 groups that do not differ, between 99.8 % limits 998 of 1000 (Spiegelhalter 2005, Statistics in Medicine 24:1185, appendix A.1:
binomial quantiles, interpolated because counts are whole). A p chart shows the rate of each month with three standard deviations either
way (Shewhart; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2). That takes the normal distribution for the binomial, which with
few cases expected (`FEW`) calls a month in fifty unusual: there the upper limit is not below the count that chance passes once in a
thousand times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

WARN = (0.025, 0.975)
ALARM = (0.001, 0.999)
_NORMAL = {0.025: -1.959963984540054, 0.975: 1.959963984540054, 0.001: -3.090232306167813, 0.999: 3.090232306167813}
EXACT_UP_TO = (
    400.0  # variance n p (1 - p); above it the normal limit differs by less than 1 % of the standard deviation's width
)

FEW = (
    5.0  # cases expected; from there on the normal distribution is taken for the binomial (textbook rule n p of at least 5)
)


@lru_cache(maxsize=4096)
def funnel_limits(pairs: int, rate: float) -> tuple[float, float, float, float]:
    """Limits at 0.1, 2.5, 97.5 and 99.9 % for so many pairs, as rates. ValueError for counts or rates that cannot be."""
    if pairs < 1 or not 0.0 <= rate <= 1.0:
        raise ValueError("pairs must be at least 1 and rate between 0 and 1")
    wanted = (ALARM[0], WARN[0], WARN[1], ALARM[1])
    if rate in (0.0, 1.0):
        return (rate,) * 4
    variance = pairs * rate * (1.0 - rate)
    if variance > EXACT_UP_TO:
        spread = math.sqrt(rate * (1.0 - rate) / pairs)
        a, b, c, d = (min(1.0, max(0.0, rate + _NORMAL[p] * spread)) for p in wanted)
        return a, b, c, d
    return _quantiles(pairs, rate, wanted)


def _quantiles(pairs: int, rate: float, wanted: Sequence[float]) -> tuple[float, float, float, float]:
    """(r - alpha) / n with r the least count whose cumulative probability reaches p, alpha the part of its step above p."""
    first = max(0, math.floor(pairs * rate - 9.0 * math.sqrt(pairs * rate * (1.0 - rate)) - 9.0))
    log_mass = (
        math.lgamma(pairs + 1) - math.lgamma(first + 1) - math.lgamma(pairs - first + 1)
        + first * math.log(rate) + (pairs - first) * math.log1p(-rate)
    )  # fmt: skip
    mass, odds = math.exp(log_mass), rate / (1.0 - rate)
    total, count, found = mass, first, list[float]()
    for p in wanted:
        while total < p and count < pairs:
            mass *= odds * (pairs - count) / (count + 1)
            count += 1
            total += mass
        alpha = (total - p) / mass if mass > 0 else 0.0
        found.append(min(1.0, max(0.0, (count - alpha) / pairs)))
    a, b, c, d = found
    return a, b, c, d


@dataclass(frozen=True, slots=True)
class Step:
    """One month of a chart over time."""

    label: str
    cases: int
    pairs: int
    rate: float | None  # None without pairs
    low: float
    high: float

    @property
    def outside(self) -> bool:
        return self.rate is not None and not self.low <= self.rate <= self.high


@dataclass(frozen=True, slots=True)
class Chart:
    middle: float  # cases of all months by pairs of all months
    steps: tuple[Step, ...]


def p_chart(counts: Sequence[tuple[str, int, int]]) -> Chart | None:
    """Months as (label, cases, pairs), in order. Limits are the mean rate and three standard deviations for each month's own number
    of pairs, not below 0 nor above 1; with few cases expected the upper one is exact. None without any pairs."""
    all_cases, all_pairs = sum(c for _, c, _ in counts), sum(n for _, _, n in counts)
    if not all_pairs:
        return None
    middle = all_cases / all_pairs
    steps = []
    for label, cases, pairs in counts:
        if pairs < 1:
            steps.append(Step(label, cases, pairs, None, 0.0, 1.0))
            continue
        three = 3.0 * math.sqrt(middle * (1.0 - middle) / pairs)
        high = min(1.0, middle + three)
        if pairs * middle < FEW:
            high = max(
                high, math.ceil(funnel_limits(pairs, middle)[3] * pairs - 1e-9) / pairs
            )  # a whole count: not interpolated
        steps.append(Step(label, cases, pairs, cases / pairs, max(0.0, middle - three), high))
    return Chart(middle, tuple(steps))
