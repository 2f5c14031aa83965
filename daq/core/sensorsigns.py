"""Signs in the readings of one channel that it is not the sample's: frozen, clipped at one value, or disturbed.

A constant value alone is no sign, because a coarse display is constant.  Both signs compare readings with the noise of
the same step, which is larger than a step of the display.  The numbers are our choice: a sensor with such noise shows
neither by chance once in a million spans (`tests/core/test_sensor_signs.py`).
"""

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from math import fsum
from typing import Final

from daq.core.arguments import require_numbers

FROZEN: Final = 20
"""Number of equal readings at the end from which a noisy channel counts as frozen."""
NOISY: Final = 20
"""Number of readings that show the noise before."""
MOST_BEFORE: Final = 200
"""Number of readings before the equal ones that are looked at."""
CHANGING: Final = 0.6
"""Part of the readings that differ from the one before in a noisy channel."""
REVERSING: Final = 0.25
"""Part of the changes that reverse the direction in a noisy channel; in a drifting one they do not."""
SIZES: Final = 3
"""Number of different sizes of the changes in a noisy channel; between two neighbouring steps there is one."""
LEAST_CLIPPED: Final = 50
CLIPPED: Final = 0.2
"""Part of the readings that are equal to the greatest one in a clipped channel."""
LEVELS: Final = 8
"""Number of different readings in a clipped channel."""
OUTNUMBERING: Final = 4
"""Frequency of the greatest reading over that of any other one, at least."""
DEPTH: Final = 3.0
"""Steps of the display by which a reading beside the greatest ones is lower; a flickering display has one."""
FAR: Final = 8.0
"""Robust standard deviations from the median beyond which a reading is far from the others."""
FEW: Final = 0.2
"""Greatest part of the readings that are far from the others."""
SHIFT: Final = 0.01
"""Part of the mean by which such readings change it, from which they are a fault."""
SHIFT_OF_LAST: Final = 0.05
"""The same for a value that is the last reading; it allows for one step of a coarse display."""
ROBUST: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation (F. R. Hampel, 1974; from memory)."""


def is_frozen(values: Sequence[float]) -> bool:
    """Return whether the last readings are all equal, although the channel was noisy before.

    `values` are the readings of a step after its settling time, in any unit, oldest first.
    """
    require_numbers("values", values)
    if len(values) < FROZEN + NOISY or len(set(values[-FROZEN:])) > 1:
        return False
    last, first = values[-1], len(values) - FROZEN
    while first and values[first - 1] == last:
        first -= 1
    return _is_noisy(values[max(0, first - MOST_BEFORE) : first])


def _is_noisy(values: Sequence[float]) -> bool:
    if len(values) < NOISY:
        return False
    changes = [b - a for a, b in pairwise(values)]
    moved = [c for c in changes if c]
    reversed_ = sum((a > 0.0) != (b > 0.0) for a, b in pairwise(moved))
    sizes = {round(abs(c) / min(map(abs, moved))) for c in moved}
    return len(moved) >= CHANGING * len(changes) and reversed_ >= REVERSING * len(moved) and len(sizes) >= SIZES


def is_clipped(values: Sequence[float]) -> bool:
    """Return whether the readings (any unit, in time order) are cut off at their greatest or at their least value.

    The readings of a span reach it again and again from well inside, and have no other value nearly as often.
    """
    require_numbers("values", values)
    return _is_cut_above(values) or _is_cut_above([-v for v in values])


def _is_cut_above(values: Sequence[float]) -> bool:
    if len(values) < LEAST_CLIPPED:
        return False
    frequent = Counter(values).most_common(2)
    top = max(values)
    if frequent[0][0] != top or frequent[0][1] < CLIPPED * len(values) or len(set(values)) < LEVELS:
        return False
    ordered = sorted(set(values))
    step = min(b - a for a, b in pairwise(ordered))
    beside = sorted(top - min(a, b) for a, b in pairwise(values) if (a == top) != (b == top))
    return (
        frequent[0][1] >= OUTNUMBERING * frequent[1][1]
        and len(beside) >= SIZES
        and beside[len(beside) // 2] >= DEPTH * step * (1.0 - 1e-6)
    )


def is_disturbed(values: Sequence[float], *, is_last: bool = False) -> bool:
    """Return whether a few readings (any unit, in time order), far from all others, decide the mean.

    With `is_last` the value is the last reading instead of the mean.
    """
    require_numbers("values", values)
    if len(values) < NOISY:
        return False
    middle = _median(values)
    # Without this much of a range no reading can shift the mean so far.
    if max(max(values) - middle, middle - min(values)) <= SHIFT * abs(middle):
        return False
    # The flicker of a display whose other readings are equal is not far.
    wide = max(FAR * ROBUST * _median([abs(v - middle) for v in values]), SHIFT * abs(middle))
    if is_last:
        return abs(values[-1] - middle) > max(wide, SHIFT_OF_LAST * abs(middle))
    others = [v for v in values if abs(v - middle) <= wide]
    mean, without = fsum(values) / len(values), fsum(others) / len(others)
    return len(values) - len(others) <= FEW * len(values) and abs(mean - without) > SHIFT * abs(without)


def _median(values: Sequence[float]) -> float:
    """Return the upper median.  The module `statistics` of Python would load `random` and `decimal` at every start."""
    return sorted(values)[len(values) // 2]
