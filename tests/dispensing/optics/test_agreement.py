"""Bland & Altman's own tables, scipy's quantiles, statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.anova import anova_lm

from dispensing.optics.agreement import (
    agreement,
    chi_square_quantile,
    corrected_sd,
    grubbs,
    intraclass,
    repeatability,
    sd_about_zero,
    student_quantile,
)
from dispensing.optics.errors import NotFinite, OutOfRange, TooFew
from tests.dispensing.optics.worked import case, cases, expect

readings = st.floats(20, 80)


def test_limits_of_the_1986_paper():
    """Lancet 1986; i: 307-310: large against mini meter, first readings. The paper multiplies the rounded SD by 2."""
    worked = case("l-pub-01")
    got = agreement(worked["x"], worked["y"], multiplier=worked["multiplier"])
    expect(worked, "bias", got.bias)
    expect(worked, "sd_diff", got.sd)
    expect(worked, "lower_loa", got.lower)
    expect(worked, "upper_loa", got.upper)
    usual = agreement(worked["x"], worked["y"])
    assert usual.lower == pytest.approx(worked.reference["lower_1.96sd"], abs=1e-5)
    assert usual.upper == pytest.approx(worked.reference["upper_1.96sd"], abs=1e-5)


def test_confidence_limits_of_the_1986_paper():
    """The same paper: bias 95 % limits -22.0 to 17.8; lower limit -114.3 to -45.1, upper 40.9 to 110.1 (from memory).

    The paper takes SE(limit) = s·√(3/n); the exact form used here is a little wider, so 1 l/min is allowed there.
    """
    worked = case("l-pub-01")
    got = agreement(worked["x"], worked["y"], multiplier=2)
    assert (got.bias_low, got.bias_high) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert (got.lower_low, got.lower_high) == pytest.approx((-114.3, -45.1), abs=1.5)
    assert (got.upper_low, got.upper_high) == pytest.approx((40.9, 110.1), abs=1.5)


def test_repeatability_of_the_1986_paper():
    worked = case("l-pub-03")
    sd = sd_about_zero(worked["first"], worked["second"])
    expect(worked, "sd_diff_about_zero", sd)
    expect(worked, "repeatability_coefficient_2sd", 2 * sd)
    got = repeatability(list(zip(worked["first"], worked["second"], strict=True)))
    assert got.within_subject_sd == pytest.approx(worked.reference["within_subject_sd"], abs=1e-5)
    assert math.sqrt(2) * got.within_subject_sd == pytest.approx(sd)


def test_corrected_sd_of_the_1986_paper():
    worked = case("l-pub-04")
    means = [(np.array(worked[k + "1"]) + np.array(worked[k + "2"])) / 2 for k in "xy"]
    got = agreement(*means)
    expect(worked, "bias", got.bias)
    expect(worked, "sd_of_mean_differences", got.sd)
    expect(worked, "corrected_sd", corrected_sd(worked["x1"], worked["x2"], worked["y1"], worked["y2"]))


@pytest.mark.parametrize("worked", cases("l", "l-cmp-01", "l-cmp-03"), ids=str)
def test_repeated_monocular_pds(worked):
    got = repeatability(worked["rows"])
    expect(worked, "within_subject_sd", got.within_subject_sd)
    expect(worked, "repeatability_1.96root2", got.coefficient)
    expect(worked, "icc_1_1", intraclass(worked["rows"]))


def test_limits_with_confidence():
    worked = case("l-cmp-04")
    got = agreement(worked["x"], worked["y"])
    expect(worked, "bias", got.bias)
    expect(worked, "sd", got.sd)
    expect(worked, "lower_1.96", got.lower)
    expect(worked, "upper_1.96", got.upper)
    expect(worked, "se_bias", got.se_bias)
    expect(worked, "ci95_bias_low", got.bias_low)
    assert got.se_limit == pytest.approx(worked.expected["se_limit_sqrt3/n"]["value"], rel=0.05)


# ── independent: scipy and statsmodels ─────────────────────────────────────


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 9, 16, 30, 120, 1000])
@pytest.mark.parametrize("p", [0.025, 0.5, 0.9, 0.975, 0.995, 0.9995])
def test_quantiles(freedom, p):
    assert student_quantile(p, freedom) == pytest.approx(scipy.stats.t.ppf(p, freedom), rel=1e-6, abs=1e-6)
    assert chi_square_quantile(p, freedom) == pytest.approx(scipy.stats.chi2.ppf(p, freedom), rel=1e-6)


@given(st.lists(st.lists(readings, min_size=2, max_size=6), min_size=2, max_size=8))
def test_within_subject_sd_is_the_residual_of_an_analysis_of_variance(rows):
    """Independent: statsmodels' ordinary least squares with one level a subject, unequal numbers allowed."""
    import statsmodels.api as sm

    values = np.concatenate(rows)
    subjects = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
    fitted = sm.OLS(values, np.equal.outer(subjects, np.arange(len(rows))).astype(float)).fit()
    got = repeatability(rows)
    assert got.freedom == fitted.df_resid
    assert got.within_subject_sd == pytest.approx(math.sqrt(max(fitted.mse_resid, 0.0)), abs=1e-6)
    low, high = (
        math.sqrt(got.within_subject_sd**2 * got.freedom / scipy.stats.chi2.ppf(p, got.freedom)) for p in (0.975, 0.025)
    )
    assert (got.low, got.high) == pytest.approx((low, high), rel=1e-6, abs=1e-9)


