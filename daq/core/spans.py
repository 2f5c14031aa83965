"""Kept values: which span, which readings, what is wrong with them."""

from collections.abc import Mapping

from daq.core.columns import Columns, Span
from daq.core.derive import roots, span_summaries
from daq.core.driver import Driver
from daq.core.effects import Kept
from daq.core.framing import NEVER
from daq.core.plan import Keep, Plan
from daq.core.statistics import Summary
from daq.core.stop import StepClock

#: A hole of more than this many expected intervals inside a span is named.
MISSING_INTERVALS = 5
LEAST_COMPLETENESS = 0.9


def take(
    plan: Plan,
    step: int,
    keep: Keep,
    t: int,
    clock: StepClock,
    columns: Mapping[str, Columns],
    drivers: Mapping[str, Driver],
    *,
    rule: str = "",
) -> Kept:
    """The value a keep entry asks for, taken at `t` (ns)."""
    lead = plan.lead.name
    span, cut = resolve(keep, t, clock, columns[lead])
    rows = columns[lead]
    summaries = span_summaries(rows, span, plan.derivations)
    for link in plan.links:
        if link.role == "companion":
            other = columns[link.name]
            same = other.between(span.start, span.end)
            summaries |= {f"{link.name}.{c}": other.summary(same, c) for c in link.channels}
    gap = rows.longest_interval(span)
    interval = _interval(drivers[lead])
    expected = (span.end - span.start) / interval if interval else float(keep.span.readings or 0)
    completeness = min(1.0, span.n / expected) if expected >= 1.0 else float(span.n > 0)
    faults: list[str] = []
    if cut:
        faults.append("cut_short")
    if span.n == 0:
        faults.append("no_readings")
    else:
        if interval and (gap > MISSING_INTERVALS * interval or completeness < LEAST_COMPLETENESS):
            faults.append("readings_missing")
        faults += _reading_faults(plan, rows, span)
        faults += _condition_faults(plan, step, summaries)
        faults += _temperature_faults(plan, summaries, columns, drivers, span)
    first, stop = span.first, span.stop
    turned = rows.revolutions[stop - 1] - (rows.revolutions[first - 1] if first else 0.0) if stop > first else 0.0
    return Kept(
        t=t,
        step=step,
        at=keep.at,
        statistic=keep.statistic,
        start=span.start,
        asked_ns=keep.span.ns,
        revolutions=turned,
        summaries=summaries,
        faults=tuple(dict.fromkeys(faults)),
        longest_interval_ns=gap,
        completeness=completeness,
        rule=rule,
        speed=plan.steps[step].speed,
    )


def _interval(driver: Driver) -> int:
    """How far apart readings are (ns); 0 where they come when somebody presses a key, and no time means a gap."""
    return max(driver.interval_ns, driver.refresh_ns) if driver.stale_after_ns else 0


def resolve(keep: Keep, t: int, clock: StepClock, columns: Columns) -> tuple[Span, bool]:
    """The span of a keep entry that ends at `t`, and whether it is shorter than asked."""
    floor = min(clock.floor, t)
    if keep.span.revolutions:
        return columns.last_turns(keep.span.revolutions, t, floor)
    if keep.span.readings:
        return columns.last_readings(keep.span.readings, t, floor)
    start = t - keep.span.ns
    if start < floor:
        return columns.between(floor, t), True
    return columns.between(start, t), False


def _reading_faults(plan: Plan, rows: Columns, span: Span) -> list[str]:
    by_name = {d.name: d for d in plan.derivations}
    bases = roots(plan.primary, by_name)
    found: list[str] = []
    for channel in bases:
        for fault in rows.faults(span, channel):
            # A reading that is merely missing is left out and shows as a gap; one that biases the mean is named.
            if fault in ("not_a_number", "probe") and rows.summary(span, channel).n:
                found.append("readings_missing")
            else:
                found.append(fault)
    return found


def _condition_faults(plan: Plan, step: int, summaries: Mapping[str, Summary]) -> list[str]:
    found: list[str] = []
    band = plan.band
    if band is not None:
        torque = summaries.get(band.signal)
        if torque is not None and torque.mean is not None:
            if torque.mean < band.low:
                # A little below zero is the zero's own error and stays a number with its sign.
                found.append("against_rotation" if torque.mean <= -band.low < 0.0 else "below_band")
            elif torque.mean > band.high:
                found.append("above_band")
    target = plan.steps[step].speed
    if plan.speed_signal and target:
        speed = summaries.get(plan.speed_signal)
        if speed is not None and speed.minimum is not None and speed.maximum is not None:
            off = plan.speed_tolerance * abs(target)
            if speed.minimum < target - off or speed.maximum > target + off:
                found.append("off_speed")
    return found


def _temperature_faults(
    plan: Plan,
    summaries: Mapping[str, Summary],
    columns: Mapping[str, Columns],
    drivers: Mapping[str, Driver],
    span: Span,
) -> list[str]:
    """Whether the temperature the method asks for was known and in its band.

    A span may be shorter than the thermometer's interval: then its last reading before counts, unless that is stale.
    """
    c = plan.conditioning
    if not c.signal:
        return []
    seen = summaries.get(c.signal)
    if seen is None or seen.n == 0:
        link, _, channel = c.signal.rpartition(".")
        name = link or plan.lead.name
        rows = columns[name]
        before = rows.between(span.start - (drivers[name].stale_after_ns or NEVER), span.start)
        if before.n:
            before.first = before.stop - 1
            seen = rows.summary(before, channel)
    if seen is None or seen.minimum is None or seen.maximum is None:
        return ["no_temperature"]
    return [] if c.low <= seen.minimum and seen.maximum <= c.high else ["off_temperature"]
