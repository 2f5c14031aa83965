"""Statistics against scipy.stats and against simulated error rates."""

import numpy as np
import pytest
from scipy import stats

from daq.core.errors import ArgumentError, SettingError
from daq.quality.distributions import range_below, range_moments, spacing_ratio_above
from daq.quality.statistics import (
    describe,
    dixon_critical,
    dixon_test,
    fit_line,
    grubbs_critical,
    grubbs_test,
    range_quantile,
    theil_sen,
)

RNG = np.random.default_rng(5)
X = np.sort(RNG.uniform(0, 100, 40))
Y = 3.0 - 0.2 * X + RNG.standard_normal(40)


def test_description():
    d = describe(list(Y))
    assert (d.mean, d.sd) == pytest.approx((Y.mean(), Y.std(ddof=1)), rel=1e-13)
    dev = Y - Y.mean()
    assert d.lag1 == pytest.approx(dev[1:] @ dev[:-1] / (dev @ dev), rel=1e-12)
    assert describe([3.0]).sd is None
    assert describe([2.0, 2.0]).lag1 is None


def test_line():
    ours, theirs = fit_line(list(X), list(Y)), stats.linregress(X, Y)
    assert (ours.slope, ours.intercept) == pytest.approx((theirs.slope, theirs.intercept), rel=1e-11)
    assert (ours.slope_se, ours.intercept_se) == pytest.approx((theirs.stderr, theirs.intercept_stderr), rel=1e-10)
    assert 2 * stats.t.sf(abs(ours.t), ours.dof) == pytest.approx(theirs.pvalue, rel=1e-8)
    assert ours.r_squared == pytest.approx(theirs.rvalue**2, rel=1e-10)
    perfect = fit_line([1, 2, 3], [2, 4, 6])
    assert perfect.t == np.inf
    assert perfect.lag1 is None
    assert fit_line([1, 2, 3], [2, 2, 2]).t == 0.0


def test_robust_line():
    y = Y.copy()
    y[[3, 17, 30]] += [80, -60, 90]
    ours, theirs = theil_sen(list(X), list(y)), stats.theilslopes(y, X, method="joint")
    assert (ours.slope, ours.intercept) == pytest.approx((theirs.slope, theirs.intercept), rel=1e-12)
    assert (ours.slope_low, ours.slope_high) == pytest.approx((theirs.low_slope, theirs.high_slope), rel=0.02)
    assert abs(ours.slope + 0.2) < 0.02
    assert theil_sen([1, 1, 2, 3], [0, 9, 1, 2]).slope == pytest.approx(1.0, abs=0.6)


def test_the_interval_of_a_robust_line_is_that_of_sen():
    """The data of the example in Sen 1968 (J. Am. Stat. Assoc. 63, 1379), from memory; its slope is 4.

    Ranks by hand for n = 7 without ties: N = 21, variance 7 * 6 * 19/18 = 44.33, C = 1.96 * 6.66 = 13.05 at 95 %; so the
    ends are the 3rd smallest and the 3rd largest slope ((21 - 13.05)/2 = 3.97, moved outwards).
    """
    x, y = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0], [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0]
    slopes = sorted((y[j] - y[i]) / (x[j] - x[i]) for i in range(7) for j in range(i + 1, 7))
    found = theil_sen(x, y)
    assert (found.slope, found.slope_low, found.slope_high) == (4.0, slopes[2], slopes[-3])


