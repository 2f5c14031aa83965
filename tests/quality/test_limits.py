"""Verdicts at and around the limits."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.core.errors import SettingError
from daq.quality.limits import Rounding, Verdict, as_reported, judge, rounded

ROUNDED = Rounding.ROUNDED


@pytest.mark.parametrize(
    ("value", "low", "high", "verdict"),
    [
        (900.0, 900, 1100, "within"),
        (1100.0, 900, 1100, "within"),
        (math.nextafter(1100.0, math.inf), 900, 1100, "outside"),
        (math.nextafter(900.0, 0.0), 900, 1100, "outside"),
        (0.3, None, "0.3", "within"),
        (0.1 + 0.2, None, "0.3", "outside"),
        (5.0, 1.0, None, "within"),
        (5.0, None, None, "none"),
        (None, 1.0, 2.0, "none"),
        (math.nan, 1.0, 2.0, "none"),
        (math.inf, 1.0, 2.0, "none"),
    ],
)
def test_unrounded(value, low, high, verdict):
    assert judge(value, low, high) == Verdict(verdict)


@pytest.mark.parametrize(
    ("value", "decimals", "low", "high", "verdict"),
    [
        (1100.4, 0, 900, 1100, "within"),
        (1100.5, 0, 900, 1100, "within"),  # the half goes to the even digit
        (1100.6, 0, 900, 1100, "outside"),
        (1101.5, 0, 900, 1101, "outside"),
        (2.675, 2, None, "2.68", "within"),  # as a person reads it, though the float is below 2.675
        (0.05, 1, "0.0", "0.0", "within"),
        (-0.04, 1, 0, None, "within"),
        (1149.9, -2, None, 1100, "within"),
        (1150.0, -2, None, 1100, "outside"),
    ],
)
def test_rounded_as_reported(value, decimals, low, high, verdict):
    assert judge(value, low, high, rule=ROUNDED, decimals=decimals) == Verdict(verdict)


@given(value=st.floats(-1e12, 1e12), low=st.floats(-1e12, 1e12), width=st.floats(0, 1e12))
def test_unrounded_is_the_comparison_of_the_exact_numbers(value, low, width):
    high = low + width
    inside = Fraction(low) <= Fraction(value) <= Fraction(high)
    assert (judge(value, low, high) == Verdict.WITHIN) == inside


@given(value=st.floats(allow_nan=False, allow_infinity=False), decimals=st.integers(-3, 8))
def test_rounding_moves_by_at_most_half_a_place_and_can_be_read(value, decimals):
    out = rounded(value, decimals)
    assert abs(Fraction(out) - Fraction(repr(value))) <= Fraction(10) ** -decimals / 2
    text = as_reported(value, decimals)
    assert "E" not in text
    assert text != "-0"
    assert Fraction(text) == Fraction(out)


def test_texts():
    assert as_reported(1023.456, 1) == "1023.5"
    assert as_reported(1250, -2) == "1200"
    assert as_reported(-0.001, 1) == "0.0"
    assert as_reported("12.30", 2) == "12.30"


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: judge(1.0, 2.0, 1.0),
        lambda: judge(1.0, "two", None),
        lambda: judge(1.0, math.nan, None),
        lambda: judge(1.0, 0.0, 2.0, rule=ROUNDED),
    ],
)
def test_wrong_limits_are_errors(wrong):
    with pytest.raises(SettingError):
        wrong()
