"""The digits of a value with an uncertainty: the one place where `value ± U` becomes text (JCGM 100 7.2.6).

U has two significant digits, and the value ends at the last digit of U.  Stored values are not rounded.
"""

import math
from typing import Final

from daq.quality.limits import as_reported, decimal_of

NOTHING: Final = "-"
"""Shown in the place of a value that does not exist."""
DIGITS: Final = 2
"""Significant digits of an uncertainty."""
MOST_DIGITS: Final = 17
"""Significant digits of a float."""
PLAIN: Final = range(-5, 9)
"""Powers of ten of numbers that are written without an exponent."""


def number(value: float | None, digits: int = 4) -> str:
    """Return a number in `digits` significant digits, without exponent from 0.00001 to 999,999,999."""
    if value is None or not math.isfinite(value):
        return NOTHING
    if value == 0.0:
        return "0"
    # Rounding can add a digit: 99.996 becomes 100.0.
    size = math.floor(math.log10(abs(float(f"{value:.{digits - 1}e}"))))
    if math.floor(math.log10(abs(value))) not in PLAIN:
        return f"{value:.{digits - 1}e}"
    return f"{value:.{max(0, digits - 1 - size)}f}"


def significant(value: float | None, digits: int) -> str:
    """Return a number with no more than `digits` significant digits, before the decimal point too."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return number(float(f"{value:.{digits - 1}e}"), digits)


def is_interval(expanded: float | None) -> bool:
    """Return whether an expanded uncertainty can round a value: finite and above 0."""
    return expanded is not None and math.isfinite(expanded) and expanded > 0.0


def decimals_for(expanded: float) -> int:
    """Return the decimals of the last digit of an expanded uncertainty > 0: 2 for 0.17, 0 for 17, -1 for 170."""
    # Rounding first: 0.0996 is 0.10, whose last digit is the second decimal.
    return DIGITS - 1 - math.floor(math.log10(float(f"{expanded:.{DIGITS - 1}e}")))


def uncertain(expanded: float | None) -> str:
    """Return an uncertainty in two significant digits, before the decimal point too: 142 is 140."""
    return significant(expanded, DIGITS) if is_interval(expanded) else NOTHING


def within(value: float | None, expanded: float | None, digits: int = 4) -> str:
    """Return a value that ends at the last digit of its expanded uncertainty.

    Args:
        value: the value.
        expanded: in the unit of the value; None or 0: unknown.
        digits: significant digits where the uncertainty is unknown.
    """
    if value is None or expanded is None or not is_interval(expanded) or not math.isfinite(value):
        return number(value, digits)
    decimals = decimals_for(expanded)
    larger = max(abs(value), expanded)
    if math.floor(math.log10(larger)) in PLAIN:
        return as_reported(value, decimals)
    shown = supported(value, expanded, MOST_DIGITS)
    return f"{float(as_reported(value, decimals)):.{shown - 1}e}"


def interval_text(value: float | None, expanded: float | None, unit: str = "", digits: int = 4) -> str:
    """Return ``value ± U`` with its unit behind each; the value alone where U is unknown."""
    shown = f"{within(value, expanded, digits)} {unit}".rstrip()
    return f"{shown} ± {uncertain(expanded)} {unit}".rstrip() if is_interval(expanded) else shown


def supported(value: float, expanded: float | None, most: int = 4) -> int:
    """Return how many significant digits of `value` its expanded uncertainty supports: from 1 to `most`."""
    if expanded is None or not is_interval(expanded) or value == 0.0 or not math.isfinite(value):
        return most
    place = math.floor(math.log10(abs(value)))
    return min(max(decimals_for(expanded) + place + 1, 1), most)


def not_finer(reported: str, value: float, expanded: float | None) -> str:
    """Return a number as reported, or the value rounded to its uncertainty where the reported one has more decimals."""
    if expanded is None or not is_interval(expanded):
        return reported
    decimals = -int(decimal_of(reported).as_tuple().exponent)
    return reported if decimals <= decimals_for(expanded) else within(value, expanded)
