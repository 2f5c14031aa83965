"""Compute statistics of a span of readings.

All sums are `math.fsum`, which rounds once and correctly, for overlapping spans too.  At 30 ns for each value it is
cheaper in Python than running sums, and no rounding errors accumulate.

The arguments are not checked value by value, because these functions run between readings: a value that is no finite
number makes a sum fail or not finite.  Only then are the values searched for it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import mul, sub
from typing import Final, NoReturn, Self

from daq.core.arguments import is_listed, require_numbers, require_same_length
from daq.core.errors import ArgumentError

ROUNDING_SHARE: Final = 1e-24
"""Share of the sum of squares below which residuals are rounding errors."""


BATCHES: Final = 20
"""Number of batch means of a span; half the readings where a span has fewer than twice as many."""
LEAST_BATCHES: Final = 10
"""Least number of batch means; a span with fewer than twice as many readings has none."""
LEAST_TURNS: Final = 1.0
"""Turns of a span from which a ripple of one turn can be distinguished from a drift."""
FITTED: Final = 4
"""Number of parameters of a ripple: value, slope, sine and cosine.  It needs more readings than these."""
LEAST_PER_TURN: Final = 2.2
"""Readings in a turn from which its ripple is seen; at 2 the readings of a sine cannot be distinguished from others."""


@dataclass(slots=True)
class Batches:
    """Slow course of a span: means of successive readings, from which a slow drift below white noise is seen.

    It is computed again from the readings, and is no part of a recorded value (`daq.core.effects.recorded`).
    """

    means: tuple[float, ...]
    """Means of `BATCHES` batches of successive readings, in the unit of the signal, less what was fitted."""
    lag2: float | None
    """Lag-two autocorrelation of the readings; None where all deviations are 0."""


@dataclass(slots=True)
class Ripple:
    """A sine of one turn in a span, beside the least-squares line; unit of the signal."""

    power: float
    """Mean square of its two coefficients, each for a basis vector of length 1."""
    mean: float
    """Its mean over the span, which is 0 over whole turns."""
    sd: float
    """Standard deviation of the readings about line and sine (n - 4)."""
    lag1: float | None
    """Lag-one autocorrelation of the residuals about line and sine; None where all are 0."""
    batches: Batches | None = None
    """Slow course of these residuals."""


@dataclass(slots=True)
class Summary:
    """Statistics of one signal over one span; a field is None where `n` is too small to define it."""

    n: int
    mean: float | None = None
    sd: float | None = None
    """Sample standard deviation (n - 1)."""
    minimum: float | None = None
    maximum: float | None = None
    slope: float | None = None
    """Least-squares slope per second."""
    lag1: float | None = None
    """Lag-one autocorrelation: sum of products of neighbouring deviations from the mean over their sum of squares."""
    last: float | None = None
    mean_of_ratios: float | None = None
    """Only for a ratio of two signals, whose `mean` is the ratio of the means."""
    line_sd: float | None = None
    """Standard deviation about the least-squares line (n - 2)."""
    line_lag1: float | None = None
    """Lag-one autocorrelation of the residuals about the least-squares line; None where all are 0."""
    ripple: Ripple | None = None
    """The ripple of one turn; None where nothing turns, or the span is less than a turn."""
    batches: Batches | None = None
    """Slow course of the deviations from the mean."""
    line_batches: Batches | None = None
    """Slow course of the residuals about the least-squares line."""

    def value(self, statistic: str) -> float | None:
        """Return the statistic that a keep entry names: mean, sd, min, max, slope or last."""
        return {
            "mean": self.mean,
            "sd": self.sd,
            "min": self.minimum,
            "max": self.maximum,
            "slope": self.slope,
            "last": self.last,
        }[statistic]


@dataclass(slots=True)
class Turn:
    """A cosine and a sine of one turn over a span, orthogonal to its mean, to its line and to each other."""

    vectors: tuple[list[float], list[float]]
    """Both of length 1."""
    means: tuple[float, float]
    """Mean over the span of the part that one unit of each vector's coefficient stands for."""

    @classmethod
    def over(cls, axis: "Axis", per_second: float) -> Self | None:
        """Return the two vectors; None where the span is less than a turn, or has too few readings in a turn."""
        n, seconds = len(axis.seconds), axis.seconds
        turns = per_second * (seconds[-1] - seconds[0]) * n / (n - 1)
        if not LEAST_TURNS * (1.0 - ONE_READING / n) <= turns <= n / LEAST_PER_TURN:
            return None
        angles = [2.0 * math.pi * per_second * t for t in seconds]
        cosine, sine = [math.cos(a) for a in angles], [math.sin(a) for a in angles]
        first, first_mean, first_length = _orthogonal(cosine, axis, [])
        if not first_length > 0.0:
            return None
        second, second_mean, second_length = _orthogonal(sine, axis, [first])
        if not second_length > 0.0:
            return None
        share = math.fsum(map(mul, sine, first))
        one = first_mean / first_length
        return cls((first, second), (one, (second_mean - share * one) / second_length))


