"""Repeated readings and two ways of measuring: within-subject SD, repeatability, outliers, limits of agreement.

    s_w = √(Σ(x − x̄ᵢ)² / Σ(nᵢ − 1))            within-subject SD, weighted by degrees of freedom
    repeatability = 1.96·√2·s_w                 95 % of pairs of readings of one subject differ by less
    limits of agreement = mean difference ± 1.96·SD of the differences (n − 1)

Confidence limits: the mean difference by Student's t with s/√n; the limits by s·√(1/n + z²/(2(n − 1))), which is the √(3/n)·s of
the 1986 paper in its exact form. All in the unit of the readings. Accuracy: 1e-9 of the value, except Student's t (1e-6).
Sources: Bland & Altman, Lancet 1986; i: 307-310 (uses 2 instead of 1.96); Bland & Altman, BMJ 1996; 313: 744; Grubbs 1969
(Technometrics 11: 1) for outliers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from dispensing.optics.errors import OutOfRange, TooFew, all_finite, within

Z95 = 1.96


class Repeatability(NamedTuple):
    """of: subjects with at least two readings; freedom: degrees of freedom."""

    within_subject_sd: float
    coefficient: float
    subjects: int
    freedom: int
    low: float  # 95 % confidence limits of the within-subject SD (χ²)
    high: float


def repeatability(readings: Sequence[Sequence[float]]) -> Repeatability:
    """`readings`: one row a subject (or eye), any number of readings each; rows of fewer than two say nothing and are left out.

    Errors: NotFinite; TooFew when no row has two readings.
    """
    rows = [all_finite(f"readings[{i}]", row) for i, row in enumerate(readings)]
    rows = [row for row in rows if row.size > 1]
    freedom = sum(row.size - 1 for row in rows)
    if freedom < 1:
        raise TooFew("readings", 2, max((len(r) for r in readings), default=0))
    squares = math.fsum(float(((row - row.mean()) ** 2).sum()) for row in rows)
    sd = math.sqrt(squares / freedom)
    low, high = chi_square_quantile(0.975, freedom), chi_square_quantile(0.025, freedom)
    return Repeatability(
        sd, Z95 * math.sqrt(2.0) * sd, len(rows), freedom, math.sqrt(squares / low), math.sqrt(squares / high)
    )


def sd_about_zero(first: Sequence[float], second: Sequence[float]) -> float:
    """√(Σd²/n): the SD of paired differences taken about zero, as the 1986 paper does for repeats by one method."""
    d = _differences(first, second)
    return float(np.sqrt((d * d).mean()))


def intraclass(rows: Sequence[Sequence[float]]) -> float:
    """ICC(1,1) of a one-way analysis of variance: share of the variance that is between subjects. Equal numbers of readings."""
    data = all_finite("rows", rows)
    if data.ndim != 2 or data.shape[0] < 2 or data.shape[1] < 2:
        raise TooFew("rows", 2, data.shape[0] if data.ndim else 0)
    n, k = data.shape
    means = data.mean(axis=1)
    between = float(k) * float(((means - data.mean()) ** 2).sum()) / (n - 1)
    inside = float(((data - means[:, None]) ** 2).sum()) / (n * (k - 1))
    if between + (k - 1) * inside == 0.0:
        raise OutOfRange("rows", rows, "all readings are the same, so no share of the variance can be given.")
    return float((between - inside) / (between + (k - 1) * inside))


class Agreement(NamedTuple):
    """First method minus second. `bias_*` and `lower_*`, `upper_*` are 95 % confidence limits."""

    n: int
    bias: float
    sd: float
    lower: float
    upper: float
    se_bias: float
    se_limit: float
    bias_low: float
    bias_high: float
    lower_low: float
    lower_high: float
    upper_low: float
    upper_high: float


def agreement(first: Sequence[float], second: Sequence[float], multiplier: float = Z95) -> Agreement:
    """Limits of agreement of two methods on the same subjects, with confidence limits by Student's t.

    multiplier: 1.96, or 2 as in the 1986 paper. Errors: NotFinite; OutOfRange (unequal lengths); TooFew (fewer than three pairs).
    """
    d = _differences(first, second)
    n = int(d.size)
    if n < 3:
        raise TooFew("first", 3, n)
    m = within("multiplier", multiplier, 0.1, 10.0)
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    se_bias = sd / math.sqrt(n)
    se_limit = sd * math.sqrt(1.0 / n + m * m / (2.0 * (n - 1)))
    t = student_quantile(0.975, n - 1)
    lower, upper = bias - m * sd, bias + m * sd
    return Agreement(
        n,
        bias,
        sd,
        lower,
        upper,
        se_bias,
        se_limit,
        bias - t * se_bias,
        bias + t * se_bias,
        lower - t * se_limit,
        lower + t * se_limit,
        upper - t * se_limit,
        upper + t * se_limit,
    )


def corrected_sd(
    first_a: Sequence[float], first_b: Sequence[float], second_a: Sequence[float], second_b: Sequence[float]
) -> float:
    """SD of the difference between single readings when each method was read twice and the means were compared (1986 paper).

    √(s²(mean differences) + s²(repeats, first)/4 + s²(repeats, second)/4), the repeats' SD taken about zero.
    """
    a1, a2 = all_finite("first_a", first_a), all_finite("first_b", first_b)
    b1, b2 = all_finite("second_a", second_a), all_finite("second_b", second_b)
    means = _differences(list((a1 + a2) / 2.0), list((b1 + b2) / 2.0))
    s1 = sd_about_zero(first_a, first_b)
    s2 = sd_about_zero(second_a, second_b)
    return math.sqrt(float(means.var(ddof=1)) + s1 * s1 / 4.0 + s2 * s2 / 4.0)


class Outlier(NamedTuple):
    """The reading furthest from the mean, its Grubbs statistic, the limit, and whether it is beyond it."""

    place: int
    value: float
    statistic: float
    limit: float
    outlying: bool


def grubbs(readings: Sequence[float], significance: float = 0.05, least: float = 0.0) -> Outlier:
    """Grubbs' two-sided test for one outlier: G = max|x − x̄|/s against ((n−1)/√n)·√(t²/(n−2+t²)), t at α/2n with n − 2.

    Of three readings none is ever called outlying: two equal ones would condemn any third. Readings come in steps (half a millimetre
    on a rule), so give `least`: a reading nearer than that to the mean of the others is not outlying whatever the statistic says.
    Errors: NotFinite, TooFew (fewer than three), OutOfRange (significance not between 0.0001 and 0.5, least below 0).
    """
    x = all_finite("readings", readings)
    n = int(x.size)
    if x.ndim != 1 or n < 3:
        raise TooFew("readings", 3, n)
    alpha = within("significance", significance, 0.0001, 0.5)
    floor = within("least", least, 0.0, 1e9)
    away = np.abs(x - x.mean())
    place = int(away.argmax())
    t = student_quantile(1.0 - alpha / (2.0 * n), n - 2)
    limit = (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))
    sd = float(x.std(ddof=1))
    statistic = float(away[place]) / sd if sd > 0.0 else 0.0
    from_others = float(away[place]) * n / (n - 1)
    return Outlier(place, float(x[place]), statistic, limit, n > 3 and statistic > limit and from_others >= floor)


def _differences(first: Sequence[float], second: Sequence[float]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    a, b = all_finite("first", first), all_finite("second", second)
    if a.shape != b.shape or a.ndim != 1:
        raise OutOfRange("second", len(second), f"must have as many readings as the first: {len(first)}.")
    if a.size < 2:
        raise TooFew("first", 2, int(a.size))
    return a - b


# ── quantiles, so that the optics need no more than numpy ──────────────────


def student_quantile(probability: float, freedom: int) -> float:
    """Quantile of Student's t, by bisection on the distribution function; 1e-9."""
    p = within("probability", probability, 1e-6, 1.0 - 1e-6)
    nu = int(within("freedom", freedom, 1, 10**6))
    if p < 0.5:
        return -student_quantile(1.0 - p, nu)

    def below(t: float) -> float:
        return 1.0 - 0.5 * _beta_share(nu / (nu + t * t), nu / 2.0, 0.5)

    return _bisect(below, p, 0.0, 1e7)


