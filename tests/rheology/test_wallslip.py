"""Two gaps: slip is found where it was put in, its speed is that put in, and without slip there is no sign.

Apparent rate with slip at both walls of plates: rate + 2 v/h (Mooney 1931; Yoshimura and Prud'homme 1988).
"""

import math
import random

import pytest

from daq.rheology.elementary import ArgumentError
from daq.rheology.flowcurves.wallslip import GapCurve, compare_gaps


def curve(gap, stresses, *, k=2.0, n=0.6, slip=0.0, m=1.0, u=0.01, noise=None):
    """Return the apparent curve of stress = k rate^n with slip speed `slip` stress^m (m/s)."""
    rates = [(s / k) ** (1.0 / n) + 2.0 * slip * s**m / gap for s in stresses]
    if noise is not None:
        rates = [g * math.exp(noise) for g in rates]
    return GapCurve(gap, tuple(stresses), tuple(rates), u)


def spaced(low, high, count):
    return [low * (high / low) ** (i / (count - 1)) for i in range(count)]


def test_the_slip_speed_and_the_rate_are_those_put_in():
    # One stress interval, so that nothing is interpolated at its ends; the middle is in both curves.
    stresses = [5.0, 10.0, 20.0]
    slip = 1e-4
    found = compare_gaps(curve(0.5e-3, stresses, slip=slip), curve(1.0e-3, stresses, slip=slip))
    assert found.verdict == "slip"
    assert found.stress == pytest.approx(10.0)
    assert found.slip_speed == pytest.approx(slip * 10.0, rel=1e-9)
    assert found.rate == pytest.approx((10.0 / 2.0) ** (1 / 0.6), rel=1e-9)
    true = (10.0 / 2.0) ** (1 / 0.6)
    narrow, wide = true + 2 * slip * 10.0 / 0.5e-3, true + 2 * slip * 10.0 / 1.0e-3
    assert found.difference == pytest.approx(wide / narrow - 1.0, rel=1e-9)


def test_a_difference_in_the_other_direction_is_no_slip():
    a, b = curve(0.5e-3, [5.0, 20.0], k=3.0), curve(1.0e-3, [5.0, 20.0])
    assert compare_gaps(a, b).verdict == "other"
    assert compare_gaps(curve(0.5e-3, [5.0, 20.0]), curve(1.0e-3, [5.0, 20.0])).verdict == "none"


def test_a_difference_at_a_part_of_the_stresses_is_no_sign():
    # The narrow curve crosses the wide one.
    wide = GapCurve(1e-3, (5.0, 20.0), (5.0, 20.0), 0.01)
    narrow = GapCurve(0.5e-3, (5.0, 20.0), (5.0, 40.0), 0.01)
    assert compare_gaps(narrow, wide).verdict == "none"


def test_curves_without_a_common_stress_are_not_compared():
    assert compare_gaps(curve(0.5e-3, [5.0, 10.0]), curve(1.0e-3, [10.0, 20.0])) is None
    assert compare_gaps(curve(0.5e-3, [5.0, 10.0]), curve(1.0e-3, [15.0, 20.0])) is None


@pytest.mark.parametrize("seed", range(5))
def test_generated_fluids_with_and_without_slip(seed):
    """Without slip at most 5 % of the pairs have a sign, with slip of six uncertainties nearly all have."""
    rng = random.Random(seed)
    false = found = 0
    runs = 300
    for _ in range(runs):
        n, k, u = rng.uniform(0.3, 1.0), rng.uniform(0.1, 50.0), rng.uniform(0.005, 0.05)
        low = rng.uniform(1.0, 20.0)
        here = spaced(low, low * 8.0, rng.randrange(3, 9))
        there = spaced(low * 1.5, low * 12.0, rng.randrange(3, 9))
        gaps = sorted((rng.uniform(0.3e-3, 1e-3), rng.uniform(1.5e-3, 3e-3)))
        # An error of the viscosity by u is one of the rate at a given stress by u/n.
        errors = [rng.gauss(0.0, u / n) for _ in gaps]
        plain = compare_gaps(
            curve(gaps[0], here, k=k, n=n, u=u, noise=errors[0]), curve(gaps[1], there, k=k, n=n, u=u, noise=errors[1])
        )
        false += plain.verdict == "slip"
        # Slip that adds to the rate in the narrow gap twelve uncertainties of it, at the least rate.
        most = (here[-1] / k) ** (1.0 / n)
        slip = 12.0 * u / n * most * gaps[0] / 2.0 / here[0]
        with_slip = compare_gaps(
            curve(gaps[0], here, k=k, n=n, u=u, slip=slip, noise=errors[0]),
            curve(gaps[1], there, k=k, n=n, u=u, slip=slip, noise=errors[1]),
        )
        found += with_slip.verdict == "slip"
    assert false <= 0.05 * runs
    assert found >= 0.9 * runs


@pytest.mark.parametrize(
    "bad",
    [
        lambda: GapCurve(0.0, (1.0, 2.0), (1.0, 2.0), 0.01),
        lambda: GapCurve(math.nan, (1.0, 2.0), (1.0, 2.0), 0.01),
        lambda: GapCurve(1e-3, (1.0,), (1.0,), 0.01),
        lambda: GapCurve(1e-3, (2.0, 1.0), (1.0, 2.0), 0.01),
        lambda: GapCurve(1e-3, (1.0, 2.0), (1.0, 1.0), 0.01),
        lambda: GapCurve(1e-3, (1.0, 2.0), (-1.0, 1.0), 0.01),
        lambda: GapCurve(1e-3, (1.0, math.inf), (1.0, 2.0), 0.01),
        lambda: GapCurve(1e-3, (1.0, 2.0, 3.0), (1.0, 2.0), 0.01),
        lambda: GapCurve(1e-3, (1.0, 2.0), (1.0, 2.0), -0.01),
        lambda: GapCurve(1e-3, (1.0, 2.0), (1.0, 2.0), math.nan),
        lambda: compare_gaps(curve(2e-3, [5.0, 20.0]), curve(1e-3, [5.0, 20.0])),
    ],
)
def test_wrong_curves_are_refused(bad):
    with pytest.raises(ArgumentError):
        bad()
