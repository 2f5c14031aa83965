"""Quantiles of Student's t, compared with a printed table and scipy."""

import math

import pytest
from scipy import stats
from scipy.special import stdtrit

from daq.core.errors import SettingError
from daq.core.student import student_quantile, t_975

# JCGM 100:2008 table G.2: t for p = 95 % (two-sided) and 99 %, by degrees of freedom; from memory.
TABLE_G2 = {1: (12.71, 63.66), 2: (4.30, 9.92), 3: (3.18, 5.84), 4: (2.78, 4.60), 5: (2.57, 4.03), 8: (2.31, 3.36),
            10: (2.23, 3.17), 16: (2.12, 2.92), 20: (2.09, 2.85), 50: (2.01, 2.68), 100: (1.984, 2.626)}  # fmt: skip


@pytest.mark.parametrize("dof", TABLE_G2)
def test_the_printed_table(dof):
    digits = 3 if dof == 100 else 2
    assert tuple(round(student_quantile(p, dof), digits) for p in (0.975, 0.995)) == TABLE_G2[dof]


@pytest.mark.parametrize("p", [0.6, 0.9, 0.975, 0.995, 0.9995, 0.025])
@pytest.mark.parametrize("dof", [1, 2, 3, 4, 5, 6, 7, 15, 16, 99, 100, 500, 1999, 2000, 2001, 10**6])
def test_as_scipy(p, dof):
    assert student_quantile(p, dof) == pytest.approx(float(stdtrit(dof, p)), rel=1e-11)


@pytest.mark.parametrize(("call", "key"), [
    (lambda: student_quantile(0.0, 5), "p"), (lambda: student_quantile(1.0, 5), "p"),
    (lambda: student_quantile(math.nan, 5), "p"), (lambda: student_quantile(0.975, 0), "dof"),
])  # fmt: skip
def test_arguments_without_a_quantile_are_refused(call, key):
    with pytest.raises(SettingError) as caught:
        call()
    assert caught.value.key == key


@pytest.mark.parametrize("df", [*range(4, 40), 4.5, 7.3, 11.9, 100, 1e4])
def test_students_t_is_within_two_tenths_of_a_percent_of_scipy(df):
    assert t_975(df) == pytest.approx(stats.t.ppf(0.975, df), rel=2e-3)


@pytest.mark.parametrize("df", [0.5, 1.0, 1.7, 2.0, 2.9, 3.0, 3.99])
def test_few_degrees_of_freedom_never_give_too_small_a_quantile(df):
    exact = stats.t.ppf(0.975, max(df, 1.0))
    assert t_975(df) >= exact * (1 - 1e-4)