def chi_square_quantile(probability: float, freedom: int) -> float:
    """Quantile of the χ² distribution, by bisection on the distribution function; 1e-9 relative."""
    p = within("probability", probability, 1e-6, 1.0 - 1e-6)
    k = int(within("freedom", freedom, 1, 10**6))
    z = NormalDist().inv_cdf(p)
    around = k * max(0.001, (1.0 - 2.0 / (9.0 * k) + z * math.sqrt(2.0 / (9.0 * k)))) ** 3  # Wilson & Hilferty
    return _bisect(lambda x: _gamma_share(k / 2.0, x / 2.0), p, 0.0, around * 10.0 + 50.0)


def _bisect(rising: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    for _ in range(200):
        middle = (low + high) / 2.0
        if rising(middle) < wanted:
            low = middle
        else:
            high = middle
        if high - low <= 1e-12 * max(1.0, high):
            break
    return (low + high) / 2.0


def _gamma_share(a: float, x: float) -> float:
    """Regularised lower incomplete gamma: series below a + 1, continued fraction above (Abramowitz & Stegun 6.5.29, 6.5.31)."""
    if x <= 0.0:
        return 0.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:
        term = total = 1.0 / a
        n = a
        for _ in range(100_000):
            n += 1.0
            term *= x / n
            total += term
            if term < total * 1e-15:
                break
        return front * total
    tiny = 1e-300
    b = x + 1.0 - a
    c, d = 1.0 / tiny, 1.0 / b
    h = d
    for i in range(1, 100_000):
        an = -i * (i - a)
        b += 2.0
        d = 1.0 / (an * d + b or tiny)
        c = b + an / c or tiny
        h *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return 1.0 - front * h


def _beta_share(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta by its continued fraction (Abramowitz & Stegun 26.5.8)."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_share(1.0 - x, b, a)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)) / a
    tiny = 1e-300
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1.0) or tiny)
    h = d
    for m in range(1, 100_000):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        d = 1.0 / (1.0 + even * d or tiny)
        c = 1.0 + even / c or tiny
        h *= d * c
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        d = 1.0 / (1.0 + odd * d or tiny)
        c = 1.0 + odd / c or tiny
        h *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return front * h