def test_intraclass_by_statsmodels():
    import pandas as pd
    from statsmodels.formula.api import ols

    rows = case("l-cmp-01")["rows"]
    table = pd.DataFrame([(i, v) for i, row in enumerate(rows) for v in row], columns=["subject", "reading"])
    squares = anova_lm(ols("reading ~ C(subject)", data=table).fit())["mean_sq"]
    between, inside, k = squares.iloc[0], squares.iloc[1], len(rows[0])
    assert intraclass(rows) == pytest.approx((between - inside) / (between + (k - 1) * inside))


@given(st.lists(st.tuples(readings, readings), min_size=3, max_size=30))
def test_agreement_by_scipy(pairs):
    first, second = [p[0] for p in pairs], [p[1] for p in pairs]
    got = agreement(first, second)
    d = np.subtract(first, second)
    low, high = scipy.stats.t.interval(0.95, len(d) - 1, loc=d.mean(), scale=max(scipy.stats.sem(d), 1e-300))
    assert (got.bias_low, got.bias_high) == pytest.approx((low, high), abs=1e-6)
    other = agreement(second, first)
    assert (other.bias, other.lower, other.upper) == pytest.approx((-got.bias, -got.upper, -got.lower), abs=1e-9)


@pytest.mark.parametrize(
    ("n", "limit"), [(3, 1.155), (4, 1.481), (5, 1.715), (6, 1.887), (7, 2.020), (8, 2.126), (10, 2.290), (20, 2.709)]
)
def test_grubbs_limits(n, limit):
    """Two-sided 5 % limits of Grubbs 1969 (Technometrics 11: 1-21), as commonly tabled (from memory)."""
    assert grubbs([float(i) for i in range(n)]).limit == pytest.approx(limit, abs=0.002)


def test_grubbs_finds_the_slip():
    got = grubbs([31.5, 31.5, 32.0, 31.5, 36.0])
    assert (got.place, got.value, got.outlying) == (4, 36.0, True)
    assert not grubbs([31.5, 31.5, 32.0]).outlying  # two equal readings must not condemn the third
    assert grubbs([31.5, 31.5, 31.5, 32.0]).outlying
    assert not grubbs([31.5, 31.5, 31.5, 32.0], least=1.0).outlying  # half a millimetre is one step of the rule
    assert not grubbs([31.5, 31.5, 31.5]).outlying


def test_too_few_and_unequal():
    with pytest.raises(TooFew, match="at least 2"):
        repeatability([[31.5], [32.0]])
    with pytest.raises(TooFew):
        agreement([1, 2], [1, 2])
    with pytest.raises(TooFew):
        grubbs([1, 2])
    with pytest.raises(OutOfRange, match="as many readings"):
        agreement([1, 2, 3], [1, 2])
    with pytest.raises(NotFinite, match=r"readings\[1\]\[0\]"):
        repeatability([[1, 2], [float("nan"), 2]])
    with pytest.raises(OutOfRange, match="all readings are the same"):
        intraclass([[1, 1], [1, 1]])