ONE_READING: Final = 1.5
"""Readings by which a span of whole turns may fall short of them."""


def _orthogonal(
    wave: Sequence[float], axis: "Axis", others: Sequence[Sequence[float]]
) -> tuple[list[float], float, float]:
    """Return a wave less its mean, its line and other vectors, scaled to length 1; with its mean and that length."""
    n = len(wave)
    mean = math.fsum(wave) / n
    slope = math.fsum(map(mul, wave, axis.seconds)) / axis.spread if axis.spread > 0.0 else 0.0
    out = [w - mean - slope * t for w, t in zip(wave, axis.seconds, strict=True)]
    for other in others:
        share = math.fsum(map(mul, out, other))
        out = [a - share * b for a, b in zip(out, other, strict=True)]
    length = math.sqrt(math.fsum(map(mul, out, out)))
    # A wave that is nearly a line, or has nearly the same value at all readings, cannot be distinguished from them.
    if length < LEAST_LENGTH * math.sqrt(n):
        return out, mean, 0.0
    return [v / length for v in out], mean, length


LEAST_LENGTH: Final = 0.1
"""Root mean square of what is left of a wave beside mean and line, below which it is not fitted."""


class Axis:
    """Times of a span, centred once for all signals that are summarised over it."""

    __slots__ = ("seconds", "spread", "turn")

    def __init__(self, times: Sequence[int], turns_per_second: float = 0.0) -> None:
        """Centre `times` (ns, not decreasing); `turns_per_second` gives the ripple its period (0: nothing turns)."""
        n = len(times)
        first = times[0] if n else 0
        centre = sum(times) / n - first if n else 0.0
        self.seconds = [((t - first) - centre) * 1e-9 for t in times]
        self.spread = math.fsum(map(mul, self.seconds, self.seconds))
        self.turn = Turn.over(self, turns_per_second) if turns_per_second > 0.0 and n > FITTED else None


def summarise(values: Sequence[float], axis: Axis) -> Summary:
    """Return the summary of `values` (any unit), one value for each time of `axis`.

    Two passes: the mean is the correctly rounded sum over n; the other statistics use deviations from the mean.

    Raises:
        ArgumentError: a value that is no finite number, or another number of values than times.
    """
    try:
        out = _summary(values, axis)
    except (TypeError, ValueError, ArithmeticError, LookupError, AttributeError):
        refuse_series(values=values)
    if out is None:
        refuse_series(values=values)
    return out


