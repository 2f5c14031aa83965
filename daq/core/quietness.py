"""The noise of a torque at rest and in a span, and whether the motor made it quieter: then the sensor does not follow.

A motor adds noise and takes none away.  A sensor that is stuck, flickers by a step of its display or is cut off for
most of a span has less noise than it had at rest.  Only a noise at rest counts that is white, steady and several steps
of the display large: a rotor that swings, a sample that relaxes and a bench that is knocked have another one.  The
numbers are our choice, from the sweeps in `tests/core/test_quietness.py`.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import fsum, inf, remainder, sqrt
from typing import Final

from daq.core.arguments import SMALLEST, require_finite, require_not_negative, require_numbers, require_positive
from daq.core.effects import Noise
from daq.core.sensorsigns import ROBUST, ROUNDING, median_of, step_at

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
TENS: Final = 10.0
"""Step of a display of significant digits over that of the decade below."""
STEPS: Final = 2.0
"""Noise at rest in steps of the display, at least: a display hides less."""
SECOND: Final = 6.0
"""Variance of a second difference of white noise over that of the noise: 1 + 4 + 1."""
WHOLE: Final = 1e-3
RANGES: Final = (8, 16, 20, 25, 32, 50, 64, 100, 128, 200, 250, 256, 500, 512, 1000, 1024)
"""Steps of a coarser range in steps of the finer one at rest: powers of two, and 1, 2, 2.5 and 5 by tens (common
practice, no source).  Nearly every level is a multiple of some other factor, so others are not looked at."""
HIDDEN: Final = 3.0
"""Steps of a range, in standard deviations, from which it may hide the noise of all readings of a span."""


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
        and max(map(abs, rest)) <= FARTHEST * ROBUST * median_of([abs(r) for r in rest])
    )
    sd = sqrt(whole / (n - 2))
    return Noise(sd, _step_of_all(values)) if is_white and sd >= SMALLEST else None


def noise_of_span(values: Sequence[float]) -> Noise | None:
    """Return the noise of the torque in a span (readings in time order, any unit); None for too few readings.

    It is that of the second differences, so that no drift counts, and of most of them, so that no particle does.
    """
    require_numbers("values", values)
    if len(values) < LEAST_TURNING:
        return None
    newest = values[-MOST:]
    changes = [b - a for a, b in pairwise(newest)]
    # Where the readings of the level's decade are equal, the others are of the decade below.
    step = step_at(newest, median_of(newest)) or TENS * (step_at(newest, 0.0) or inf)
    return Noise(ROBUST * median_of([abs(b - a) for a, b in pairwise(changes)]) / sqrt(SECOND), step)


def is_too_quiet(rest: Noise, turning: Noise, level: float) -> bool:
    """Return whether a span has too little noise for that at rest, on a display that would show it.

    `level` is the mean of the span, in the unit of both.  Where all readings are equal, the display is as fine as at
    rest if the level is no multiple of ten of its steps, nor of a coarser range that would hide the noise.
    """
    require_finite("level", level)
    require_positive("rest.sd", rest.sd)
    require_not_negative("turning.sd", turning.sd)
    step = turning.step
    if step == inf:
        if rest.step == inf:
            return False
        steps = level / rest.step
        coarser = [TENS, *(n for n in RANGES if n * rest.step >= HIDDEN * rest.sd)]
        if any(abs(remainder(steps, n)) < TENS * WHOLE for n in coarser):
            return False
        step = rest.step
    return rest.sd >= STEPS * step * ROUNDING and rest.sd >= QUIETER * turning.sd


def _step_of_all(values: Sequence[float]) -> float:
    """Return the step of a display whose readings are all whole steps apart; infinity where they are not.

    A display of significant digits has several steps.
    """
    step = step_at(values, 0.0)
    if step is None or step < SMALLEST:
        return inf
    apart = [(v - values[0]) / step for v in values]
    return step if all(abs(a - round(a)) < WHOLE for a in apart) else inf
