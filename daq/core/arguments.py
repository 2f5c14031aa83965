"""Check the arguments of public functions; an `ArgumentError` names the argument, its value, and what is wanted.

A number is an int, a float, or a numpy array of them.  numpy is not imported.  A check costs 0.1 to 0.3 us.  They
are made once in each call, outside of loops over readings: `statistics`, `steady` and `spans` check the sums instead.
"""

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final, TypeVar

from daq.core.errors import ArgumentError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Values = Sequence[float] | NDArray[np.float64]

Number = TypeVar("Number", float, "NDArray[np.float64]")
"""A float, or a numpy array of floats that is worked on element by element."""

LARGEST: Final = 1e60
"""Greatest magnitude of a number: products and fourth powers of such numbers stay finite."""
SMALLEST: Final = 1e-60
"""Smallest number where 0 is not possible: quotients of such numbers stay finite."""
LONGEST_M: Final = 0.5
"""m; a rotor is smaller, and the same rotor in millimetres is larger: its radius is above 0.5 mm."""
WIDEST_GAP_M: Final = 0.02
"""m; the gap of plates is smaller, and the same gap in millimetres is larger: it is above 0.02 mm."""
WIDEST_VESSEL_M: Final = 5.0
"""m; the radius of a vessel is smaller, and the same vessel in millimetres is larger."""
ZERO_CELSIUS_K: Final = 273.15
"""0 degC in kelvin, exact (SI brochure)."""
HOTTEST_CELSIUS: Final = 5000.0
"""degC; above the boiling point of every liquid that a rotor may turn in."""
INDICES: Final = (0.01, 10.0)
"""Flow behaviour indices of fluids; those of measured fluids are from about 0.1 to 3."""
DENSITIES: Final = (10.0, 25_000.0)
"""kg/m3, from a foam to the densest liquid metal; a density in g/mL is smaller."""


def require_finite(name: str, x: Number) -> None:
    """Raise `ArgumentError` unless every element of `x` is finite."""
    low, high = ends(name, x)
    if not -LARGEST <= low <= high <= LARGEST:
        raise ArgumentError(f"must be finite, is {_worst(low, high):g}", key=name)


def require_positive(name: str, x: Number) -> None:
    """Raise `ArgumentError` unless every element of `x` is greater than 0 and finite."""
    low, high = ends(name, x)
    if not SMALLEST <= low <= high <= LARGEST:
        raise ArgumentError(f"must be greater than 0 and finite, is {high if low > 0 else low:g}", key=name)


def require_not_negative(name: str, x: Number) -> None:
    """Raise `ArgumentError` unless every element of `x` is at least 0 and finite."""
    low, high = ends(name, x)
    if not 0.0 <= low <= high <= LARGEST:
        raise ArgumentError(f"must be at least 0 and finite, is {high if low >= 0 else low:g}", key=name)


def require_within(name: str, x: Number, low: float, high: float, unit: str = "") -> None:
    """Raise `ArgumentError` for an argument with an element outside `low`..`high` (both included)."""
    a, b = ends(name, x)
    if not (a >= low and b <= high):
        worst = a if not a >= low else b
        raise ArgumentError(f"must be from {low:g} to {high:g} {unit}".rstrip() + f", is {worst:g}", key=name)


def require_between(name: str, x: float, low: float, high: float) -> None:
    """Raise `ArgumentError` unless `x` is between `low` and `high`, both excluded."""
    a, _ = ends(name, x)
    if not low < a < high:
        raise ArgumentError(f"must be between {low:g} and {high:g}, is {a:g}", key=name)


def require_probability(name: str, x: float) -> None:
    """Raise `ArgumentError` unless `x` is a probability that is neither 0 nor 1, even when it is doubled or halved."""
    a, _ = ends(name, x)
    if not 0.0 < a < 1.0:
        raise ArgumentError(f"must be between 0 and 1, is {a:g}", key=name)
    if not 1e-9 <= a <= 1.0 - 1e-9:
        raise ArgumentError(f"must be from 1e-9 to 1 - 1e-9, is {a!r}", key=name)


def require_count(name: str, n: int, least: int, most: int = 10**9, of: str = "values") -> None:
    """Raise `ArgumentError` unless `n` is a whole number from `least` to `most`; `of` names the things counted."""
    low, _ = ends(name, n)
    if not isinstance(n, int) and getattr(getattr(n, "dtype", None), "kind", "") not in {"i", "u"}:
        raise ArgumentError(f"must be a whole number, is {low:g}", key=name)
    if low < least:
        raise ArgumentError(f"needs at least {least} {of}, got {n}", key=name)
    if low > most:
        raise ArgumentError(f"takes at most {most} {of}, got {n}", key=name)


