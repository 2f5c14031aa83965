"""Quantiles against printed tables and scipy."""

import math
import subprocess
import sys

import pytest
from scipy.special import ndtri, stdtrit

from daq.rheology.elementary import ArgumentError
from daq.rheology.student import normal_quantile, student_quantile
from daq.rheology.uncertainty import bounded_share, combine, coverage_factor, from_limit, from_readings

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


@pytest.mark.parametrize("p", [1e-9, 0.01, 0.025, 0.3, 0.5, 0.7, 0.975, 0.9999, 1 - 1e-9])
def test_normal_as_scipy(p):
    assert normal_quantile(p) == pytest.approx(float(ndtri(p)), rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(("call", "key"), [
    (lambda: normal_quantile(0.0), "p"), (lambda: normal_quantile(1.0), "p"), (lambda: normal_quantile(math.nan), "p"),
    (lambda: student_quantile(0.975, 0), "dof"),
])  # fmt: skip
def test_what_has_no_quantile_is_refused(call, key):
    with pytest.raises(ArgumentError) as caught:
        call()
    assert caught.value.key == key


def test_a_budget_needs_neither_numpy_nor_scipy():
    code = (
        "import sys; from daq.rheology.uncertainty import *\n"
        "combine([from_limit('a', 1.0), from_readings('b', 1.0, 10, 0.5)])\n"
        "assert not {'numpy', 'scipy'} & set(sys.modules), 'loaded'"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_truncation_of_the_degrees_of_freedom():
    # JCGM 100 G.4.1 note 1: 6.25 counts as 6.
    assert coverage_factor(6.25) == student_quantile(0.975, 6)
    assert coverage_factor(0.4) == student_quantile(0.975, 1)
    assert coverage_factor(math.inf) == normal_quantile(0.975)


def test_share_of_the_terms_known_by_limits():
    # u: 3/sqrt(3) = 1.7321 (squared 3) and 1/sqrt(1) (readings, squared 1): three quarters.
    budget = combine([from_limit("a", 3.0), from_readings("b", 2.0, 4)])
    assert bounded_share(budget.components) == pytest.approx(0.75)
    assert bounded_share([from_readings("b", 0.0, 4)]) == 0.0
