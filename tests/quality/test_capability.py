"""Intervals of capability indices: published examples, and coverage by simulation with fixed seeds."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from daq.quality.capability import capability, cp_interval, cpk_interval, one_sided_interval
from daq.quality.chisquare import chi_square_quantile


def test_the_interval_of_cp_is_that_of_the_published_example():
    # D. C. Montgomery, Introduction to Statistical Quality Control: n = 20, s = 1.75, limits 38 and 62.
    found = capability(50.0, 1.75, 38.0, 62.0)
    assert found.cp == pytest.approx(2.29, abs=0.005)
    assert cp_interval(2.29, 20) == pytest.approx((1.57, 3.01), abs=0.006)


def test_the_interval_of_cpk_is_that_of_a_published_example():
    # Quality Digest, May 2000, "The last word": 45 parts with Cpk 1.15.
    assert cpk_interval(1.15, 45) == pytest.approx((0.89, 1.41), abs=0.005)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "coverage"), [(20, 0.95), (50, 0.9)])
def test_the_intervals_hold_the_true_index(n, coverage):
    rng = np.random.default_rng(n)
    x = rng.normal(0.5, 1.0, (2000, n))
    found = [capability(float(a.mean()), float(a.std(ddof=1)), -4.0, 4.0) for a in x]
    for true, intervals, allowed in (
        (4 / 3, [cp_interval(c.cp, n, coverage) for c in found], 0.02),
        # Bissell's interval is an approximation.
        (3.5 / 3, [cpk_interval(c.cpk, n, coverage) for c in found], 0.025),
        # Four standard deviations of a share near 0.9 of 300.
        (3.5 / 3, [one_sided_interval(c.cpu, n, coverage) for c in found[:300]], 0.07),
    ):
        share = sum(low <= true <= high for low, high in intervals) / len(intervals)
        assert share == pytest.approx(coverage, abs=allowed)


def probability_below(t, dof, shift):
    """Return P(T <= t) = E[Phi(t S - shift)], S^2 dof chi-square."""

    def part(p):
        return stats.norm.cdf(t * math.sqrt(stats.chi2.ppf(p, dof) / dof) - shift)

    return integrate.quad(part, 0.0, 1.0, limit=100, epsabs=1e-7, points=[0.01, 0.1, 0.5, 0.9, 0.99])[0]


@pytest.mark.parametrize("n", [2, 5, 300])
@pytest.mark.parametrize("index", [-0.7, 0.0, 1.0, 9.9])
def test_the_ends_of_a_one_sided_interval_leave_the_stated_tails(n, index):
    low, high = one_sided_interval(index, n)
    scale = 3.0 * math.sqrt(n)
    # The definition of the non-central t distribution, integrated adaptively.
    above = 1.0 - probability_below(scale * index, n - 1, scale * low)
    assert above == pytest.approx(0.025, abs=1e-5)
    assert probability_below(scale * index, n - 1, scale * high) == pytest.approx(0.025, abs=1e-5)


@pytest.mark.parametrize("index", [-1e6, -1e3, -5.0, 1e-9, 60.0, 1e4, 1e6])
@pytest.mark.parametrize("n", [2, 3, 30, 10**5])
def test_intervals_of_unusual_indices_are_finite_and_hold_the_estimate(index, n):
    for low, high in (one_sided_interval(index, n), cpk_interval(index, n)):
        assert math.isfinite(low)
        assert low < index < high < math.inf


@pytest.mark.parametrize(
    ("dof", "upper", "tail", "expected"),
    [
        # NIST/SEMATECH e-Handbook 1.3.6.7.4, critical values of the chi-square distribution.
        (1, True, 0.05, 3.841),
        (2, True, 0.025, 7.378),
        (10, True, 0.01, 23.209),
        (24, True, 0.025, 39.364),
        (100, True, 0.001, 149.449),
        (1, False, 0.025, 0.001),
        (10, False, 0.05, 3.940),
        (24, False, 0.025, 12.401),
        (100, False, 0.001, 61.918),
    ],
)
def test_the_chi_square_quantiles_are_those_of_the_published_table(dof, upper, tail, expected):
    assert chi_square_quantile(dof, tail, upper=upper) == pytest.approx(expected, abs=0.0005)


def test_the_chi_square_quantiles_are_those_of_another_program():
    for dof in (*range(1, 45), 99, 500, 5000, 10**6):
        for tail in (1e-9, 1e-4, 0.005, 0.025, 0.3, 0.5, 0.9, 0.999):
            for upper, other in ((True, stats.chi2.isf), (False, stats.chi2.ppf)):
                found = chi_square_quantile(dof, tail, upper=upper)
                assert found == pytest.approx(other(tail, dof), rel=1e-9), (dof, tail, upper)
