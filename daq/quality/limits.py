"""Judge a value against limits in decimal arithmetic, both limits included (simple acceptance).

Either the unrounded value is compared, or the value rounded as it is reported (ASTM E29: absolute method and rounding
method).  The rounding is published with the verdict.
"""

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum
from typing import Final

from daq.core.arguments import ends, require_count, require_one_of, require_positive
from daq.core.errors import ArgumentError
from daq.core.units import as_written

Figure = float | int | str | Decimal
"""A number as computed (float) or as entered by a person (text, Decimal)."""


MAGNITUDES: Final = (-324, 308)
"""Powers of ten of the smallest and the greatest float."""
MOST_DECIMALS: Final = 300
"""Greatest number of decimals to which a number is rounded."""
_WIDE = Context(prec=700)
"""Precision for any float with any number of decimals."""


class Verdict(StrEnum):
    """Position of the reportable number relative to the limits."""

    WITHIN = "within"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"
    NOT_COMPARABLE = "not_comparable"
    NONE = "none"


class Rounding(StrEnum):
    """Value that is compared with the limits."""

    UNROUNDED = "unrounded"
    ROUNDED = "rounded"


def decimal_of(value: Figure, name: str = "value") -> Decimal:
    """Return the shortest decimal number that reads back as the same float (0.1 is 0.1), as a person sees it.

    Raises:
        ArgumentError: not a number, not finite, or of a magnitude that no float has.
    """
    if isinstance(value, bool) or not isinstance(value, (float, int, str, Decimal)):
        raise ArgumentError(f"must be a number, is {value!r:.60}", key=name)
    try:
        out = Decimal(repr(float(value))) if isinstance(value, float) else Decimal(value)
    except ArithmeticError:
        raise ArgumentError(f"must be a number, is {value!r:.60}", key=name) from None
    if not out.is_finite():
        raise ArgumentError(f"must be finite, is {value}", key=name)
    if out and not MAGNITUDES[0] <= out.adjusted() <= MAGNITUDES[1]:
        raise ArgumentError(f"must be between 1e{MAGNITUDES[0]} and 1e{MAGNITUDES[1]}, is {out:.3E}", key=name)
    return out


def rounded(value: Figure, decimals: int) -> Decimal:
    """Round `value` to `decimals` (negative: tens, hundreds), an exact half to the even digit.

    The half is judged on the decimal number of `decimal_of`.

    Raises:
        ArgumentError: not a number, or decimals that are no whole number from -300 to 300.
    """
    require_count("decimals", decimals, -MOST_DECIMALS, MOST_DECIMALS, "decimals")
    exact = decimal_of(value).quantize(Decimal(1).scaleb(-int(decimals)), rounding=ROUND_HALF_EVEN, context=_WIDE)
    plain = exact.quantize(Decimal(1), context=_WIDE) if decimals < 0 else exact
    return plain or plain.copy_abs()


def as_reported(value: Figure, decimals: int) -> str:
    """Return `rounded` as text, without an exponent and without a negative zero."""
    return f"{rounded(value, decimals):f}"


def in_sigmas(value: float, centre: float, sigma: float) -> float:
    """Return the distance of `value` from `centre` in standard deviations `sigma`, all three in one unit.

    It is that of the decimal numbers (12 digits): 150.6 is 3 standard deviations of 0.1 above 150.3, not more.

    Raises:
        ArgumentError: a number that is not finite, or a `sigma` that is not above 0.
    """
    require_positive("sigma", sigma)
    a, b, s = (decimal_of(as_written(x), name) for x, name in ((value, "value"), (centre, "centre"), (sigma, "sigma")))
    return float(_WIDE.divide(a - b, s))


def judge(
    value: float | None,
    low: Figure | None,
    high: Figure | None,
    *,
    rule: Rounding = Rounding.UNROUNDED,
    decimals: int | None = None,
) -> Verdict:
    """Judge whether `value` is within `low`..`high`, both included; all three in one unit.

    Without limits, or without a finite value, the verdict is `none`.  `decimals` is the number of reported decimals;
    the rule `rounded` needs it.

    Raises:
        ArgumentError: low above high, limits that are not numbers, or rule `rounded` without `decimals`.
    """
    require_one_of("rule", rule, Rounding)
    if decimals is not None:
        require_count("decimals", decimals, -MOST_DECIMALS, MOST_DECIMALS, "decimals")
    if value is not None:
        # A value that is not finite has no verdict; anything but a number is refused.
        value, _ = ends("value", value)
    bottom = None if low is None else decimal_of(low, "low")
    top = None if high is None else decimal_of(high, "high")
    if bottom is not None and top is not None and bottom > top:
        raise ArgumentError(f"must not be above high ({top}), is {bottom}", key="low")
    if rule == Rounding.ROUNDED and decimals is None:
        raise ArgumentError("the rule 'rounded' needs the number of decimals reported", key="decimals")
    if value is None or not math.isfinite(value) or (bottom is None and top is None):
        return Verdict.NONE
    by_rounding = rule == Rounding.ROUNDED and decimals is not None
    compared = rounded(value, decimals or 0) if by_rounding else decimal_of(value)
    inside = (bottom is None or compared >= bottom) and (top is None or compared <= top)
    return Verdict.WITHIN if inside else Verdict.OUTSIDE