def _summary(values: Sequence[float], axis: Axis) -> Summary | None:
    """Return the summary; None where a sum is not finite or the numbers of values and times differ."""
    n = len(values)
    if n != len(axis.seconds):
        return None
    if n == 0:
        return Summary(0)
    mean = math.fsum(values) / n
    out = Summary(n, mean, minimum=min(values), maximum=max(values), last=values[-1])
    if n < 2:
        return out if math.isfinite(mean) else None
    deviations = [v - mean for v in values]
    squares = math.fsum(map(mul, deviations, deviations))
    if not math.isfinite(squares):
        return None
    out.sd = math.sqrt(squares / (n - 1))
    if squares > 0.0:
        out.lag1 = math.fsum(map(mul, deviations, deviations[1:])) / squares
    out.batches = _batches(deviations, squares)
    if axis.spread > 0.0:
        slope = math.fsum(map(mul, axis.seconds, deviations)) / axis.spread
        out.slope = slope
        if n > 2:
            residuals = [d - slope * t for d, t in zip(deviations, axis.seconds, strict=True)]
            rest = math.fsum(map(mul, residuals, residuals))
            out.line_sd = math.sqrt(rest / (n - 2))
            # Residuals of a perfect line are rounding errors; their autocorrelation means nothing.
            if rest > ROUNDING_SHARE * squares:
                out.line_lag1 = math.fsum(map(mul, residuals, residuals[1:])) / rest
                out.line_batches = _batches(residuals, rest)
            out.ripple = None if axis.turn is None else _ripple(residuals, axis.turn, squares)
    return out