def require_length(name: str, x: float, longest: float = LONGEST_M) -> None:
    """Raise `ArgumentError` unless `x` is a length in m that a measuring geometry can have; one number, no array."""
    require_positive(name, x)
    if getattr(x, "ndim", 0):
        raise ArgumentError(f"must be one number, is {_shown(x)}", key=name)
    if x > longest:
        raise ArgumentError(
            f"must be in metres, at most {longest:g} m (was it given in millimetres?), is {x:g}", key=name
        )
    if x < 1e-7:
        raise ArgumentError(f"must be at least 1e-7 m, is {x:g}", key=name)


def require_celsius(name: str, x: Number) -> None:
    """Raise `ArgumentError` unless every element of `x` is a temperature in degC above absolute zero."""
    low, high = ends(name, x)
    if not -ZERO_CELSIUS_K < low <= high <= HOTTEST_CELSIUS:
        worst = high if low > -ZERO_CELSIUS_K else low
        raise ArgumentError(
            f"must be above absolute zero (-273.15 degC) and at most {HOTTEST_CELSIUS:g} degC, is {worst:g}", key=name
        )


def require_index(name: str, x: float) -> None:
    """Raise `ArgumentError` unless `x` is a flow behaviour index that a fluid can have."""
    require_positive(name, x)
    require_within(name, x, *INDICES)


def require_density(name: str, x: Number) -> None:
    """Raise `ArgumentError` unless every element of `x` is the density of a liquid in kg/m3."""
    require_positive(name, x)
    low, high = ends(name, x)
    if not DENSITIES[0] <= low <= high <= DENSITIES[1]:
        worst = high if low >= DENSITIES[0] else low
        raise ArgumentError(
            f"must be in kg/m3, from {DENSITIES[0]:g} to {DENSITIES[1]:g} (was it given in g/mL?), is {worst:g}",
            key=name,
        )


def require_radii(inner: str, inner_m: float, outer: str, outer_m: float) -> None:
    """Raise `ArgumentError` unless two radii in m leave a gap; an infinite outer one is an unbounded fluid."""
    require_length(inner, inner_m)
    if not (isinstance(outer_m, float) and outer_m == math.inf):
        require_length(outer, outer_m, WIDEST_VESSEL_M)
    # Below this part of the radius the gap is smaller than the roughness of its walls.
    if not outer_m >= inner_m * (1.0 + 1e-6):
        raise ArgumentError(f"must be greater than {inner} ({inner_m} m), is {outer_m} m", key=outer)


def require_ratio(name: str, x: Number) -> None:
    """Raise `ArgumentError` unless every element of `x` is a ratio of radii above 1; infinite: unbounded fluid."""
    low, high = ends(name, x)
    if high > LARGEST and not isinstance(x, float):
        raise ArgumentError(f"must be at most {LARGEST:g}, or infinite", key=name)
    if not low >= 1.0 + 1e-6:
        raise ArgumentError(f"must be greater than 1, is {low:g}", key=name)


def require_numbers(name: str, values: "Values", least: int = 0, of: str = "values") -> None:
    """Raise `ArgumentError` unless `values` is a list or an array with one axis, of at least `least` finite numbers."""
    if not is_listed(values):
        raise ArgumentError(f"must be a list of numbers, is {_shown(values)}", key=name)
    n = len(values)
    if n < least:
        raise ArgumentError(f"needs at least {least} {of}, got {n}", key=name)
    if hasattr(values, "dtype") and n:
        low, high = ends(name, values)
        if -LARGEST <= low <= high <= LARGEST:
            return
    if set(map(type, values)) <= {float, int} and all(-LARGEST <= v <= LARGEST for v in values):
        return
    for i, value in enumerate(values):
        low, _ = ends(name, value)
        if not -LARGEST <= low <= LARGEST:
            raise ArgumentError(f"all {of} must be finite, number {i + 1} is {low:g}", key=name)


