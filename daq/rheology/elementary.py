"""Elementary functions that take a number or a numpy array, and checks of arguments.

numpy is imported only for an array, so that plain numbers do not pay for its import.
"""

import math
from typing import TYPE_CHECKING, TypeVar

from daq.core.errors import SettingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Number = TypeVar("Number", float, "NDArray[np.float64]")
"""A float, or a numpy array of floats that is worked on element by element."""

ZERO_CELSIUS_K = 273.15
"""0 degC in kelvin, exact (SI brochure)."""


class ArgumentError(SettingError, ValueError):
    """An argument is outside the domain of the function; `key` is its name.

    Example: ``torque_percent: must be finite, is nan``.
    """


def exp(x: Number) -> Number:
    """Return the exponential of x."""
    if isinstance(x, (int, float)):
        return math.exp(x)
    import numpy as np

    return np.exp(x)


def power(x: Number, exponent: float) -> Number:
    """Return the power x^exponent; x >= 0."""
    if isinstance(x, (int, float)):
        return math.pow(x, exponent)
    import numpy as np

    return np.power(x, exponent)


def smallest(x: Number) -> float:
    """Return the smallest element, NaN where there is one."""
    return float(x) if isinstance(x, (int, float)) else float(x.min())


def largest(x: Number) -> float:
    """Return the largest element, NaN where there is one."""
    return float(x) if isinstance(x, (int, float)) else float(x.max())


def require_positive(name: str, x: Number) -> None:
    """Raise `ArgumentError` for an argument with an element that is not finite or not greater than 0."""
    low, high = smallest(x), largest(x)
    if not (low > 0.0 and math.isfinite(high)):
        raise ArgumentError(f"must be greater than 0 and finite, is {high if low > 0 else low}", key=name)


def require_within(name: str, x: Number, low: float, high: float, unit: str = "") -> None:
    """Raise `ArgumentError` for an argument with an element outside `low`..`high` (both included)."""
    a, b = smallest(x), largest(x)
    if not (a >= low and b <= high):
        worst = a if not a >= low else b
        raise ArgumentError(f"must be from {low:g} to {high:g} {unit}".rstrip() + f", is {worst:g}", key=name)
