"""Guard bands and the risk of false acceptance.

The worked examples are those of JCGM 106:2012 as remembered: the numbers were typed from memory, not from the document.
"""

import math
import random
from decimal import Decimal

import pytest

from daq.core.errors import SettingError
from daq.quality.guardbands import judge_guarded, probability_outside
from daq.quality.limits import Verdict


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "conformance"),
    [
        # JCGM 106:2012, 7.3, example with one lower limit: bursting pressure of a container, kPa.
        (509.7, 8.6, 490.0, None, 0.99),
        # JCGM 106:2012, 7.3, example with one upper limit: breakdown voltage of a diode, V.
        (-5.47, 0.05, None, -5.40, 0.92),
        # JCGM 106:2012, 7.4, example with two limits: a resistor, Ohm; 0.998 - 0.059.
        (1499.94, 0.09, 1499.8, 1500.2, 0.94),
    ],
)
def test_conformance_probabilities_of_the_worked_examples(value, u, low, high, conformance):
    assert round(1.0 - probability_outside(value, u, low, high), 2) == conformance


@pytest.mark.parametrize(("conformance", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_table_of_one_sided_conformance(conformance, z):
    """JCGM 106:2012, 7.3, table 1: z = (TU - y)/u at which a value conforms with this probability, two decimals."""
    near = [1.0 - probability_outside(10.0 - dz, 1.0, None, 10.0) for dz in (z - 0.005, z + 0.005)]
    assert near[0] <= conformance <= near[1]


@pytest.mark.parametrize(("factor", "risk"), [(1.0, 0.025), (0.83, 0.05), (1.5, 0.0016)])
def test_a_guard_band_bounds_the_risk(factor, risk):
    """ILAC-G8:09/2019, table 1 (from memory): guard bands of 1 U, 0.83 U and 1.5 U with U = 2 u, one limit."""
    u, limit = 3.0, 500.0
    accepted = limit - factor * 2.0 * u
    assert judge_guarded(accepted, None, limit, factor * 2.0 * u).verdict is Verdict.WITHIN
    assert probability_outside(accepted, u, None, limit) < risk
    assert probability_outside(accepted, u, None, limit) > 0.8 * risk


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (104.9, "undecided"), (105.0, "within"), (195.0, "within"), (195.1, "undecided"), (205.0, "undecided"),
        (205.1, "outside"), (95.0, "undecided"), (94.9, "outside"), (None, "none"),
    ],
)  # fmt: skip
def test_both_ends_of_the_guard_bands(value, verdict):
    found = judge_guarded(value, 100, 200, "5")
    assert (found.verdict, found.low, found.high) == (verdict, Decimal(105), Decimal(195))


@pytest.mark.parametrize(("value", "verdict"), [(0.3, "within"), (math.nextafter(0.3, 1.0), "undecided")])
def test_the_comparison_is_decimal(value, verdict):
    # In binary arithmetic 0.4 - 0.1 is 0.30000000000000004.
    assert judge_guarded(value, None, 0.4, 0.1).verdict == verdict


def test_guard_bands_only_take_away():
    """Against simple acceptance with the same limits, no guard band makes an outside value within, nor the reverse."""
    rng = random.Random(1)
    seen = set()
    for _ in range(3000):
        low = rng.uniform(-10.0, 10.0)
        limits = rng.choice([(low, None), (None, low), (low, low + rng.uniform(0.0, 5.0))])
        value, guard_band = low + rng.gauss(0.0, 3.0), rng.choice([0.0, rng.uniform(0.0, 4.0)])
        simple = judge_guarded(value, *limits, 0.0).verdict
        found = judge_guarded(value, *limits, guard_band).verdict
        seen.add((simple.value, found.value))
        assert found in (simple, Verdict.UNDECIDED)
        assert (simple is Verdict.WITHIN) == (
            (limits[0] is None or value >= limits[0]) and (limits[1] is None or value <= limits[1])
        )
    assert {("within", "undecided"), ("outside", "undecided"), ("within", "within"), ("outside", "outside")} <= seen


def test_the_risk_of_accepted_values_by_trials():
    """Of values accepted at the guard_band limit, the share whose true value is outside is the one that is stated."""
    rng = random.Random(2)
    for guard_band in (0.0, 0.5, 1.0):
        value, u = 10.0 - guard_band, 1.0
        outside = sum(rng.gauss(value, u) > 10.0 for _ in range(40_000)) / 40_000
        assert outside == pytest.approx(probability_outside(value, u, None, 10.0), abs=4 * 0.5 / 200)


def test_small_risks_keep_their_digits():
    # 1 - Phi(8) = 6.22e-16 (Abramowitz and Stegun, table 26.1), which 1 - p in double precision would lose.
    assert probability_outside(0.0, 1.0, None, 8.0) == pytest.approx(6.22e-16, rel=1e-3)
    assert probability_outside(0.0, 0.0, None, 8.0) == 0.0
    assert probability_outside(9.0, 0.0, None, 8.0) == 1.0
    assert probability_outside(8.0, 0.0, None, 8.0) == 0.0


@pytest.mark.parametrize(
    "bad",
    [
        lambda: judge_guarded(1.0, 2.0, 1.0, 0.1),
        lambda: judge_guarded(1.0, 0.0, 1.0, -0.1),
        lambda: judge_guarded(1.0, 0.0, math.nan, 0.1),
        lambda: judge_guarded(math.nan, 0.0, 1.0, 0.1),
        lambda: judge_guarded(1.0, Decimal("NaN"), 1.0, 0.1),
        lambda: judge_guarded(1.0, 0.0, "one", 0.1),
        lambda: judge_guarded(1.0, 0.0, 1.0, math.inf),
        lambda: probability_outside(math.nan, 1.0, 0.0, 1.0),
        lambda: probability_outside(1.0, -1.0, 0.0, 1.0),
        lambda: probability_outside(1.0, math.inf, 0.0, 1.0),
        lambda: probability_outside(1.0, 1.0, 2.0, 1.0),
    ],
)
def test_wrong_numbers_are_refused(bad):
    with pytest.raises(SettingError):
        bad()
