"""A control chart of single points: limits, moving ranges, moving average, signals and capability.  Pure.

Sources: ISO 7870-2 and NIST/SEMATECH e-Handbook 6.3.2 (charts), ISO 22514-2 (capability).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final

from daq.laboratory.chartlimits import ChartLimits, ChartName
from daq.methods.parts.statement import Statement, state
from daq.methods.sentences.chart_sentences import SIGNAL
from daq.quality.capability import capability, cp_interval, cpk_interval, one_sided_interval
from daq.quality.charts import IndividualsChart, constants, ewma_chart, individuals_chart
from daq.quality.chartsignals import Signal, find_signals

LEAST_FOR_TRIAL: Final = 10
"""Least number of points for trial limits; with 10 the standard deviation of sigma is a quarter of it (our choice)."""
LEAST_FOR_CAPABILITY: Final = 20
"""Least number of points for a capability; with 20 the interval of Cp reaches 32 % to both sides (our choice)."""
WEIGHT: Final = 0.3
"""Weight of the newest point in the moving average (NIST/SEMATECH e-Handbook 6.3.2.4)."""
NO_SCATTER: Final = 1e-12
"""Standard deviation, as a part of the centre, below which points differ by the rounding of their arithmetic only."""


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a chart.

    Attributes:
        name: sample, or for a verification its date and condition.
        utc_ns: time at which the last run of the point started.
        value: in the unit of the chart.
        runs: runs whose results make it.
        simulated: whether no real sample was measured.
        quality: the worst quality of its results (OPC UA Part 8).
        method: id, version and choices of the method.
        unit: UCUM code.
        limits: lower and upper limit of the product that applied; None where there is none.
        serials: serial numbers of the measuring geometries of its results; "" where it is not known.
        is_outside: a control that did not pass, because its value was outside of the limits of its day.
    """

    name: str
    utc_ns: int
    value: float
    runs: tuple[str, ...]
    simulated: bool
    quality: str
    method: str
    unit: str
    limits: tuple[float | None, float | None] = (None, None)
    serials: tuple[str, ...] = ("",)
    is_outside: bool = False


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A sample or run that is no point of the chart, and why."""

    name: str
    why: tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a chart: centre, limits of single points, of the moving range and of the moving average."""

    centre: float
    sigma: float
    lower: float
    upper: float
    mean_moving_range: float
    moving_range_upper: float
    averages: tuple[float, ...]
    average_lower: tuple[float, ...]
    average_upper: tuple[float, ...]
    fixed: bool