def _batches(deviations: Sequence[float], squares: float) -> Batches | None:
    """Return the slow course of deviations with this sum of squares; None for fewer than 2 `LEAST_BATCHES` readings."""
    n = len(deviations)
    if n < 2 * LEAST_BATCHES:
        return None
    m = min(BATCHES, n // 2)
    ends = [i * n // m for i in range(m + 1)]
    means = tuple(math.fsum(deviations[a:b]) / (b - a) for a, b in pairwise(ends))
    lag2 = math.fsum(map(mul, deviations, deviations[2:])) / squares if squares > 0.0 else None
    return Batches(means, lag2)


def _ripple(residuals: Sequence[float], turn: Turn, squares: float) -> Ripple:
    """Return the ripple in the residuals about the line; `squares` is the sum of squares of all deviations."""
    n = len(residuals)
    a, b = (math.fsum(map(mul, residuals, v)) for v in turn.vectors)
    rest = [r - a * x - b * y for r, x, y in zip(residuals, *turn.vectors, strict=True)]
    left = math.fsum(map(mul, rest, rest))
    scatters = left > ROUNDING_SHARE * squares
    lag1 = math.fsum(map(mul, rest, rest[1:])) / left if scatters else None
    mean = a * turn.means[0] + b * turn.means[1]
    batches = _batches(rest, left) if scatters else None
    return Ripple((a * a + b * b) / 2.0, mean, math.sqrt(left / (n - 4)), lag1, batches)


def refuse_series(**given: Sequence[float]) -> NoReturn:
    """Raise the `ArgumentError` that names the value because of which a sum is not finite."""
    for name, values in given.items():
        require_numbers(name, values)
    (first, a), *others = given.items()
    for second, b in others:
        require_same_length(first, a, second, b)
    raise ArgumentError("gives no finite statistics; needs one value for each time, not too far apart", key=first)


@dataclass(frozen=True, slots=True)
class StraightLine:
    """Ordinary least-squares line y = intercept + slope x, with the sums for its statistics."""

    n: int
    intercept: float
    slope: float
    x_mean: float
    x_squares: float
    """Sum of squares of x about its mean; above 0."""
    y_squares: float
    """Sum of squares of y about its mean."""
    residuals: tuple[float, ...]
    """In the order given."""
    residual_squares: float

    @classmethod
    def through(cls, x: Sequence[float], y: Sequence[float]) -> Self | None:
        """Return the line through the points (x, y), at least 2; None where all x are equal.

        Raises:
            ArgumentError: a value that is no finite number, no points, or lists of different lengths.
        """
        try:
            line = cls._through(x, y)
        except (TypeError, ValueError, ArithmeticError, LookupError):
            refuse_series(x=x, y=y)
        if line is not None and not math.isfinite(
            line.intercept + line.slope + line.x_squares + line.y_squares + line.residual_squares
        ):
            refuse_series(x=x, y=y)
        return line

    @classmethod
    def _through(cls, x: Sequence[float], y: Sequence[float]) -> Self | None:
        n = len(x)
        x_mean, y_mean = math.fsum(x) / n, math.fsum(y) / n
        dx, dy = [a - x_mean for a in x], [b - y_mean for b in y]
        x_squares = math.fsum(map(mul, dx, dx))
        if x_squares <= 0.0:
            return None
        slope = math.fsum(map(mul, dx, dy)) / x_squares
        residuals = tuple([b - slope * a for a, b in zip(dx, dy, strict=True)])
        return cls(
            n,
            y_mean - slope * x_mean,
            slope,
            x_mean,
            x_squares,
            math.fsum(map(mul, dy, dy)),
            residuals,
            math.fsum(map(mul, residuals, residuals)),
        )

    @property
    def lag1(self) -> float | None:
        """Lag-one autocorrelation of the residuals; None where all residuals are 0."""
        if not self.residual_squares > 0.0:
            return None
        return math.fsum(a * b for a, b in pairwise(self.residuals)) / self.residual_squares


def _scaled_batches(batches: Batches | None, a: float) -> Batches | None:
    """Return the slow course of ``a x`` from that of x; None where a is 0."""
    if batches is None or not a:
        return None
    return Batches(tuple(a * v for v in batches.means), batches.lag2)


def _scaled_ripple(ripple: Ripple, a: float) -> Ripple | None:
    """Return the ripple of ``a x`` from that of x; None where a is 0."""
    if not a:
        return None
    return Ripple(
        a * a * ripple.power, a * ripple.mean, abs(a) * ripple.sd, ripple.lag1, _scaled_batches(ripple.batches, a)
    )


def scaled(summary: Summary, a: float, b: float) -> Summary:
    """Return the summary of ``a x + b`` from the summary of x."""
    if summary.mean is None or summary.minimum is None or summary.maximum is None or summary.last is None:
        return Summary(summary.n)
    low, high = sorted((a * summary.minimum + b, a * summary.maximum + b))
    return Summary(
        summary.n,
        a * summary.mean + b,
        None if summary.sd is None else abs(a) * summary.sd,
        low,
        high,
        None if summary.slope is None else a * summary.slope,
        summary.lag1 if a else None,
        a * summary.last + b,
        None if summary.mean_of_ratios is None else a * summary.mean_of_ratios + b,
        None if summary.line_sd is None else abs(a) * summary.line_sd,
        summary.line_lag1 if a else None,
        None if summary.ripple is None else _scaled_ripple(summary.ripple, a),
        _scaled_batches(summary.batches, a),
        _scaled_batches(summary.line_batches, a),
    )


def longest_interval(times: Sequence[int], start: int, end: int) -> int:
    """Return the longest time (ns) in ``start..end`` without a reading, including the times at both ends.

    Raises:
        ArgumentError: a time that is no whole number, or times that decrease.
    """
    try:
        intervals = list(map(sub, (*times, end), (start, *times)))
        # The sum is a whole number only if every time is one; it costs less than a check of each time.
        whole = type(sum(intervals)) is int and abs(end) < 1 << 63
    except TypeError:
        whole = False
    if not whole or min(intervals) < 0:
        _refuse_times(times, start, end)
    longest: int = max(intervals)
    return longest


def _refuse_times(times: Sequence[int], start: int, end: int) -> NoReturn:
    """Raise the `ArgumentError` that names the time that is no whole number or out of order."""
    for key, one in (("start", start), ("end", end)):
        if type(one) is not int or abs(one) >= 1 << 63:
            raise ArgumentError(f"must be a whole number of ns below 2^63, is {one!r:.60}", key=key)
    if not is_listed(times) or not set(map(type, times)) <= {int}:
        raise ArgumentError("must be whole numbers of ns", key="times")
    if end < start:
        raise ArgumentError(f"must not be before start ({start}), is {end}", key="end")
    raise ArgumentError(f"must not decrease, from start ({start}) to end ({end})", key="times")