def require_listed(name: str, values: object, least: int = 0) -> None:
    """Raise `ArgumentError` unless `values` is a list of at least `least` things."""
    if not is_listed(values):
        raise ArgumentError(f"must be a list, is {_shown(values)}", key=name)
    if len(values) < least:  # type: ignore[arg-type]  # a list has a length
        raise ArgumentError(f"needs at least {least}, got {len(values)}", key=name)  # type: ignore[arg-type]


def require_positives(name: str, values: "Values", least: int = 0, of: str = "values") -> None:
    """Raise `ArgumentError` unless `values` are at least `least` finite numbers greater than 0."""
    require_numbers(name, values, least, of)
    if len(values) and (values.min() if hasattr(values, "min") else min(values)) >= SMALLEST:
        return
    for i, value in enumerate(values):
        if not value >= SMALLEST:
            raise ArgumentError(f"all {of} must be greater than 0, number {i + 1} is {float(value):g}", key=name)


def require_not_falling(name: str, values: "Values") -> None:
    """Raise `ArgumentError` where a finite number is smaller than the one before it."""
    for i in range(1, len(values)):
        if values[i] < values[i - 1]:
            raise ArgumentError(f"must not decrease, number {i + 1} is {values[i]:g} after {values[i - 1]:g}", key=name)


def require_same_length(first: str, a: "Values", second: str, b: "Values") -> None:
    """Raise `ArgumentError`, for the second of two lists, where their lengths differ."""
    if len(a) != len(b):
        raise ArgumentError(f"must be as many as {first}, is {len(b)} for {len(a)}", key=second)


def require_same_shape(first: str, a: Number, second: str, b: Number) -> None:
    """Raise `ArgumentError`, for the second of two arrays, where their shapes differ; a number fits every shape."""
    shapes = getattr(a, "shape", ()), getattr(b, "shape", ())
    if all(shapes) and shapes[0] != shapes[1]:
        raise ArgumentError(f"must have the shape of {first}, {shapes[0]}, has {shapes[1]}", key=second)


def require_order(low: str, a: float, high: str, b: float) -> None:
    """Raise `ArgumentError` unless the finite number `a` is below `b`."""
    if not a < b:
        raise ArgumentError(f"must be below {high} ({b:g}), is {a:g}", key=low)


def require_one_of(name: str, x: object, known: Iterable[object]) -> None:
    """Raise `ArgumentError` unless `x` is one of the known values."""
    choices = list(known)
    if not any(type(x) in {type(c), str} and x == c for c in choices):
        raise ArgumentError(f"must be one of {', '.join(map(str, choices))}, is {_shown(x)}", key=name)


def require_instance(name: str, x: object, kind: "type | tuple[type, ...]") -> None:
    """Raise `ArgumentError` unless `x` is an instance of `kind`."""
    if not isinstance(x, kind):
        kinds = kind if isinstance(kind, tuple) else (kind,)
        raise ArgumentError(f"must be a {' or '.join(k.__name__ for k in kinds)}, is {_shown(x)}", key=name)


def finite_result(name: str, result: Number) -> Number:
    """Return a computed number; raise `ArgumentError` for the argument that makes it infinite, NaN or too large."""
    low, high = ends(name, result)
    if not -math.inf < low <= high < math.inf:
        raise ArgumentError("gives no finite result together with the other arguments", key=name)
    return result


def ends(name: str, x: Any) -> tuple[float, float]:
    """Return the smallest and the largest element, NaN where there is one.

    Raises:
        ArgumentError: not a number, or an empty array.
    """
    if type(x) is float:
        return x, x
    if isinstance(x, (int, float)) and not isinstance(x, bool):
        try:
            return float(x), float(x)
        except OverflowError:
            return (math.inf, math.inf) if x > 0 else (-math.inf, -math.inf)
    kind = getattr(getattr(x, "dtype", None), "kind", "")
    if not kind or kind not in "fiu":
        raise ArgumentError(f"must be a number, is {_shown(x)}", key=name)
    if x.size == 0:
        raise ArgumentError("must not be empty", key=name)
    return float(x.min()), float(x.max())


def is_listed(values: object) -> bool:
    """Return True for a sequence that is no text, and for an array with one axis."""
    if hasattr(values, "ndim"):
        return bool(values.ndim == 1)
    return hasattr(values, "__len__") and hasattr(values, "__getitem__") and not isinstance(values, (str, bytes, dict))


def _worst(low: float, high: float) -> float:
    return low if not low >= -LARGEST else high


def _shown(x: object) -> str:
    text = repr(x)
    return text if len(text) <= 60 else f"{text[:57]}..."
