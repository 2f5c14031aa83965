"""The digits of a value with an uncertainty: the one place where `value ± U` becomes text (JCGM 100 7.2.6).

U has two significant digits, and the value ends at the last digit of U.  Stored values are not rounded.
"""

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Final

from daq.core.arguments import require_count, require_finite, require_positive
from daq.core.errors import ArgumentError, SettingError
from daq.quality.limits import MOST_DECIMALS, as_reported, decimal_of

SHOWN_ID: Final = 8
"""Number of characters of a run's id that a message, a statement or a table shows."""
NOTHING: Final = "-"
"""Shown in the place of a value that does not exist."""
DIGITS: Final = 2
"""Significant digits of an uncertainty."""
MOST_DIGITS: Final = 17
"""Significant digits of a float."""
PLAIN: Final = range(-5, 9)
"""Powers of ten of numbers that are written without an exponent."""


def _given(name: str, x: float | None) -> float | None:
    """Return a number; None for None and for one that is not finite.

    Raises:
        ArgumentError: it is no number.
    """
    if x is None:
        return None
    if isinstance(x, bool) or not isinstance(x, int | float):
        raise ArgumentError(f"must be a number, is {x!r}", key=name)
    try:
        found = float(x)
    except OverflowError:
        return None
    return found if math.isfinite(found) else None


def _interval(expanded: float | None) -> float | None:
    """Return an expanded uncertainty; None where it is unknown or not above 0."""
    found = _given("expanded", expanded)
    return found if found is not None and found > 0.0 else None


def _rounded(value: float, digits: int) -> Decimal:
    """Return a number in `digits` significant digits; a half of its decimal number goes to the even digit.

    Python's formats round the binary number.
    """
    return Context(prec=digits, rounding=ROUND_HALF_EVEN).plus(decimal_of(value))


def _with_exponent(value: float, digits: int) -> str:
    return f"{float(_rounded(value, digits)):.{digits - 1}e}"


def number(value: float | None, digits: int = 4) -> str:
    """Return a number in `digits` significant digits, without exponent from 0.00001 to 999,999,999.

    Halves are rounded as those of a reported value.  None and a number that is not finite are `NOTHING`.

    Raises:
        ArgumentError: the value is no number, or there are no digits.
    """
    require_count("digits", digits, 1, MOST_DIGITS, "digits")
    given = _given("value", value)
    if given is None:
        return NOTHING
    if given == 0.0:
        return "0"
    if decimal_of(given).adjusted() not in PLAIN:
        return _with_exponent(given, digits)
    # Rounding can add a digit: 99.996 becomes 100.0.
    return as_reported(given, max(0, digits - 1 - _rounded(given, digits).adjusted()))


def as_set(value: float) -> str:
    """Return a number that a person set, such as a limit, with all of its digits.

    The rounding error of a unit conversion is left out (12 digits).

    Raises:
        ArgumentError: the value is no number, or not finite.
    """
    require_finite("value", value)
    return f"{value:.12g}"


def significant(value: float | None, digits: int) -> str:
    """Return a number with no more than `digits` significant digits, before the decimal point too.

    None and a number that is not finite are `NOTHING`.

    Raises:
        ArgumentError: the value is no number, or there are no digits.
    """
    require_count("digits", digits, 1, MOST_DIGITS, "digits")
    given = _given("value", value)
    return NOTHING if given is None else number(float(_rounded(given, digits)), digits)


def is_interval(expanded: float | None) -> bool:
    """Return whether an expanded uncertainty can round a value: known, finite and above 0.

    Raises:
        ArgumentError: it is no number.
    """
    return _interval(expanded) is not None


def decimals_for(expanded: float) -> int:
    """Return the decimals of the last digit of an expanded uncertainty > 0: 2 for 0.17, 0 for 17, -1 for 170.

    Raises:
        ArgumentError: it is not above 0 and finite.
    """
    require_positive("expanded", expanded)
    # Rounding first: 0.0996 is 0.10, whose last digit is the second decimal.
    return DIGITS - 1 - _rounded(float(expanded), DIGITS).adjusted()


def uncertain(expanded: float | None) -> str:
    """Return an uncertainty in two significant digits, before the decimal point too: 142 is 140.

    An unknown one is `NOTHING`.

    Raises:
        ArgumentError: it is no number.
    """
    half = _interval(expanded)
    return NOTHING if half is None else significant(half, DIGITS)


def within(value: float | None, expanded: float | None, digits: int = 4) -> str:
    """Return a value that ends at the last digit of its expanded uncertainty.

    Args:
        value: the value; None or not finite: `NOTHING`.
        expanded: in the unit of the value; None, not finite or 0: unknown.
        digits: significant digits where the uncertainty is unknown.

    Raises:
        ArgumentError: value or uncertainty is no number, or there are no digits.
    """
    require_count("digits", digits, 1, MOST_DIGITS, "digits")
    given, half = _given("value", value), _interval(expanded)
    if given is None or half is None:
        return number(given, digits)
    if math.floor(math.log10(max(abs(given), half))) in PLAIN:
        return as_reported(given, decimals_for(half))
    return _with_exponent(given, supported(given, half, MOST_DIGITS))


def to_place(value: float | None, decimals: int) -> str:
    """Return a value that ends at a decimal place; negative `decimals` are tens, hundreds.

    None and a number that is not finite are `NOTHING`.

    Raises:
        ArgumentError: the value is no number, or the decimals are no whole number from -300 to 300.
    """
    require_count("decimals", decimals, -MOST_DECIMALS, MOST_DECIMALS, "decimals")
    given = _given("value", value)
    if given is None:
        return NOTHING
    unit = 10.0**-decimals
    if math.floor(math.log10(max(abs(given), unit))) in PLAIN:
        return as_reported(given, decimals)
    digits = decimals + math.floor(math.log10(max(abs(given), unit))) + 1
    return _with_exponent(given, min(max(digits, 1), MOST_DIGITS))


def interval_text(value: float | None, expanded: float | None, unit: str = "") -> str:
    """Return ``value ± U`` with its unit behind each; the value alone where U is unknown.

    Raises:
        ArgumentError: value or uncertainty is no number.
    """
    shown = f"{within(value, expanded)} {unit}".rstrip()
    return f"{shown} ± {uncertain(expanded)} {unit}".rstrip() if is_interval(expanded) else shown


def supported(value: float | None, expanded: float | None, most: int = 4) -> int:
    """Return how many significant digits of `value` its expanded uncertainty supports: from 1 to `most`.

    It is `most` where the value or its uncertainty is unknown.

    Raises:
        ArgumentError: value or uncertainty is no number, or `most` is below 1.
    """
    require_count("most", most, 1, MOST_DIGITS, "digits")
    given, half = _given("value", value), _interval(expanded)
    if half is None or not given:
        return most
    return min(max(decimals_for(half) + math.floor(math.log10(abs(given))) + 1, 1), most)


def not_finer(reported: str, value: float | None, expanded: float | None) -> str:
    """Return a number as reported, or the value rounded to its uncertainty where the reported one has more decimals.

    Raises:
        ArgumentError: one of them is no number.
    """
    half = _interval(expanded)
    if not isinstance(reported, str):
        raise ArgumentError(f"must be a text, is {reported!r}", key="reported")
    if half is None:
        return reported
    try:
        decimals = -int(decimal_of(reported, "reported").as_tuple().exponent)
    except SettingError as error:
        raise ArgumentError(error.reason, key="reported") from None
    return reported if decimals <= decimals_for(half) else within(value, half)
