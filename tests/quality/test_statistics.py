"""Statistics against scipy.stats and against simulated error rates."""

import numpy as np
import pytest
from scipy import stats

from daq.core.errors import SettingError
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
    with pytest.raises(ValueError, match="not finite"):
        describe([1.0, np.nan])
