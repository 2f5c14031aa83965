"""Health of an instrument from the readings of ordinary runs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from daq.core.arguments import require_not_falling, require_numbers, require_positive, require_same_length
from daq.core.errors import ArgumentError
from daq.quality.statistics import theil_sen


def once_per_revolution(revolutions: Sequence[float], values: Sequence[float]) -> float:
    """Return the amplitude (unit of `values`) of the least-squares sine of one period a turn, beside a straight line.

    The amplitude is half of peak to peak; that of a bent rotor is large.  `revolutions` counts turns at each reading
    (not decreasing): at least 2 turns and 8 readings, more than two readings a turn.

    Raises:
        ArgumentError: too few readings or turns, values not finite, or revolutions that decrease.
    """
    require_numbers("revolutions", revolutions)
    require_numbers("values", values)
    require_same_length("revolutions", revolutions, "values", values)
    require_not_falling("revolutions", revolutions)
    import numpy as np

    n = len(values)
    turns = (revolutions[-1] - revolutions[0]) if n else 0.0
    if n < 8 or turns < 2.0 or n <= 2.0 * turns:
        raise ArgumentError(f"needs 2 turns, 8 readings and more than 2 per turn, got {n} in {turns:g}", key="values")
    x = np.asarray(revolutions, dtype=float)
    columns = np.column_stack([np.ones(n), x - x.mean(), np.cos(2 * np.pi * x), np.sin(2 * np.pi * x)])
    solution = np.linalg.lstsq(columns, np.asarray(values, dtype=float), rcond=None)[0]
    return math.hypot(float(solution[2]), float(solution[3]))


@dataclass(frozen=True, slots=True)
class Trend:
    """Trend of one figure of an instrument's health over its runs."""

    n: int
    latest: float
    """Median of the newest three runs, so that a single outlier raises no alarm."""
    change: float
    """Change from the first run to the last along the robust line of Theil and Sen; 0 for fewer than 3 runs."""
    beyond: bool
    """True where the magnitude of `latest` is above the limit."""


def trend(values: Sequence[float], limit: float) -> Trend | None:
    """Compute the trend of a figure over runs in the order of time; None without values.

    Raises:
        ArgumentError: a limit that is not positive, or values that are not finite.
    """
    require_positive("limit", limit)
    require_numbers("values", values)
    if len(values) == 0:
        return None
    change = 0.0
    if len(values) >= 3:
        change = theil_sen([float(i) for i in range(len(values))], values).slope * (len(values) - 1)
    latest = median(values[-3:])
    return Trend(len(values), latest, change, abs(latest) > limit)
