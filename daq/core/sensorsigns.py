"""Signs in the readings of one channel that it is not the sample's: frozen, clipped at one value, or disturbed.

A constant value alone is no sign, because a coarse display is constant.  All signs compare readings with the noise and
the steps of the display of the same step.  The numbers are our choice: no honest series of the sweeps in
`tests/core/test_sensor_signs.py` shows a sign, and a weak sign is given up for that.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from math import ceil, floor, fsum, inf, log10
from typing import Final, NamedTuple

from daq.core.arguments import SMALLEST, require_count, require_finite, require_numbers, require_positive
from daq.core.errors import ArgumentError

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
NEWEST: Final = 8
"""Number of readings just before the equal ones that still have the full noise."""
UNDIMINISHED: Final = 0.5
"""Mean size of their changes over that of the last `NOISY` ones, and of these over that of the ones before, at least.

A ringing that dies out has less."""
NOISE: Final = 1.5
"""Mean size of the changes of the `NEWEST` readings in steps of the display, at least."""
LEAST_CLIPPED: Final = 50
CLIPPED: Final = 0.25
"""Part of the readings that are equal to the greatest one in a clipped channel."""
AWAY: Final = 0.3
"""Part of the readings of most thirds that are well inside in a clipped channel; single excursions are fewer."""
LEVELS: Final = 8
"""Number of different readings in a clipped channel."""
OUTNUMBERING: Final = 4
"""Frequency of the greatest reading over that of any other one, at least."""
LEAST_RETURNS: Final = 2
"""Number of times that a clipped channel leaves its greatest value and comes back, at least."""
DEPTH: Final = 3.0
"""Steps of the display by which a reading beside the greatest ones is lower; a flickering display has one."""
FAR: Final = 8.0
"""Robust standard deviations from the median beyond which a reading is far from the others."""
FAR_STEPS: Final = 1.5
"""Steps of the display from the median beyond which a reading is far from the others."""
COARSEST: Final = 0.02
"""Step of the coarsest display, as a part of the greatest usable torque."""
JUMP: Final = 4.0
"""Distance of the nearest far reading from the median over that of the farthest other one; a smooth decay has less."""
FEW: Final = 0.2
"""Greatest part of the readings that are far from the others."""
SHIFT: Final = 0.01
"""Part of the mean by which such readings change it, from which they are a fault."""
SHIFT_OF_LAST: Final = 0.05
"""The same for a value that is the last reading; it allows for one step of a coarse display."""
LEAST_SHIFT: Final = 0.001
"""The same as a part of the greatest usable torque, for a torque near zero."""
LEAST_BEYOND: Final = 5
"""Number of readings before or after a jump, at least; of different ones where a level is not constant."""
PART_BEYOND: Final = 0.05
"""The same as a part of the readings."""
EMPTY: Final = 1.5
"""Empty space between two levels over the range of the readings of either one, at least."""
HEIGHT: Final = 0.02
"""Part of the median that is empty between two levels, at least."""
LEAST_HEIGHT: Final = 0.002
"""The same as a part of the greatest usable torque, for a torque near zero."""
MOST_JUMPS: Final = 4
"""Number of jumps between two levels, at most; a coarse display or a ripple goes to and fro more often."""
LEAP: Final = 5.0
"""Size of a leap over that of the largest other change, at least; the noise of an honest torque has less."""
STAYS: Final = 0.6
"""Part of a leap that the readings just after it are from the level before, at least."""
RENEWED: Final = 0.1
"""Part of the runs of equal readings that may be shorter than the time in which the instrument renews its value."""
MOST_REPEATS: Final = 10
"""Number of times that an instrument gives each value, at most.  Our choice."""
CONSTANT: Final = 15
"""Number of equal readings that show a constant level and no value that an instrument repeats."""
ENOUGH_CHANGES: Final = 8
"""Number of small changes that show a large one to be no noise."""
RUNS_OF_A_LEVEL: Final = 4
"""The same in runs of equal readings of the instrument."""
ROBUST: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation (F. R. Hampel, 1974; from memory)."""
ROUNDING: Final = 1.0 - 1e-6


def is_frozen(values: Sequence[float]) -> bool:
    """Return whether the last readings are all equal, although the channel was noisy until just before.

    `values` are the readings of a step after its settling time, in any unit, oldest first.  `tail_of` shortens them
    without another answer.
    """
    require_numbers("values", values)
    if len(values) < FROZEN + NOISY or len(set(values[-FROZEN:])) > 1:
        return False
    first = _first_equal(values)
    before = values[max(0, first - MOST_BEFORE) : first]
    return _is_noisy(before) and _stops_in_full_noise(before, values[-1])


