"""Decision rules with guard bands, and the risk of a false acceptance (JCGM 106:2012).

* Simple acceptance (JCGM 106:2012, 8.2): a value within the limits is accepted.
* Guard-banded acceptance (8.3): the acceptance limits lie inside of the limits, each by the guard band.  Here a value
  is outside only where it is beyond a limit by more than the guard band; in between it is undecided (ISO/IEC
  17025:2017, 7.8.6, asks for a documented decision rule that accounts for the risk).
* The specific consumer's risk of an accepted value (9.3): the probability that the true value is outside of the limits,
  from the value and its standard uncertainty with a normal distribution (7.2).
"""

import math
from dataclasses import dataclass
from decimal import Context, Decimal
from enum import StrEnum

from daq.core.arguments import require_finite, require_not_negative
from daq.core.errors import ArgumentError, SettingError
from daq.quality.limits import Figure, Verdict, decimal_of

_WIDE = Context(prec=700)


class Acceptance(StrEnum):
    """Decision rule of a product."""

    SIMPLE = "simple_acceptance"
    GUARD_BANDED = "guard_banded_acceptance"


@dataclass(frozen=True, slots=True)
class Guarded:
    """A verdict under guard bands, with the acceptance limits, in the unit of the value."""

    verdict: Verdict
    low: Decimal | None
    """Lowest value that is accepted; None where there is no lower limit."""
    high: Decimal | None
    """Highest value that is accepted."""


def judge_guarded(value: float | None, low: Figure | None, high: Figure | None, guard_band: Figure) -> Guarded:
    """Judge a value against limits with a guard band at each of them; all in one unit.

    Within is a value inside of the acceptance limits, ends included.  Outside is a value beyond a limit by more than
    the guard band.  Every other value is undecided.  Without limits, or without a value, the verdict is `none`.

    Raises:
        ArgumentError: low above high, a negative guard band, or numbers that are not finite.
    """
    bottom = None if low is None else _figure("low", low)
    top = None if high is None else _figure("high", high)
    if bottom is not None and top is not None and bottom > top:
        raise ArgumentError(f"must not be above high ({top}), is {bottom}", key="low")
    width = _figure("guard_band", guard_band)
    if width < 0:
        raise ArgumentError(f"must be at least 0, is {width}", key="guard_band")
    lowest = None if bottom is None else _WIDE.add(bottom, width)
    highest = None if top is None else _WIDE.subtract(top, width)
    if value is None or (bottom is None and top is None):
        return Guarded(Verdict.NONE, lowest, highest)
    given = _figure("value", value)
    if (bottom is not None and _WIDE.add(given, width) < bottom) or (
        top is not None and _WIDE.subtract(given, width) > top
    ):
        return Guarded(Verdict.OUTSIDE, lowest, highest)
    is_within = (lowest is None or given >= lowest) and (highest is None or given <= highest)
    return Guarded(Verdict.WITHIN if is_within else Verdict.UNDECIDED, lowest, highest)


def _figure(name: str, figure: Figure) -> Decimal:
    if isinstance(figure, (str, Decimal)):
        try:
            return decimal_of(figure, name)
        except SettingError as error:
            raise ArgumentError(error.reason, key=name) from None
    require_finite(name, figure)
    return decimal_of(float(figure), name)


def probability_outside(value: float, u: float, low: float | None, high: float | None) -> float:
    """Return the probability (0 to 1) that the true value is below `low` or above `high`.

    It is 1 less the conformance probability of JCGM 106:2012, 7.2 to 7.4: normal distribution with mean `value` and
    standard uncertainty `u`, all in one unit.  For an accepted value it is the specific consumer's risk (9.3).

    Raises:
        ArgumentError: a number that is not finite, a standard uncertainty below 0, or low above high.
    """
    require_finite("value", value)
    for name, number in (("low", low), ("high", high)):
        if number is not None:
            require_finite(name, number)
    require_not_negative("u", u)
    if low is not None and high is not None and low > high:
        raise ArgumentError(f"must not be above high ({high:g}), is {low:g}", key="low")
    below = 0.0 if low is None else _beyond(low - value, u)
    above = 0.0 if high is None else _beyond(value - high, u)
    return min(1.0, below + above)


def _beyond(excess: float, u: float) -> float:
    """Return the normal probability of the part beyond a limit: the standard normal distribution at `excess` / `u`."""
    if u == 0.0:
        return 1.0 if excess > 0.0 else 0.0
    return 0.5 * math.erfc(-excess / u / math.sqrt(2.0))
