"""Checks of the arguments of fits: series of numbers, functions, and the objects that fits take."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from daq.core.arguments import LARGEST
from daq.core.errors import ArgumentError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

RANGE: Final = (1e-15, 1e15)
"""Smallest and greatest rate (1/s), stress (Pa) or sigma (Pa) of a fit; those of fluids lie far within."""


def series_of(name: str, x: Any, *, shape: int = 1) -> "Array":
    """Return `x` as an array of finite numbers with `shape` dimensions.

    Raises:
        ArgumentError: `x` is no series of numbers, is empty, or has a number that is not finite.
    """
    import numpy as np

    if not isinstance(x, (Sequence, np.ndarray)) or isinstance(x, (str, bytes)):
        raise ArgumentError(f"must be a series of numbers, is {type(x).__name__}", key=name)
    try:
        out: Array = np.asarray(x, dtype=float)
    except (TypeError, ValueError, ArithmeticError) as error:
        raise ArgumentError(f"must be a series of numbers: {error}", key=name) from error
    if out.ndim != shape or out.size == 0:
        raise ArgumentError(f"must be a series of numbers, has the shape {out.shape}", key=name)
    if not np.all(np.abs(out) <= LARGEST):
        raise ArgumentError("all numbers must be finite", key=name)
    return out


def positive_series(name: str, x: Any) -> "Array":
    """Return `x` as an array of numbers within `RANGE`.

    Raises:
        ArgumentError: as `series_of`, or a number outside the range.
    """
    import numpy as np

    out = series_of(name, x)
    if not np.all((out >= RANGE[0]) & (out <= RANGE[1])):
        raise ArgumentError(f"must be above 0, from {RANGE[0]:g} to {RANGE[1]:g}", key=name)
    return out


def as_many(name: str, x: "Array", of: str, other: "Array") -> None:
    """Raise `ArgumentError` unless `x` has as many numbers as `other`."""
    if x.shape != other.shape:
        raise ArgumentError(f"must be as many as {of}, {other.size}, is {x.size}", key=name)


def require_kind(name: str, x: Any, kind: type) -> None:
    """Raise `ArgumentError` unless `x` is an object of a class."""
    if not isinstance(x, kind):
        raise ArgumentError(f"must be a {kind.__name__}, is {type(x).__name__}", key=name)


def require_all(name: str, x: Any, kind: type) -> None:
    """Raise `ArgumentError` unless `x` is a sequence of objects of a class."""
    if not isinstance(x, Sequence) or isinstance(x, (str, bytes)) or not all(isinstance(v, kind) for v in x):
        raise ArgumentError(f"must be a sequence of {kind.__name__}", key=name)