def tail_of(values: Sequence[float]) -> list[float]:
    """Return the end of the readings (any unit, oldest first) that `is_frozen` looks at: at most 220 readings."""
    require_numbers("values", values)
    first = _first_equal(values)
    return list(values[max(0, first - MOST_BEFORE) : first + FROZEN])


def _first_equal(values: Sequence[float]) -> int:
    """Return the index of the first of the equal readings at the end; 0 without readings."""
    first = max(0, len(values) - 1)
    while first and values[first - 1] == values[-1]:
        first -= 1
    return first


def _is_noisy(values: Sequence[float]) -> bool:
    if len(values) < NOISY:
        return False
    changes = [b - a for a, b in pairwise(values)]
    moved = [c for c in changes if c]
    reversed_ = sum((a > 0.0) != (b > 0.0) for a, b in pairwise(moved))
    least = max(SMALLEST, min(map(abs, moved), default=0.0))
    sizes = {round(abs(c) / least) for c in moved}
    return len(moved) >= CHANGING * len(changes) and reversed_ >= REVERSING * len(moved) and len(sizes) >= SIZES


def _stops_in_full_noise(before: Sequence[float], last: float) -> bool:
    """Return whether the noise just before the equal readings `last` is as large as it was, and larger than a step."""
    step = step_at([*before, last], last)
    newest, latest = _mean_change(before[-NEWEST:]), _mean_change(before[-NOISY:])
    earlier = _mean_change(before[-2 * NOISY : -NOISY])
    if step is None:
        return False
    return newest >= max(NOISE * step * ROUNDING, UNDIMINISHED * latest) and latest >= UNDIMINISHED * earlier


