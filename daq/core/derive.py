"""Derived quantities: of one reading, for rules and screens; of a span, for kept values."""

import math
from collections.abc import Callable, Mapping, Sequence

from daq.core.columns import Columns, Span
from daq.core.plan import Derivation
from daq.core.statistics import Summary, summarise

Getter = Callable[[Sequence[float | None]], float | None]


def getters(channels: Sequence[str], derivations: Sequence[Derivation]) -> dict[str, Getter]:
    """For every channel and derived quantity, a function from one reading (in channel order) to its value or None."""
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
        out = a * x / y if ratio else a * x * y
        return out if math.isfinite(out) else None

    return value


def roots(name: str, derivations: Mapping[str, Derivation]) -> tuple[str, ...]:
    """The channels a signal is computed from."""
    if name not in derivations:
        return (name,)
    found = (root for x in derivations[name].inputs for root in roots(x, derivations))
    return tuple(dict.fromkeys(found))


def span_summaries(columns: Columns, span: Span, derivations: Sequence[Derivation]) -> dict[str, Summary]:
    """Summary of every channel and derived quantity over a span.

    Only rows where no channel that goes into a quantity is null are used for it.  The mean
    of a ratio is the ratio of the means; the mean of the ratios is kept beside it.
    """
    by_name = {d.name: d for d in derivations}
    out = {c: columns.summary(span, c) for c in columns.channels}
    for d in derivations:
        bases = roots(d.name, by_name)
        times, base = columns.clean(span, bases)
        series: dict[str, Sequence[float]] = dict(zip(bases, base, strict=True))
        values = _series(d.name, by_name, series)
        if d.op == "ratio":
            out[d.name] = _ratio_summary(d, by_name, series, values, times)
        else:
            out[d.name] = summarise([v for v in values if v is not None], times)
    return out


def _ratio_summary(
    d: Derivation,
    by_name: Mapping[str, Derivation],
    series: Mapping[str, Sequence[float]],
    values: Sequence[float | None],
    times: Sequence[int],
) -> Summary:
    defined = [(v, t) for v, t in zip(values, times, strict=True) if v is not None]
    summary = summarise([v for v, _ in defined], [t for _, t in defined])
    if not defined:
        return summary
    summary.mean_of_ratios = summary.mean
    x = math.fsum(v for v in _series(d.inputs[0], by_name, series) if v is not None)
    y = math.fsum(v for v in _series(d.inputs[1], by_name, series) if v is not None)
    summary.mean = d.a * x / y if y != 0.0 else None
    return summary


def _series(
    name: str, by_name: Mapping[str, Derivation], series: Mapping[str, Sequence[float]]
) -> Sequence[float | None]:
    if name in series:
        return series[name]
    d = by_name[name]
    xs = _series(d.inputs[0], by_name, series)
    if d.op == "linear":
        a, b = d.a, d.b
        return [None if x is None else a * x + b for x in xs]
    ys = _series(d.inputs[1], by_name, series)
    a = d.a
    if d.op == "product":
        return [None if x is None or y is None else a * x * y for x, y in zip(xs, ys, strict=True)]
    return [None if x is None or y is None or y == 0.0 else a * x / y for x, y in zip(xs, ys, strict=True)]
