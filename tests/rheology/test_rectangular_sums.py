"""The exact sum of rectangular quantities, with widths that differ by many orders of magnitude."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from tests.support.reference.rectangular_sums import half_width


def test_one_two_and_equal_widths_in_closed_form():
    assert half_width([2.0]) == pytest.approx(1.9, rel=1e-15)
    # Triangle on -2..2 and trapezium: the tail is a parabola.
    assert half_width([1.0, 1.0]) == pytest.approx(2.0 - math.sqrt(8.0 * 0.025), rel=1e-14)
    assert half_width([3.0, 1.0]) == pytest.approx(4.0 - math.sqrt(24.0 * 0.025), rel=1e-14)
    assert half_width([0.0, 2.0, 0.0]) == half_width([2.0])
    assert half_width([]) == 0.0


@pytest.mark.parametrize("small", [0.3, 1e-2, 1e-4, 1e-6, 1e-9, 1e-12, 1e-200])
@pytest.mark.parametrize("count", [2, 4, 6])
def test_widely_unequal_widths_against_the_perturbed_wide_one(small, count):
    """One wide and many narrow terms: P(wide + narrow <= x) is the mean over the narrow sum of (x - narrow + 1)/2.

    The mean of the narrow sum is 0, so that 0.95 holds exactly as long as the narrow terms reach no corner.
    """
    found = half_width([1.0] + [small] * count)
    if small * count < 0.05:
        assert found == pytest.approx(0.95, rel=1e-14)
    else:
        assert 0.95 < found < 1.0 + small * count


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_random_widths_against_a_convolution_on_a_grid(seed):
    """The characteristic function of the sum, a product of sin(a t)/(a t), inverted numerically (Gil-Pelaez 1951)."""
    rng = np.random.default_rng(seed)
    widths = np.append(10.0 ** rng.uniform(-5, 0, 4), 1.0)
    t = np.linspace(1e-7, 2e4, 4_000_001)
    phi = np.prod([np.sinc(a * t / np.pi) for a in np.append(widths, 0.7)], axis=0)

    def below(x):
        return 0.5 + np.trapezoid(np.sin(t * x) / t * phi, t) / np.pi

    exact = half_width([*widths, 0.7])
    assert below(exact) == pytest.approx(0.975, abs=2e-6)


def test_many_equal_widths_are_nearly_normal():
    assert half_width([1.0] * 10) == pytest.approx(stats.norm.ppf(0.975) * math.sqrt(10 / 3), rel=0.005)
    drawn = np.random.default_rng(1).uniform(-1, 1, (400_000, 10)).sum(axis=1)
    assert brentq(lambda h: np.mean(np.abs(drawn) <= h) - 0.95, 0, 10) == pytest.approx(
        half_width([1.0] * 10), rel=0.005
    )
