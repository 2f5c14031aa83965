"""The noise of a torque at rest and in a span, and whether the motor made it quieter: then the sensor does not follow.

A motor adds noise and takes none away.  A sensor that is stuck, flickers by a step of its display or is cut off for
most of a span has less noise than it had at rest.  Only a noise at rest counts that is white, steady and several steps
of the display large: a rotor that swings, a sample that relaxes and a bench that is knocked have another one.  The
numbers are our choice, from the sweeps in `tests/core/test_quietness.py`.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import fsum, inf, sqrt
from typing import Final

from daq.core.arguments import require_finite, require_not_negative, require_numbers, require_positive
from daq.core.effects import Noise

LEAST_AT_REST: Final = 30
"""Number of readings that show the noise at rest."""
LEAST_TURNING: Final = 30
"""Number of readings that show the noise of a span."""
MOST: Final = 1000
"""Number of readings of a span that are looked at, the newest."""
CORRELATED: Final = 0.35
"""Autocorrelation of the residuals at one of the first lags beyond which they are no white noise."""
LAGS: Final = (1, 2, 3)
FARTHEST: Final = 4.0
"""Robust standard deviations beyond which a residual is no noise, but a knock."""
UNSTEADY: Final = 2.0
"""Ratio of the noise of the two halves beyond which it is not steady."""
QUIETER: Final = 4.0
"""Noise at rest over that of a span, from which the span is too quiet."""
STEPS: Final = 2.0
"""Noise at rest in steps of the display, at least: a display hides less."""
ROBUST: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation (F. R. Hampel, 1974; from memory)."""
SECOND: Final = 6.0
"""Variance of a second difference of white noise over that of the noise: 1 + 4 + 1."""
ROUNDING: Final = 1.0 - 1e-6
WHOLE: Final = 1e-3


def noise_at_rest(values: Sequence[float]) -> Noise | None:
    """Return the noise of the torque at rest (readings in time order, any unit); None where it is no white noise."""
    require_numbers("values", values)
    n = len(values)
    if n < LEAST_AT_REST:
        return None
    middle, mean = (n - 1) / 2.0, fsum(values) / n
    slope = fsum((i - middle) * (v - mean) for i, v in enumerate(values)) / fsum((i - middle) ** 2 for i in range(n))
    rest = [v - mean - slope * (i - middle) for i, v in enumerate(values)]
    squares = [r * r for r in rest]
    whole, first = fsum(squares), fsum(squares[: n // 2])
    low, high = sorted((first / (n // 2), (whole - first) / (n - n // 2)))
    is_white = (
        whole > 0.0
        and high <= UNSTEADY**2 * low
        and all(abs(fsum(a * b for a, b in zip(rest, rest[lag:], strict=False))) <= CORRELATED * whole for lag in LAGS)
        and max(map(abs, rest)) <= FARTHEST * ROBUST * _median([abs(r) for r in rest])
    )
    return Noise(sqrt(whole / (n - 2)), _step_of_all(values)) if is_white else None


def noise_of_span(values: Sequence[float]) -> Noise | None:
    """Return the noise of the torque in a span (readings in time order, any unit); None for too few readings.

    It is that of the second differences, so that no drift counts, and of most of them, so that no particle does.
    """
    require_numbers("values", values)
    if len(values) < LEAST_TURNING:
        return None
    newest = values[-MOST:]
    changes = [b - a for a, b in pairwise(newest)]
    return Noise(ROBUST * _median([abs(b - a) for a, b in pairwise(changes)]) / sqrt(SECOND), _step(newest))


def is_too_quiet(rest: Noise, turning: Noise, level: float) -> bool:
    """Return whether a span has too little noise for that at rest, on a display that would show it.

    `level` is the mean of the span, in the unit of both.  Where all readings are equal, the display is as fine as at
    rest if the level is no multiple of ten of its steps: with fixed digits the step grows by tens.
    """
    require_finite("level", level)
    require_positive("rest.sd", rest.sd)
    require_not_negative("turning.sd", turning.sd)
    step = turning.step
    if step == inf:
        if rest.step == inf:
            return False
        tens = level / (10.0 * rest.step)
        if abs(tens - round(tens)) < WHOLE:
            return False
        step = rest.step
    return rest.sd >= STEPS * step * ROUNDING and rest.sd >= QUIETER * turning.sd


def _step(values: Sequence[float]) -> float:
    return min((b - a for a, b in pairwise(sorted(set(values)))), default=inf)


def _step_of_all(values: Sequence[float]) -> float:
    """Return the step of a display whose readings are all whole steps apart; infinity where they are not.

    A display of significant digits has several steps.
    """
    step = _step(values)
    apart = [(v - values[0]) / step for v in values]
    return step if all(abs(a - round(a)) < WHOLE for a in apart) else inf


def _median(values: Sequence[float]) -> float:
    return sorted(values)[len(values) // 2]