@pytest.mark.parametrize("seed", range(40))
def test_the_interval_of_a_robust_line_has_no_preferred_side(seed):
    """A line turned upside down has the interval turned upside down; scipy's ends differ by one rank at most."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(6, 40))
    x = np.sort(rng.choice(60, n, replace=seed % 2 == 0)).astype(float)
    y = 0.3 * x + rng.standard_t(3, n)
    up, down = theil_sen(list(x), list(y)), theil_sen(list(x), list(-y))
    assert (down.slope_low, down.slope_high) == pytest.approx((-up.slope_high, -up.slope_low), rel=1e-12)
    i, j = np.triu_indices(n, k=1)
    slopes = np.sort((y[j] - y[i]) / np.where(x[j] == x[i], np.nan, x[j] - x[i]))
    slopes = slopes[np.isfinite(slopes)]
    theirs = stats.theilslopes(y, x)
    for ours, other in ((up.slope_low, theirs.low_slope), (up.slope_high, theirs.high_slope)):
        assert abs(int(np.searchsorted(slopes, ours)) - int(np.searchsorted(slopes, other))) <= 1
    assert up.slope_low <= theirs.low_slope
    assert up.slope_high >= theirs.high_slope


@pytest.mark.slow
@pytest.mark.parametrize("n", [6, 8, 15, 30])
def test_the_interval_of_a_robust_line_covers_what_it_says(n):
    """Coverage by simulation, with its own 99.9 % interval; never below 95 %, although Sen's variance is approximate."""
    rng = np.random.default_rng(n)
    x, runs = np.arange(float(n)), 1500
    found = [theil_sen(list(x), list(2.0 * x + rng.standard_normal(n))) for _ in range(runs)]
    covered = sum(f.slope_low <= 2.0 <= f.slope_high for f in found)
    assert stats.binom.sf(runs - covered - 1, runs, 0.05) > 1e-3


def test_too_few_points_give_a_robust_line_without_an_interval():
    found = theil_sen([1.0, 2.0, 3.0], [1.0, 2.0, 4.0])
    assert (found.slope, found.slope_low, found.slope_high) == (1.5, None, None)


def test_range_of_normal_values():
    for n, w in ((2, 1.0), (4, 2.5), (9, 4.0)):
        assert range_below(w, n) == pytest.approx(stats.studentized_range.cdf(w, n, np.inf), abs=1e-6)
    # Factors f(n) printed in ISO 5725-6 table 1 (from memory): 2.8 3.3 3.6 3.9 4.0.
    assert [round(range_quantile(n), 1) for n in range(2, 7)] == [2.8, 3.3, 3.6, 3.9, 4.0]
    assert range_moments(2) == pytest.approx((2 / np.sqrt(np.pi), np.sqrt(2 - 4 / np.pi)), rel=1e-10)


def test_dixon_distribution_against_simulation():
    rng = np.random.default_rng(99)
    for n in (3, 5, 8, 20):
        s = np.sort(rng.standard_normal((200_000, n)), axis=1)
        q = np.maximum(s[:, 1] - s[:, 0], s[:, -1] - s[:, -2]) / (s[:, -1] - s[:, 0])
        for alpha in (0.10, 0.05):
            assert np.mean(q > dixon_critical(n, alpha)) == pytest.approx(alpha, abs=0.0025)
    assert spacing_ratio_above(0.0, 5) == pytest.approx(1.0, abs=1e-9)  # some value is lowest, with certainty


def test_grubbs_critical_value_against_simulation():
    rng = np.random.default_rng(98)
    for n in (4, 10):
        x = rng.standard_normal((200_000, n))
        g = np.max(np.abs(x - x.mean(axis=1, keepdims=True)), axis=1) / x.std(axis=1, ddof=1)
        assert np.mean(g > grubbs_critical(n)) == pytest.approx(0.05, abs=0.0025)


def test_outliers_are_named_not_dropped():
    values = [10.1, 10.0, 10.2, 13.0, 10.1]
    for test in (grubbs_test(values), dixon_test(values)):
        assert (test.index, test.value, test.is_outlier) == (3, 13.0, True)
    low = dixon_test([10.1, 10.0, 10.2, 7.0, 10.1])
    assert (low.index, low.is_outlier) == (3, True)
    assert not dixon_test([10.1, 10.0, 10.2, 10.3, 10.1]).is_outlier
    assert not grubbs_test([1.0, 1.0, 1.0]).is_outlier
    assert not dixon_test([1.0, 1.0, 1.0]).is_outlier


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: describe([]),
        lambda: grubbs_critical(2),
        lambda: dixon_critical(2),
        lambda: dixon_critical(31),
        lambda: grubbs_test([1.0, 2.0]),
        lambda: fit_line([1.0, 2.0], [1.0, 2.0]),
        lambda: fit_line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]),
        lambda: fit_line([1.0, 2.0, 3.0], [1.0, 2.0]),
        lambda: fit_line([1.0, 2.0, np.nan], [1.0, 2.0, 3.0]),
        lambda: theil_sen([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]),
        lambda: range_quantile(1),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()


def test_a_value_that_is_not_finite_is_refused():
    with pytest.raises(ArgumentError, match="values: all values must be finite, number 2 is nan"):
        describe([1.0, np.nan])
