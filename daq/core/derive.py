"""Compute derived quantities of one reading (for rules and screens) and of a span (for kept values)."""

import math
from collections.abc import Callable, Mapping, Sequence

from daq.core.columns import Columns, Span
from daq.core.plan import Derivation
from daq.core.statistics import Axis, Summary, scaled, summarise

Getter = Callable[[Sequence[float | None]], float | None]


def getters(channels: Sequence[str], derivations: Sequence[Derivation]) -> dict[str, Getter]:
    """Return, for every channel and derived quantity, a function from one reading to its value or None.

    A reading is a sequence of values in the order of `channels`.
    """
    out: dict[str, Getter] = {name: _column(i) for i, name in enumerate(channels)}
    for d in derivations:
        out[d.name] = _linear(d, out) if d.op == "linear" else _pair(d, out)
    return out


def _column(index: int) -> Getter:
    return lambda values: values[index]


def _linear(d: Derivation, known: Mapping[str, Getter]) -> Getter:
    get, a, b = known[d.inputs[0]], d.a, d.b

    def value(values: Sequence[float | None]) -> float | None:
        x = get(values)
        return None if x is None else a * x + b

    return value


def _pair(d: Derivation, known: Mapping[str, Getter]) -> Getter:
    get_x, get_y, a = known[d.inputs[0]], known[d.inputs[1]], d.a
    ratio = d.op == "ratio"

    def value(values: Sequence[float | None]) -> float | None:
        x, y = get_x(values), get_y(values)
        if x is None or y is None or (ratio and y == 0.0):
            return None
        out = (a * x / y if ratio else a * x * y) + 0.0
        return out if math.isfinite(out) else None

    return value


def roots(name: str, derivations: Mapping[str, Derivation]) -> tuple[str, ...]:
    """Return the channels from which a signal is computed."""
    if name not in derivations:
        return (name,)
    found = (root for x in derivations[name].inputs for root in roots(x, derivations))
    return tuple(dict.fromkeys(found))


def span_summaries(columns: Columns, span: Span, derivations: Sequence[Derivation]) -> dict[str, Summary]:
    """Return the summary of every channel and derived quantity over a span.

    A quantity uses the rows where none of its channels is null.  The mean of a ratio is the ratio of the means;
    `Summary.mean_of_ratios` holds the mean of the ratios.
    """
    by_name = {d.name: d for d in derivations}
    turning = columns.turns_per_second(span)
    if columns.missing:
        out = {c: columns.summary(span, c, turning) for c in columns.channels}
    else:
        out = _whole(columns, span, turning)
    for d in derivations:
        if d.op == "linear":
            out[d.name] = scaled(out[d.inputs[0]], d.a, d.b)
            continue
        bases = roots(d.name, by_name)
        times, base = columns.clean(span, bases)
        series = dict(zip(bases, base, strict=True))
        xs, ys = (_series(name, by_name, series) for name in d.inputs)
        a = d.a
        if d.op == "product":
            out[d.name] = summarise([a * x * y + 0.0 for x, y in zip(xs, ys, strict=True)], Axis(times, turning))
        else:
            out[d.name] = _ratio(a, xs, ys, times, turning)
    return out


def _whole(columns: Columns, span: Span, turning: float) -> dict[str, Summary]:
    times, values = columns.clean(span, columns.channels)
    axis = Axis(times, turning)
    return {c: summarise(v, axis) for c, v in zip(columns.channels, values, strict=True)}


def _ratio(a: float, xs: Sequence[float], ys: Sequence[float], times: Sequence[int], turning: float) -> Summary:
    ratios = [a * x / y + 0.0 if y != 0.0 else math.inf for x, y in zip(xs, ys, strict=True)]
    if not all(map(math.isfinite, ratios)):
        # A ratio with a zero denominator is not defined: the row is left out of the mean of ratios and its scatter.
        defined = [(v, t) for v, t in zip(ratios, times, strict=True) if math.isfinite(v)]
        ratios, times = [v for v, _ in defined], [t for _, t in defined]
    summary = summarise(ratios, Axis(times, turning))
    if summary.n:
        summary.mean_of_ratios = summary.mean
        bottom = math.fsum(ys)
        mean = a * math.fsum(xs) / bottom + 0.0 if bottom != 0.0 else math.inf
        summary.mean = mean if math.isfinite(mean) else None
    return summary


def _series(name: str, by_name: Mapping[str, Derivation], series: Mapping[str, list[float]]) -> list[float]:
    """Return the values of a quantity row by row, from the values of its channels; an undefined ratio counts as 0."""
    if name in series:
        return series[name]
    d = by_name[name]
    xs = _series(d.inputs[0], by_name, series)
    a, b = d.a, d.b
    if d.op == "linear":
        return [a * x + b for x in xs]
    ys = _series(d.inputs[1], by_name, series)
    if d.op == "product":
        return [a * x * y for x, y in zip(xs, ys, strict=True)]
    return [a * x / y if y != 0.0 else 0.0 for x, y in zip(xs, ys, strict=True)]
