"""Count the readings of a span that were made before it and arrived in it, because their stream was held up.

The time of a reading is that of its arrival.  Lines that waited come faster than the instrument makes them, at once or
at the speed of the line: how much faster shows how old the first of them is.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from daq.core.columns import Columns, Span
from daq.core.driver import Driver, interval_of

MISSING_INTERVALS: Final = 5
"""Readings are missing or late where the longest interval without a reading exceeds this number of expected ones."""
FASTER: Final = 0.75
"""Part of the expected interval between lines, below which they are catching up; no instrument is so much faster."""
ENDED: Final = 5.0
"""Intervals by which lines fall behind this pace, from which they no longer catch up; a pause in it is shorter."""
STILL: Final = 5
"""Lines that catch up up to the last one, at least, after which others still wait."""
LEAST_LOOK_BACK_NS: Final = 60 * 10**9
LOOK_BACK_INTERVALS: Final = 200
"""The readings before a span by which it is judged are from the longer one of these times.  A stream that was held up
for so long is silent."""
REGULAR: Final = 0.8
"""Part of the time without a reading before late ones that another one in the span lasts where lines come in bursts."""


def look_back_ns(driver: Driver) -> int:
    """Return the time (ns) before a span whose readings are looked at to judge it; earlier ones may be discarded."""
    return max(LEAST_LOOK_BACK_NS, LOOK_BACK_INTERVALS * interval_of(driver))


def late_readings(rows: Columns, span: Span, driver: Driver, *, since: int, started: int | None) -> int:
    """Return how many of the readings of a span were made before `since`, as far as their times show.

    Where lines come in bursts, all with as long a time between them, it is 0: that is how the stream is.

    Args:
        rows: readings of the step.
        span: span of a value.
        driver: driver of the instrument.
        since: time (ns) before which no reading of the span may be made.
        started: time (ns) before which no reading was made; None where the first ones may be from before the step.
    """
    times, first, interval, per_line = rows.times, span.first, interval_of(driver), driver.readings_per_line
    if not interval:
        return 0
    # Readings before it may be discarded already, all but the last one.
    begin = _begin(times, first, interval, per_line, times[first] - look_back_ns(driver))
    if begin < 0:
        return 0
    last, age = _age(times, begin, interval, per_line)
    before = times[begin - 1] if begin else started
    if before is None:
        gap, made = age, times[begin] - age
    else:
        # A reading before was made before.
        gap, made = times[begin] - before, max(before, times[begin] - age)
        if last >= STILL and begin + (last + 1) * per_line >= len(times):
            # Lines still wait, so that not all of the first one's age shows; it is the next one after the one before.
            made = min(made, before + interval)
    if gap <= MISSING_INTERVALS * interval or made >= since:
        return 0
    # The line with the number k was made k intervals after the first one.
    older = begin + per_line * min(last + 1, -(-(since - made) // interval))
    count = min(span.stop, older) - first
    if count <= 0:
        return 0
    inner = max((b - a for a, b in pairwise(times[first : span.stop])), default=0)
    return 0 if inner > MISSING_INTERVALS * interval and inner >= REGULAR * gap else count


def _begin(times: Sequence[int], first: int, interval: int, per_line: int, earliest: int) -> int:
    """Return the number of the reading after the last gap up to `first`; 0 without one.

    It is -1 where none of the readings catch up, or where the gap is before `earliest` (ns).
    """
    best = 0.0
    row = first
    while row > 0 and times[row] - times[row - 1] <= MISSING_INTERVALS * interval:
        row -= 1
        if times[row] < earliest:
            return -1
        pace = FASTER * interval * ((first - row) // per_line) - (times[first] - times[row])
        if pace < best - ENDED * interval:
            return -1
        best = max(best, pace)
    return row


def _age(times: Sequence[int], begin: int, interval: int, per_line: int) -> tuple[int, int]:
    """Return the last line from `begin` on that catches up, and the age (ns) of the first one when it arrived."""
    best, last, age = 0.0, 0, 0
    for line in range(1, (len(times) - begin - 1) // per_line + 1):
        passed = times[begin + line * per_line] - times[begin]
        pace = FASTER * interval * line - passed
        if pace > best:
            best, last, age = pace, line, line * interval - passed
        elif pace < best - ENDED * interval:
            break
    return last, age
