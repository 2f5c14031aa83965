"""Signs in the readings of one channel that its sensor does not follow: it is frozen, or clipped at one value.

A constant value alone is no sign, because a coarse display is constant.  Both signs compare readings with the noise of
the same step, which is larger than a step of the display.  The numbers are our choice: a sensor with such noise shows
neither by chance once in a million spans (`tests/core/test_sensor_signs.py`).
"""

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

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
"""The greatest reading is so many times as frequent as any other."""
DEPTH: Final = 3.0
"""Steps of the display by which a reading beside the greatest ones is lower; a flickering display has one."""


def is_frozen(values: Sequence[float]) -> bool:
    """Return whether the last readings are all equal, although the channel was noisy before.

    `values` are the readings of a step after its settling time, in any unit, oldest first.
    """
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
    """Return whether the readings (any unit) are cut off at their greatest value, in time order.

    The readings of a span reach it again and again from well below, and have no other value nearly as often.
    """
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
