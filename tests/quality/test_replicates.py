"""Precision of groups against scipy, and the rule for a third result."""

import numpy as np
import pytest
from scipy import stats

from daq.core.errors import SettingError
from daq.quality.replicates import Outcome, critical_range, judge_replicates, precision, repeatability_factor


def test_analysis_of_variance_against_another_library():
    rng = np.random.default_rng(8)
    groups = [list(m + rng.standard_normal(k)) for m, k in ((10, 3), (11, 5), (9.5, 2), (10.4, 4))]
    p, theirs = precision(groups), stats.f_oneway(*groups)
    assert p.f == pytest.approx(theirs.statistic, rel=1e-11)
    assert (p.dof_between, p.dof_within) == (3, 10)


def test_components_of_variance_are_recovered():
    rng = np.random.default_rng(9)
    groups = [list(50 + 2.0 * rng.standard_normal() + 0.5 * rng.standard_normal(3)) for _ in range(4000)]
    p = precision(groups)
    assert p.s_r == pytest.approx(0.5, rel=0.02)
    assert p.s_between == pytest.approx(2.0, rel=0.03)
    assert p.s_R == pytest.approx(np.hypot(0.5, 2.0), rel=0.03)
    assert p.r_limit == pytest.approx(2.8 * p.s_r)


def test_equal_groups_have_no_variance_between():
    p = precision([[1.0, 2.0], [1.0, 2.0]])
    assert p.s_between == 0.0
    assert p.s_R == p.s_r
    assert precision([[1.0, 1.0], [2.0, 2.0]]).f == np.inf


def test_two_good_results_differ_by_more_than_the_limit_in_one_case_of_twenty():
    rng = np.random.default_rng(10)
    pairs = rng.standard_normal((100_000, 2))
    limit = repeatability_factor()
    assert np.mean(np.abs(pairs[:, 0] - pairs[:, 1]) > limit) == pytest.approx(0.05, abs=0.003)
    triples = rng.standard_normal((100_000, 3))
    assert np.mean(np.ptp(triples, axis=1) > critical_range(3, limit)) == pytest.approx(0.05, abs=0.003)


@pytest.mark.parametrize(
    ("values", "outcome", "value"),
    [
        ([1000.0, 1028.0], Outcome.MEAN, 1014.0),
        ([1000.0, 1028.1], Outcome.MORE, None),
        ([1000.0, 1030.0, 1008.0], Outcome.MEAN, 3038.0 / 3),
        ([1000.0, 1050.0, 1008.0], Outcome.MEDIAN, 1008.0),
        ([0.1, 0.1 + 28.0], Outcome.MEAN, 14.1),
    ],
)
def test_rule_for_a_third(values, outcome, value):
    a = judge_replicates(values, 28.0)
    assert a.outcome == outcome
    assert a.value == (None if value is None else pytest.approx(value))
    assert a.n == len(values)


def test_four_results_where_the_product_allows_them():
    assert judge_replicates([1000.0, 1050.0, 1008.0], 28.0, most=4).outcome == Outcome.MORE
    assert judge_replicates([1000.0, 1050.0, 1008.0, 1010.0], 28.0, most=4).value == 1009.0


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: judge_replicates([1.0], 1.0),
        lambda: judge_replicates([1.0, 2.0, 3.0, 4.0], 1.0),
        lambda: judge_replicates([1.0, np.inf], 1.0),
        lambda: judge_replicates([1.0, 2.0], 0.0),
        lambda: precision([[1.0, 2.0]]),
        lambda: precision([[1.0], [2.0]]),
        lambda: precision([[1.0, 2.0], []]),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()
