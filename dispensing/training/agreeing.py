"""How readings agree with independent re-measures: limits of agreement with confidence limits, over time, by method; and who drifts.

A difference is the adopted value minus the supervisor's, mm: what `optics.agreement` calls first minus second. Below `LEAST`
pairs nothing is said: at ten, the 95 % confidence limits of a limit of agreement lie 1.3 standard deviations either way
(t(9)·√(1/10 + 1.96²/18)), which is as wide as a statement can be and still be of use (our choice; Bland & Altman advise a
hundred and more, from memory). Both eyes of one client count as two pairs; they are not fully independent, so that the
confidence limits are somewhat too narrow, and a page says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from dispensing.models import Comparison
from dispensing.optics.agreement import Agreement, agreement, student_quantile

LEAST = 10
LEAST_IN_QUARTER = 5  # pairs below which a quarter has no mean: two slips would make it (common practice)
LEAST_DRIFT_MM = 0.5  # the step of a rule: less is not worth a word
QUANTITY_WORDS = {"far_pd": "PD far", "near_pd": "PD near", "height": "Height"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """Comparisons of one kind, oldest first, with the days they were made on."""

    name: str
    rows: tuple[tuple[date, Comparison], ...]

    @property
    def n(self) -> int:
        return len(self.rows)

    @property
    def differences(self) -> list[float]:
        return [float(c.difference) for _, c in self.rows]

    @property
    def found(self) -> Agreement | None:
        """None below `LEAST`: too few to say."""
        if self.n < LEAST:
            return None
        return agreement([float(c.theirs) for _, c in self.rows], [float(c.ours) for _, c in self.rows])

    @property
    def judged(self) -> int:
        return sum(c.within is not None for _, c in self.rows)

    @property
    def outside(self) -> int:
        return sum(c.within is False for _, c in self.rows)

    @property
    def outside_range(self) -> tuple[float, float] | None:
        """95 % confidence limits of the share outside, per cent; None below `LEAST`."""
        return None if self.judged < LEAST else share_limits(self.outside, self.judged)


def share_limits(k: int, n: int, z: float = 1.96) -> tuple[float, float]:
    """Wilson's 95 % limits of a share k of n, per cent (Wilson 1927, J. Am. Stat. Assoc. 22: 209)."""
    p = k / n
    centre = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return max(0.0, 100 * (centre - half)), min(100.0, 100 * (centre + half))


def grouped(rows: Iterable[tuple[date, Comparison]], key: Callable[[Comparison], str]) -> list[Pairs]:
    """By what `key` says of each, most pairs first; an empty key is left out."""
    found: dict[str, list[tuple[date, Comparison]]] = {}
    for on, x in sorted(rows, key=lambda r: (r[0], r[1].pk)):
        if name := key(x):
            found.setdefault(name, []).append((on, x))
    return sorted((Pairs(name=n, rows=tuple(r)) for n, r in found.items()), key=lambda p: (-p.n, p.name))


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """A quarter of a year."""

    name: str
    n: int
    mean: float
    mean_size: float  # of the differences without their sign
    outside: int
    judged: int

    @property
    def enough(self) -> bool:
        """Whether its mean says something."""
        return self.n >= LEAST_IN_QUARTER


def by_quarter(pairs: Pairs) -> list[Period]:
    """Oldest first."""
    found: dict[str, list[Comparison]] = {}
    for on, x in pairs.rows:
        found.setdefault(f"{on.year} {_QUARTERS[(on.month - 1) // 3]}", []).append(x)
    out = []
    for name, rows in found.items():
        d = [float(x.difference) for x in rows]
        out.append(
            Period(
                name=name,
                n=len(rows),
                mean=math.fsum(d) / len(d),
                mean_size=math.fsum(abs(v) for v in d) / len(d),
                outside=sum(x.within is False for x in rows),
                judged=sum(x.within is not None for x in rows),
            )
        )
    return out


_QUARTERS = ("Jan–Mar", "Apr–Jun", "Jul–Sep", "Oct–Dec")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How one kind reads against all others: difference of the mean differences, mm, with 95 % limits."""

    by: float
    low: float
    high: float

    @property
    def drifts(self) -> bool:
        return self.differs and abs(self.by) >= LEAST_DRIFT_MM

    @property
    def differs(self) -> bool:
        """Whether the limits leave out zero, however small the difference."""
        return self.low > 0 or self.high < 0


def drift(these: Sequence[float], others: Sequence[float]) -> Drift | None:
    """Welch's interval for the difference of two means (Welch 1947, Biometrika 34: 28); None when either is below `LEAST`."""
    n, m = len(these), len(others)
    if n < LEAST or m < LEAST:
        return None
    a, b = math.fsum(these) / n, math.fsum(others) / m
    va = math.fsum((x - a) ** 2 for x in these) / (n - 1) / n
    vb = math.fsum((x - b) ** 2 for x in others) / (m - 1) / m
    if va + vb == 0.0:
        return Drift(by=a - b, low=a - b, high=a - b)
    freedom = int((va + vb) ** 2 / (va * va / (n - 1) + vb * vb / (m - 1)))  # rounded down: wider, never narrower
    half = student_quantile(0.975, max(freedom, 1)) * math.sqrt(va + vb)
    return Drift(by=a - b, low=a - b - half, high=a - b + half)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Comparisons of one quantity by one person, method, branch or instrument, and how they lie to all others of that quantity."""

    pairs: Pairs
    quantity: str
    others: int  # pairs of everybody else
    drift: Drift | None  # None: too few on either side


def against_others(rows: Iterable[tuple[date, Comparison]], key: Callable[[Comparison], str]) -> list[Group]:
    """By quantity, then by what `key` says; what has no name is in nobody's group and counts among no others."""
    named = [(on, x) for on, x in rows if key(x)]
    out = []
    for quantity in QUANTITY_WORDS:
        of_this = [(on, x) for on, x in named if x.quantity == quantity]
        for pairs in grouped(of_this, key):
            others = [float(x.difference) for _, x in of_this if key(x) != pairs.name]
            out.append(Group(pairs=pairs, quantity=quantity, others=len(others), drift=drift(pairs.differences, others)))
    return out
