"""Elementary functions that take a number or a numpy array.

numpy is imported only for an array, so that plain numbers do not pay for its import.
"""

import math

from daq.core.arguments import (
    LARGEST,
    ZERO_CELSIUS_K,
    Number,
    finite_result,
    require_finite,
    require_not_negative,
    require_positive,
    require_within,
)
from daq.core.errors import ArgumentError

__all__ = [
    "ZERO_CELSIUS_K",
    "ArgumentError",
    "Number",
    "exp",
    "power",
    "require_positive",
    "require_within",
]

STEEPEST_EXPONENT = math.log(LARGEST)


def exp(x: Number, name: str = "x") -> Number:
    """Return the exponential of x; `name` is the argument that an error names.

    Raises:
        ArgumentError: x not finite, or so large that its exponential is.
    """
    require_finite(name, x)
    if isinstance(x, (int, float)):
        if x > STEEPEST_EXPONENT:
            raise ArgumentError(f"gives an exponent of {x:g}, whose exponential is not finite", key=name)
        return math.exp(x)
    import numpy as np

    with np.errstate(over="ignore"):
        return finite_result(name, np.exp(x))


def power(x: Number, exponent: float, name: str = "x") -> Number:
    """Return the power x^exponent; x >= 0; `name` is the argument that an error names.

    Raises:
        ArgumentError: a negative x, 0 to a negative exponent, or a power that is not finite.
    """
    require_not_negative(name, x)
    require_finite("exponent", exponent)
    if isinstance(x, (int, float)):
        try:
            return math.pow(x, exponent)
        except (OverflowError, ValueError):
            raise ArgumentError(f"gives no finite power {x:g}^{exponent:g}", key=name) from None
    import numpy as np

    with np.errstate(over="ignore", divide="ignore"):
        return finite_result(name, np.power(np.asarray(x, dtype=float), exponent))