@dataclass(frozen=True, slots=True)
class Index:
    """A capability index with its interval (95 %)."""

    name: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class CapabilityFound:
    """Capability of the points under the limits of the product."""

    lower: float | None
    upper: float | None
    indices: tuple[Index, ...]
    outside: float
    """Expected part outside the limits for normal values, 0 to 1."""
    notes: tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class Chart:
    """A control chart.  Values in `unit`.

    Attributes:
        name: which chart.
        unit: UCUM code.
        method: id, version and choices of the method of all points.
        points: in order of time.
        moving_ranges: between a point and the one before; one fewer than points.
        lines: None where there are no limits; `origin` says why.
        origin: where the limits come from, or why there are none.
        signals: one for each statement of `findings`.
        findings: the signals as sentences that name the points.
        capability: None where there is none; `no_capability` says why.
        left_out: samples and runs that are no points.
        cautions: further statements about the whole chart.
    """

    name: ChartName
    unit: str
    method: str
    points: tuple[Point, ...]
    moving_ranges: tuple[float, ...]
    lines: Lines | None
    origin: tuple[Statement, ...]
    signals: tuple[Signal, ...]
    findings: tuple[Statement, ...]
    capability: CapabilityFound | None
    no_capability: Statement | None
    left_out: tuple[LeftOut, ...]
    cautions: tuple[Statement, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class FixedLimits:
    """Limits that a person fixed, with the person, the day and the reason.

    `gone` are the points of that time which were corrected since, or are doubtful or rejected now.
    """

    record: ChartLimits
    who: str
    day: str
    because: str
    gone: tuple[str, ...] = ()


def same_kind(points: Sequence[Point]) -> tuple[list[Point], list[LeftOut]]:
    """Return the points that can be compared with the newest one, in order of time, and the others with the reason.

    Simulated points do not mix with real ones: where there are real ones, the newest of them counts.
    """
    ordered = sorted(points, key=lambda p: p.utc_ns)
    real = [p for p in ordered if not p.simulated]
    kept, out = [], []
    for p in ordered:
        newest = (real or ordered)[-1]
        if p.simulated and real:
            out.append(LeftOut(p.name, (state("chart_left_simulated"),)))
        elif p.unit != newest.unit:
            out.append(LeftOut(p.name, (state("chart_differs_from_newest", aspect="unit"),)))
        elif p.method != newest.method:
            out.append(LeftOut(p.name, (state("chart_differs_from_newest", aspect="method"),)))
        else:
            kept.append(p)
    return kept, out


def control_chart(
    name: ChartName,
    points: Sequence[Point],
    fixed: FixedLimits | None = None,
    left_out: Sequence[LeftOut] = (),
    cautions: Sequence[Statement] = (),
) -> Chart:
    """Return the chart of points that can be compared with each other, in order of time.

    Args:
        name: which chart.
        points: as `same_kind` returns them.
        fixed: limits that a person fixed; without them trial limits are computed from the points.
        left_out: samples and runs that are no points.
        cautions: statements about the whole chart.
    """
    values = [p.value for p in points]
    unit, method = (points[-1].unit, points[-1].method) if points else ("", "")
    lines, origin = _lines(points, fixed)
    signals = () if lines is None else find_signals(values, lines.centre, lines.sigma, WEIGHT)
    found, why_not = _capability(points, is_stable=lines is not None and not signals)
    simulated = [state("chart_simulated")] if any(p.simulated for p in points) else []
    wide = _wide(fixed) if fixed is not None and lines is not None and lines.fixed else []
    return Chart(
        name=name,
        unit=unit,
        method=method,
        points=tuple(points),
        moving_ranges=tuple(abs(b - a) for a, b in pairwise(values)),
        lines=lines,
        origin=origin,
        signals=signals,
        findings=tuple(_sentence(s, points) for s in signals),
        capability=found,
        no_capability=why_not,
        left_out=tuple(left_out),
        cautions=(*simulated, *wide, *cautions),
    )


def _differing(record: ChartLimits, points: Sequence[Point]) -> list[str]:
    """Return in what the points of a chart differ from those from which its limits were fixed."""
    newest, serials = points[-1], {serial for p in points for serial in p.serials}
    aspects = {
        "unit": record.unit != newest.unit,
        "method": record.method != newest.method,
        # Another specimen of a geometry has constants of its own, whatever its name.
        "serial number of the geometry": not serials <= {*record.serials},
    }
    return [name for name, differs in aspects.items() if differs]


def trial(values: Sequence[float]) -> IndividualsChart | None:
    """Return centre and sigma of at least 2 values; None where they do not differ."""
    found = individuals_chart(values)
    return found if found.sigma > NO_SCATTER * abs(found.centre) else None


def _lines(points: Sequence[Point], fixed: FixedLimits | None) -> tuple[Lines | None, tuple[Statement, ...]]:
    values = [p.value for p in points]
    origin: list[Statement] = []
    if fixed is not None and points:
        differing = _differing(fixed.record, points)
        if not differing:
            return _drawn(values, fixed.record.centre, fixed.record.sigma, fixed=True), (_fixed_origin(fixed),)
        # Limits of another method do not apply, and a chart without a word about them would hide that.
        origin.append(state("chart_limits_other", aspects=tuple(differing)))
    if len(values) < LEAST_FOR_TRIAL:
        return None, (*origin, state("chart_few_points", count=len(values), least=LEAST_FOR_TRIAL))
    found = trial(values)
    if found is None:
        return None, (*origin, state("chart_no_scatter"))
    trial_origin = state("chart_limits_trial", count=len(values))
    return _drawn(values, found.centre, found.sigma, fixed=False), (*origin, trial_origin)


def _fixed_origin(fixed: FixedLimits) -> Statement:
    record = fixed.record
    return state(
        "chart_limits_fixed",
        who=fixed.who,
        day=fixed.day,
        count=record.count,
        first=record.first,
        last=record.last,
        because=fixed.because,
    )


def _wide(fixed: FixedLimits) -> list[Statement]:
    """Return the cautions about fixed limits: points that may have made them wider, or that do not count any more."""
    record = fixed.record
    named = {
        "chart_fixed_beyond": record.beyond,
        "chart_fixed_not_passed": record.not_passed,
        "chart_fixed_gone": fixed.gone,
    }
    return [state(code, points=points) for code, points in named.items() if points]


def _drawn(values: Sequence[float], centre: float, sigma: float, *, fixed: bool) -> Lines:
    average = ewma_chart(values, centre, sigma, WEIGHT, exact=True)
    c = constants(2)
    return Lines(
        centre=centre,
        sigma=sigma,
        lower=centre - 3.0 * sigma,
        upper=centre + 3.0 * sigma,
        mean_moving_range=c.d2 * sigma,
        moving_range_upper=c.D4 * c.d2 * sigma,
        averages=average.averages,
        average_lower=average.lower,
        average_upper=average.upper,
        fixed=fixed,
    )


def _sentence(signal: Signal, points: Sequence[Point]) -> Statement:
    side = {1: "_high", -1: "_low", 0: ""}[signal.side]
    return state(f"{SIGNAL}{signal.rule}{side}", points=tuple(points[i].name for i in signal.points))


def _capability(points: Sequence[Point], *, is_stable: bool) -> tuple[CapabilityFound | None, Statement | None]:
    """Return the capability of points under the limits of the newest one, or why there is none."""
    n = len(points)
    if not points or points[-1].limits == (None, None):
        return None, state("capability_no_limits")
    low, high = points[-1].limits
    if n < LEAST_FOR_CAPABILITY:
        return None, state("capability_few", count=n, least=LEAST_FOR_CAPABILITY)
    if any(p.limits != points[-1].limits for p in points):
        return None, state("capability_changed_limits", low=low, high=high, unit=points[-1].unit)
    mean = math.fsum(p.value for p in points) / n
    sd = math.sqrt(math.fsum((p.value - mean) ** 2 for p in points) / (n - 1))
    if not sd > NO_SCATTER * abs(mean):
        return None, state("capability_no_scatter")
    found = capability(mean, sd, low, high)
    letter = "C" if is_stable else "P"
    indices = []
    if found.cp is not None:
        indices.append(Index(f"{letter}p", found.cp, *cp_interval(found.cp, n)))
        indices.append(Index(f"{letter}pk", found.cpk, *cpk_interval(found.cpk, n)))
    else:
        indices.append(Index(f"{letter}pk", found.cpk, *one_sided_interval(found.cpk, n)))
    stable = state("capability_stable" if is_stable else "capability_not_stable")
    return CapabilityFound(low, high, tuple(indices), found.outside, (stable, state("capability_normal"))), None


def as_json(chart: Chart) -> dict[str, Any]:
    """Return a chart as JSON values; times are UTC in ns."""
    lines, found = chart.lines, chart.capability
    return {
        **chart.name.model_dump(mode="json"),
        "id": chart.name.id,
        "unit": chart.unit,
        "method": chart.method,
        "points": [
            {
                "name": p.name,
                "utc_ns": p.utc_ns,
                "value": p.value,
                "moving_range": chart.moving_ranges[i - 1] if i else None,
                "average": None if lines is None else lines.averages[i],
                "average_lower": None if lines is None else lines.average_lower[i],
                "average_upper": None if lines is None else lines.average_upper[i],
                "runs": list(p.runs),
                "quality": p.quality,
                "simulated": p.simulated,
            }
            for i, p in enumerate(chart.points)
        ],
        "limits": None
        if lines is None
        else {
            "fixed": lines.fixed,
            "centre": lines.centre,
            "sigma": lines.sigma,
            "lower": lines.lower,
            "upper": lines.upper,
            "mean_moving_range": lines.mean_moving_range,
            "moving_range_upper": lines.moving_range_upper,
        },
        "origin": _dumped(chart.origin),
        "signals": [
            {"rule": s.rule, "side": s.side, "points": list(s.points), **text.model_dump(mode="json")}
            for s, text in zip(chart.signals, chart.findings, strict=True)
        ],
        "capability": None
        if found is None
        else {
            "lower": found.lower,
            "upper": found.upper,
            "indices": [{"name": x.name, "value": x.value, "low": x.low, "high": x.high} for x in found.indices],
            "coverage": 0.95,
            "expected_outside": found.outside,
            "notes": _dumped(found.notes),
        },
        "no_capability": None if chart.no_capability is None else chart.no_capability.model_dump(mode="json"),
        "left_out": [{"name": x.name, "why": _dumped(x.why)} for x in chart.left_out],
        "cautions": _dumped(chart.cautions),
    }


def _dumped(statements: Sequence[Statement]) -> list[dict[str, Any]]:
    return [s.model_dump(mode="json") for s in statements]
