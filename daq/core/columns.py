"""Hold the readings of one link in one step as columns, and summarise any span of them."""

import math
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from operator import itemgetter

from daq.core.driver import Values
from daq.core.faults import FAULTS
from daq.core.statistics import Axis, Summary, longest_interval, summarise

NAN = float("nan")
TURN_ROUNDING = 1e-9
"""Rounding error, in revolutions, allowed in the running sum of revolutions."""
ROWS_BEFORE = 1000
"""Rows before a span in which the last known value before it is searched."""
FEWEST_DROPPED = 4096
"""Rows are discarded in parts of at least this number, so that each is moved seldom."""
_row = itemgetter(0)


@dataclass(slots=True)
class Span:
    """A span resolved to row numbers: ``start < t_i <= end``."""

    start: int
    end: int
    first: int
    stop: int

    @property
    def n(self) -> int:
        """Number of readings in the span."""
        return self.stop - self.first


@dataclass(slots=True)
class Columns:
    """Times (ns), revolutions since the start of the step, and one column for each channel.

    A null value is stored as NaN and is listed in `missing`, so that no mean contains it unnoticed.
    """

    channels: tuple[str, ...]
    times: "array[int]" = field(default_factory=lambda: array("q"))
    revolutions: "array[float]" = field(default_factory=lambda: array("d"))
    values: "list[array[float]]" = field(default_factory=list)
    missing: list[tuple[int, int, str]] = field(default_factory=list)
    """Tuples (row, channel number or -1 for all channels, fault) in order of rows."""
    earlier: "Columns | None" = None
    """The last reading before the step; None without one.  It is in no span of the step."""
    is_whole: bool = True
    """True as long as no row was discarded."""

    def __post_init__(self) -> None:
        self.values = [array("d") for _ in self.channels]

    def add(self, t: int, revolutions: float, item: tuple[float, ...]) -> None:
        """Append a reading without fault; -0.0 becomes 0.0."""
        self.times.append(t)
        self.revolutions.append(revolutions)
        for column, value in zip(self.values, item, strict=True):
            column.append(value + 0.0)

    def add_batch(self, t: int, revolutions: float, rows: list[tuple[float, ...]]) -> None:
        """Append several readings without fault that have the same time."""
        n = len(rows)
        self.times.extend(array("q", (t,)) * n)
        self.revolutions.extend(array("d", (revolutions,)) * n)
        for column, values in zip(self.values, zip(*rows, strict=True), strict=True):
            # The addition only turns -0.0 into 0.0, so it is skipped where no value is zero.
            column.extend(array("d", [v + 0.0 for v in values] if 0.0 in values else values))

    def add_faulty(self, t: int, revolutions: float, item: Values) -> None:
        """Append a reading with null values or faults."""
        row = len(self.times)
        self.times.append(t)
        self.revolutions.append(revolutions)
        for column, value in zip(self.values, item.values, strict=True):
            column.append(NAN if value is None else value + 0.0)
        for channel, fault in item.faults:
            self.missing.append((row, self.channels.index(channel) if channel else -1, fault))

    def drop_before(self, t: int) -> None:
        """Discard the rows before the last one at or before `t` (ns): no later span starts before `t`.

        That row stays, because the revolutions and the temperature at the start of a span are those of the row before.
        """
        first = bisect_right(self.times, t) - 1
        if first < FEWEST_DROPPED:
            return
        self.is_whole = False
        del self.times[:first]
        for column in (self.revolutions, *self.values):
            del column[:first]
        kept = self.missing[bisect_left(self.missing, first, key=_row) :]
        self.missing = [(row - first, channel, fault) for row, channel, fault in kept]

    def between(self, start: int, end: int) -> Span:
        """Return the span of the readings with ``start < t_i <= end`` (ns)."""
        return Span(start, end, bisect_right(self.times, start), bisect_right(self.times, end))

    def last_turns(self, turns: float, end: int, floor: int) -> tuple[Span, bool]:
        """Return the span of the last `turns` revolutions up to `end`, and whether it was cut at `floor` (both ns)."""
        stop = bisect_right(self.times, end)
        if stop == 0:
            return Span(floor, end, 0, 0), True
        target = self.revolutions[stop - 1] - turns + TURN_ROUNDING
        first = bisect_right(self.revolutions, target, 0, stop)
        start = self.times[first - 1] if first else floor
        if start <= floor:
            return self.between(floor, end), target < 0.0 or start < floor
        return Span(start, end, first, stop), False

    def last_readings(self, count: int, end: int, floor: int) -> tuple[Span, bool]:
        """Return the span of the last `count` readings in ``floor < t_i <= end`` (ns), and whether there are fewer."""
        whole = self.between(floor, end)
        if whole.n <= count:
            return whole, whole.n < count
        first = whole.stop - count
        return Span(self.times[first - 1], end, first, whole.stop), False

    def faults(self, span: Span, channel: str) -> list[str]:
        """Return the faults of a channel inside a span, each once, in order of the readings."""
        number = self.channels.index(channel)
        return list(dict.fromkeys(f for _, c, f in self._faults_in(span) if c in (number, -1)))

    def _faults_in(self, span: Span) -> list[tuple[int, int, str]]:
        first = bisect_left(self.missing, span.first, key=_row)
        return self.missing[first : bisect_left(self.missing, span.stop, key=_row)]

    def null_rows(self, span: Span, channels: Sequence[str]) -> set[int]:
        """Return the rows, counted from the first of the span, where any of `channels` is null."""
        if not self.missing:
            return set()
        numbers = {self.channels.index(c) for c in channels}
        return {
            row - span.first
            for row, c, fault in self._faults_in(span)
            if (c == -1 or c in numbers) and not FAULTS[fault].keeps_value
        }

    def clean(self, span: Span, channels: Sequence[str]) -> tuple[list[int], list[list[float]]]:
        """Return the times (ns) and the columns of the rows where none of `channels` is null."""
        times = self.times[span.first : span.stop].tolist()
        columns = [self.values[self.channels.index(c)][span.first : span.stop].tolist() for c in channels]
        null = self.null_rows(span, channels)
        if null:
            keep = [i for i in range(span.n) if i not in null]
            times = [times[i] for i in keep]
            columns = [[c[i] for i in keep] for c in columns]
        return times, columns

    def summary(self, span: Span, channel: str, turning: float = 0.0) -> Summary:
        """Return the statistics of a channel over the readings of the span that are not null.

        `turning` is the speed in turns per second, for the ripple of one turn.
        """
        times, (values,) = self.clean(span, [channel])
        return summarise(values, Axis(times, turning))

    def turns_per_second(self, span: Span) -> float:
        """Return the mean speed over the readings of the span, turns per second; 0 where nothing turned."""
        if span.n < 2:
            return 0.0
        first, last = span.first, span.stop - 1
        seconds = (self.times[last] - self.times[first]) * 1e-9
        return (self.revolutions[last] - self.revolutions[first]) / seconds if seconds > 0.0 else 0.0

    def block_means(self, span: Span, channels: Sequence[str], blocks: int) -> Iterator[tuple[float, list[float]]]:
        """Yield mean time (s after the start of the span) and means of `channels` for each block of equal time.

        Rows where one of `channels` is null are left out, and so is a block without a reading.
        """
        times, columns = self.clean(span, channels)
        width = (span.end - span.start) / blocks
        first = 0
        for b in range(1, blocks + 1):
            stop = bisect_right(times, span.start + width * b) if b < blocks else len(times)
            n = stop - first
            if n:
                seconds = (sum(times[first:stop]) / n - span.start) * 1e-9
                yield seconds, [math.fsum(c[first:stop]) / n for c in columns]
            first = stop

    def longest_known_interval(self, start: int, end: int, channels: Sequence[str], started: int | None = None) -> int:
        """Return the longest time (ns) before a reading up to `end` with a value in all of `channels`.

        The first reading is the last one at or before `start`; its time counts from the reading before it, and where
        there is none from `started` (ns), the start of the step.
        """
        span = self.between(start, end)
        times = self.clean(Span(start, end, max(0, span.first - ROWS_BEFORE), span.stop), channels)[0]
        first = max(0, bisect_right(times, start) - 1)
        unseen = [] if started is None else [started]
        before = times[first - 1] if first else min(start, *times[:1], end, *unseen)
        return longest_interval(times[first:], before, max([before, *times[-1:]]))

    def longest_interval(self, span: Span) -> int:
        """Return the longest time (ns) without a reading in the span."""
        return longest_interval(self.times[span.first : span.stop], span.start, span.end)