def is_clipped(values: Sequence[float]) -> bool:
    """Return whether the readings (any unit, in time order) are cut off at their greatest or at their least value.

    The readings of a span reach it again and again from well inside, leave it as far as they come back, and have no
    other value nearly as often.
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
    deep = DEPTH * _step(values) * ROUNDING
    # A particle or a bubble leaves the base line with a jump and comes back to it slowly, or is alone.
    left = [top - b for a, b in pairwise(values) if a == top != b]
    returned = [top - a for a, b in pairwise(values) if b == top != a]
    third = len(values) // 3
    away = [sum(top - v >= deep for v in values[i * third : (i + 1) * third]) for i in range(3)]
    return (
        frequent[0][1] >= OUTNUMBERING * frequent[1][1]
        and min(len(left), len(returned)) >= LEAST_RETURNS
        and min(median_of(left), median_of(returned)) >= deep
        and sum(n >= AWAY * third for n in away) >= 2
    )


def is_disturbed(values: Sequence[float], *, limit: float, is_last: bool = False) -> bool:
    """Return whether a few readings (in time order), far from all others and none between, decide the mean.

    `limit` is the greatest usable value in the same unit.  With `is_last` the value is the last reading instead of the
    mean.
    """
    require_numbers("values", values)
    require_positive("limit", limit)
    if len(values) < NOISY:
        return False
    middle = median_of(values)
    least = LEAST_SHIFT * limit
    shift = max(SHIFT * abs(middle), least)
    # Without this much of a range no reading can shift the mean so far.
    if max(max(values) - middle, middle - min(values)) <= shift:
        return False
    distances = [abs(v - middle) for v in values]
    # Where all others are equal, a jump is the smallest step; no display is as coarse as `COARSEST`.
    step = min(_step(values), COARSEST * limit)
    wide = max(FAR * ROBUST * median_of(distances), FAR_STEPS * step, shift)
    beyond = min((d for d in distances if d > wide), default=0.0)
    if beyond < JUMP * max(d for d in distances if d <= wide):
        return False
    others = [v for v, d in zip(values, distances, strict=True) if d <= wide]
    if len(values) - len(others) > FEW * len(values):
        return False
    if is_last:
        return distances[-1] > max(wide, SHIFT_OF_LAST * abs(middle))
    mean, without = fsum(values) / len(values), fsum(others) / len(others)
    return abs(mean - without) > max(SHIFT * abs(without), least)


def is_jumped(
    values: Sequence[float],
    *,
    limit: float,
    before: Sequence[float] = (),
    settled: int = 0,
    times: Sequence[int] = (),
    interval: int = 1,
) -> bool:
    """Return whether the readings (in time order) jumped to another level: two levels with nothing between, or a leap.

    A sample that slips off its rotor, a loose coupling or another range of the instrument does so; the mean is that of
    no level.

    Args:
        values: readings of a span, in any unit.
        limit: the greatest usable value.
        before: readings just before the span, settled or not: they show how often the instrument renews its value.
        settled: number of the last ones of `before` that have settled: in a short span, or at its beginning, a leap is
            known by them.
        times: times of the readings of `before` and `values`, in any unit; () where none is lost.
        interval: expected interval of the readings in this unit.
    """
    require_numbers("values", values)
    require_numbers("before", before)
    require_numbers("times", times)
    require_positive("limit", limit)
    require_count("settled", settled, 0)
    require_positive("interval", interval)
    if times and len(times) != len(before) + len(values):
        raise ArgumentError(f"are {len(times)} for {len(before) + len(values)} readings", key="times")
    earlier = before[len(before) - min(len(before), settled, max(NOISY, len(values))) :]
    window = [*earlier, *values]
    if len(window) < NOISY:
        return False
    # Nearly all spans end here: two levels are no farther from each other than all readings, and no reading is nearer
    # to zero than this one.
    least, greatest = min(window), max(window)
    if greatest - least < max(HEIGHT * max(least, -greatest), LEAST_HEIGHT * limit):
        return False
    lost = _lost(times[len(times) - len(window) :], interval) or [1.0] * (len(window) - 1)
    inside = lost[len(earlier) :]
    found = [_levels(values, inside, limit), _leaps(values, inside, limit, 0)]
    if earlier:
        found.append(_leaps(window, lost, limit, len(earlier)))
    return any(x is not None and _is_kept_long_enough(x, before, values) for x in found)


class _Jump(NamedTuple):
    """A jump: the readings of its shortest level, whether all levels are constant, and the largest other change.

    For two levels that change is infinite, which means that it is not known.
    """

    readings: int
    is_constant: bool
    other: float


def _lost(times: Sequence[int], interval: int) -> list[float]:
    """Return the number by which each change is divided: 1, or that of the intervals whose readings are lost.

    A torque changes over lost readings by as much as without the loss.  Readings that come together are not lost.
    """
    out = [max(1.0, (b - a) / interval - 1.0) for a, b in pairwise(times)]
    for i in [i for i, n_lost in enumerate(out) if n_lost > 1.0]:
        out[i] = max(1.0, out[i] - (bisect_right(times, times[i + 1] + interval // 2) - i - 2))
    return out


def _levels(values: Sequence[float], lost: Sequence[float], limit: float) -> _Jump | None:
    """Return the jump between two levels; None without two levels.  `lost` is as for `_leaps`."""
    n, ordered = len(values), sorted(values)
    if n < NOISY:
        return None
    height, first = max((b - a, i) for i, (a, b) in enumerate(pairwise(ordered), 1))
    low, high = ordered[:first], ordered[first:]
    least = max(HEIGHT * abs(ordered[n // 2]), LEAST_HEIGHT * limit)
    if (
        min(first, n - first) < max(LEAST_BEYOND, PART_BEYOND * n)
        or height < least
        or height < EMPTY * max(low[-1] - low[0], high[-1] - high[0])
        or height < _least_jump(ordered, height, limit)
    ):
        return None
    jumps = [n_lost for (a, b), n_lost in zip(pairwise(values), lost, strict=True) if (a < high[0]) != (b < high[0])]
    if len(jumps) > MOST_JUMPS or height / min(jumps) < least:
        return None
    return _Jump(min(first, n - first), low[0] == low[-1] and high[0] == high[-1], inf)


def _leaps(values: Sequence[float], lost: Sequence[float], limit: float, since: int) -> _Jump | None:
    """Return the leaps, one of which is to a reading after the one with the number `since`; None without a leap.

    A leap is a change that is far larger than all others, and stays: a drift, a run-out or a wave hide a second level,
    and not the leap to it.  `lost` are the numbers by which the changes are divided.  A leap to the reading `since`
    leaves all from it on at one level.
    """
    n, ordered = len(values), sorted(values)
    if n < NOISY:
        return None
    changes = [(b - a) / n_lost for (a, b), n_lost in zip(pairwise(values), lost, strict=True)]
    largest = sorted(range(n - 1), key=lambda i: -abs(changes[i]))
    least = max(HEIGHT * abs(ordered[n // 2]), LEAST_HEIGHT * limit)
    sizes = [abs(changes[i]) for i in largest[: MOST_JUMPS + 1]]
    count = next((m for m in range(1, MOST_JUMPS + 1) if sizes[m - 1] >= LEAP * sizes[m]), 0)
    if not count or sizes[count - 1] < max(least, _least_jump(ordered, sizes[count - 1], limit)):
        return None
    cuts = sorted(i + 1 for i in largest[:count])
    shortest = min(b - a for a, b in pairwise([0, *cuts, n]))
    beside = ceil(max(LEAST_BEYOND, PART_BEYOND * n))
    if shortest < beside or cuts[-1] <= since:
        return None
    for cut in cuts:
        change, level = values[cut] - values[cut - 1], median_of(values[cut - beside : cut])
        # A particle or a bubble comes back to the level.
        if any((v - level) / change < STAYS for v in values[cut : cut + beside]):
            return None
    return _Jump(shortest, sizes[count] == 0.0, sizes[count])


def _is_kept_long_enough(jump: _Jump, before: Sequence[float], values: Sequence[float]) -> bool:
    """Return whether the shortest level of a jump has enough values that the instrument renewed.

    Of an instrument that is read faster than it renews its value, a few values of a large noise would be two levels.
    """
    known = [*before[-MOST_BEFORE:], *values]
    changes = [i for i, (a, b) in enumerate(pairwise(known)) if a != b]
    # Many small changes are no noise that makes a leap, however seldom they come.
    latest = changes[-MOST_JUMPS - ENOUGH_CHANGES :]
    if sum(abs(known[i + 1] - known[i]) <= jump.other < inf for i in latest) >= ENOUGH_CHANGES:
        return True
    repeats = _repeats(changes)
    if jump.is_constant:
        # A run counts that reaches into the span.
        runs = [b - a for a, b in pairwise([-1, *changes, len(known) - 1]) if b >= len(known) - len(values)]
        if max(runs) >= max(CONSTANT, RUNS_OF_A_LEVEL * (repeats or 0)):
            return True
    return repeats is not None and jump.readings >= LEAST_BEYOND * repeats


def _repeats(changes: Sequence[int]) -> int | None:
    """Return how many times an instrument gives each value of a noisy channel, 1 where it gives each one once.

    `changes` are the numbers of the readings after which another value comes; None for too few.  A short run of equal
    readings is one that a lost reading cut off; a long one is two equal values.
    """
    # The first and the last run may be cut off.
    whole = sorted(b - a for a, b in pairwise(changes))
    return min(MOST_REPEATS, whole[int(RENEWED * len(whole))]) if whole else None


def _least_jump(ordered: Sequence[float], height: float, limit: float) -> float:
    """Return the least jump that the steps of the display do not make, from readings in order."""
    # Where a display of significant digits begins another decade, only the steps of that one are as large as it shows.
    farthest = max(abs(ordered[0]), abs(ordered[-1]))
    decade = 10.0 ** floor(log10(farthest)) if farthest else 0.0
    distinct = sorted({v for v in ordered if abs(v) >= decade})
    steps = [b - a for a, b in pairwise(distinct) if b - a != height]
    return DEPTH * min(COARSEST * limit, *steps) if steps else FAR_STEPS * COARSEST * limit


def step_at(values: Sequence[float], level: float) -> float | None:
    """Return the step of the display at `level`, from readings in its unit; None where they do not show it.

    A display of significant digits has a larger step from a power of ten on, so that readings below the one of the
    level are left out.
    """
    require_numbers("values", values)
    require_finite("level", level)
    decade = 10.0 ** floor(log10(abs(level))) if level else 0.0
    step = _step([v for v in values if abs(v) >= decade])
    return None if step == inf else step


def _step(values: Sequence[float]) -> float:
    """Return the smallest step between different readings; infinity where all are equal."""
    return min((b - a for a, b in pairwise(sorted(set(values)))), default=inf)


def _mean_change(values: Sequence[float]) -> float:
    """Return the mean size of the changes; 0 for fewer than two readings.  A slow drift or ripple hardly changes it."""
    return fsum(abs(b - a) for a, b in pairwise(values)) / max(1, len(values) - 1)


def median_of(values: Sequence[float]) -> float:
    """Return the upper median.  The module `statistics` of Python would load `random` and `decimal` at every start."""
    require_numbers("values", values, 1)
    return sorted(values)[len(values) // 2]
