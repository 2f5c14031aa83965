"""Take kept values: resolve their span, summarise its readings, and find its faults."""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from typing import Final

from daq.core.columns import Columns, Span
from daq.core.derive import roots, span_summaries
from daq.core.driver import Driver, counts_for, interval_of
from daq.core.effects import Kept
from daq.core.framing import NEVER
from daq.core.latereadings import MISSING_INTERVALS, late_readings, look_back_ns
from daq.core.plan import Keep, Plan, Rule
from daq.core.quietness import noise_of_span
from daq.core.sensorsigns import FROZEN, MOST_BEFORE, is_clipped, is_disturbed, is_frozen, is_jumped, tail_of
from daq.core.statistics import Summary
from daq.core.stop import SPAN_CHECKS, Met, StepClock
from daq.core.units import as_written

OWN_TEMPERATURE: Final = "temperature"
"""Channel of the lead instrument's own temperature."""
LATE: Final = 0.02
"""Part of the readings of a span that were made before it, from which they are a fault.  Our choice: readings of twice
the torque change the mean by as much."""
LEAST_LATE: Final = 2
"""Lines that were made before a span, from which they are a fault: an honest one may be late by an interval."""
LEAST_COMPLETENESS: Final = 0.9
"""Readings are missing where the completeness of the span is below this, and more than its phase explains."""


def take(
    plan: Plan,
    step: int,
    keep: Keep,
    t: int,
    clock: StepClock,
    columns: Mapping[str, Columns],
    drivers: Mapping[str, Driver],
    *,
    met: Met | None = None,
    settled: Sequence[float] = (),
) -> Kept:
    """Return the value of the keep entry `keep`, taken at `t` (ns), with its faults.

    Args:
        plan: plan of the run.
        step: index of the step.
        keep: entry of the method.
        t: end of the span, ns.
        clock: clock of the step.
        columns: readings of the step by the name of the link.
        drivers: drivers by the name of the link.
        met: the rule that selected the value, for a value kept on an event.
        settled: newest torques of the step since its settling time, as `settled_tail` gives them.
    """
    lead = plan.lead.name
    span, cut = resolve(keep, t, clock, columns[lead])
    rows = columns[lead]
    summaries = span_summaries(rows, span, plan.derivations)
    for link in plan.links:
        if link.role == "companion":
            other = columns[link.name]
            same = other.between(span.start, span.end)
            summaries |= {f"{link.name}.{c}": other.summary(same, c) for c in link.channels}
    longest = rows.longest_interval(span)
    interval = interval_of(drivers[lead])
    per_line = drivers[lead].readings_per_line
    expected = (span.end - span.start) / interval * per_line if interval else float(keep.span.readings or 0)
    completeness = min(1.0, span.n / expected) if expected >= 1.0 else float(span.n > 0)
    faults: list[str] = []
    noise = None
    if cut:
        faults.append("cut_short")
    if span.n == 0:
        faults.append("no_readings")
    else:
        # Where the span is no multiple of the interval, its phase decides whether it has one reading more or less.
        lost = completeness < LEAST_COMPLETENESS and span.n < (math.floor(expected / per_line) - 1) * per_line
        if interval and (longest > MISSING_INTERVALS * interval or lost):
            faults.append("readings_missing")
        if _has_late_readings(plan, step, keep, rows, span, clock, drivers[lead]):
            faults.append("readings_late")
        faults += _reading_faults(plan, rows, span)
        if is_frozen(settled):
            faults.append("torque_frozen")
        torques = _torques(plan, rows, span)
        faults += _sensor_faults(plan, torques, keep, rows, span, clock.floor, drivers[lead])
        noise = noise_of_span(torques[1])
        faults += _condition_faults(plan, step, summaries, span.n)
        faults += _temperature_faults(plan, summaries, columns, drivers, span)
    rule = "" if met is None else met.name
    event_interval, gap = _event_interval(plan, step, keep, columns, span, met, clock.start)
    if met is not None and (met.is_late or gap > MISSING_INTERVALS * _event_reading(plan, keep, drivers, rule)):
        faults.append("event_may_be_earlier")
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
        longest_interval_ns=longest,
        completeness=completeness,
        rule=rule,
        speed=plan.steps[step].speed,
        temperature_faults=_probe_faults(plan, columns, drivers, span),
        event_interval_ns=event_interval,
        noise=noise,
    )


def _has_late_readings(
    plan: Plan, step: int, keep: Keep, rows: Columns, span: Span, clock: StepClock, driver: Driver
) -> bool:
    """Return whether readings from before the span, or from before the step has settled, arrived late in it."""
    # The readings of a span of readings or turns may be older than its first time, but not than the settling.
    since = span.start if keep.span.ns else min(clock.floor, span.end)
    # A speed is confirmed by a reading, and those after it were made after it.
    started = None if plan.steps[step].speed is None else clock.start
    late = late_readings(rows, span, driver, since=since, started=started)
    return late >= max(LEAST_LATE * driver.readings_per_line, LATE * span.n)


def _event_leaf(keep: Keep, rule: str) -> Rule | None:
    return None if keep.event is None else next((x for x in keep.event.leaves() if x.name == rule), None)


def _event_reading(plan: Plan, keep: Keep, drivers: Mapping[str, Driver], rule: str) -> int:
    """Return the expected interval (ns) of the readings of an event's signal; `NEVER` where none can be missing."""
    leaf = _event_leaf(keep, rule)
    link = "" if leaf is None else leaf.signal.rpartition(".")[0]
    return interval_of(drivers[link or plan.lead.name]) or NEVER


def _event_interval(
    plan: Plan,
    step: int,
    keep: Keep,
    columns: Mapping[str, Columns],
    span: Span,
    met: Met | None,
    started: int | None,
) -> tuple[int, int]:
    """Return the greatest error (ns) of the time of an event from the interval of its readings, and the longest one.

    Both are 0 without event.  The error is the longest time between two readings with the signal, from the moment at
    which the rule began to hold.  All readings of a line have the time of the line, and lines may come in blocks: their
    number does not give the interval.
    """
    leaf = None if met is None else _event_leaf(keep, met.name)
    if leaf is None or met is None:
        return 0, 0
    link, _, channel = leaf.signal.rpartition(".")
    rows = columns[link or plan.lead.name]
    by_name = {d.name: d for d in plan.derivations}
    bases = [c for c in roots(channel, by_name) if c in rows.channels]
    # A step may end before its event has held for the whole time that an older reading allows.
    held = max(0, span.end - round(leaf.held_ns(plan.steps[step].speed)))
    # A hold is met at a reading, and so it began before the time of the hold.
    begin = min(span.start, held if met.since < 0 else min(met.since, held))
    # Where the step began without a value, the event may lie at its start, or before the first row that is left.
    started = None if met.since < 0 else started if rows.is_whole else rows.times[0]
    longest = gap = rows.longest_known_interval(begin, span.end, bases, started)
    if leaf.kind == "steady":
        return max(longest, leaf.span.ns // SPAN_CHECKS), gap
    # A hold is met at a reading, which may come up to one interval after the time of the hold.
    if leaf.hold.ns or leaf.hold.revolutions:
        longest += rows.longest_known_interval(span.end, span.end, bases)
    return longest, gap


def resolve(keep: Keep, t: int, clock: StepClock, columns: Columns) -> tuple[Span, bool]:
    """Return the span of a keep entry that ends at `t` (ns), and whether it is shorter than the method asks for."""
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
            # A value without a number leaves the others unbiased: it only counts as a missing reading.
            if fault in ("not_a_number", "probe") and rows.summary(span, channel).n:
                found.append("readings_missing")
            else:
                found.append(fault)
    return found


def _torques(plan: Plan, rows: Columns, span: Span) -> tuple[list[int], list[float]]:
    """Return times (ns) and torques (in the unit of the band) of the readings with a torque; none without a band."""
    if plan.band is None:
        return [], []
    times, (values,) = rows.clean(span, [plan.band.signal])
    return times, values


def _sensor_faults(
    plan: Plan,
    torques: tuple[list[int], list[float]],
    keep: Keep,
    rows: Columns,
    span: Span,
    floor: int,
    driver: Driver,
) -> list[str]:
    """Return the faults of a torque whose readings `torques` (as of `_torques`) in the span are not the sample's."""
    band, (times, values) = plan.band, torques
    if band is None:
        return []
    found = ["torque_clipped"] if is_clipped(values) else []
    if keep.statistic not in ("mean", "last"):
        return found
    if is_disturbed(values, limit=band.high, is_last=keep.statistic == "last"):
        found.append("outlying_readings")
    # A structure that breaks makes a peak, and a gel an event: there a jump is the sample's.
    if plan.claim not in ("at_time", "equilibrium") or keep.event is not None:
        return found
    first = max(0, span.first - MOST_BEFORE, bisect_left(rows.times, span.start - look_back_ns(driver)))
    interval = interval_of(driver) // driver.readings_per_line
    earlier, before = _torques(plan, rows, Span(span.start, span.start, first, span.first))
    settled = len(earlier) - bisect_right(earlier, floor)
    at = [*earlier, *times] if interval else []
    if is_jumped(values, limit=band.high, before=before, settled=settled, times=at, interval=max(1, interval)):
        found.append("torque_jumped")
    return found


def settled_tail(plan: Plan, rows: Columns, start: int, end: int, trail: Sequence[float]) -> list[float]:
    """Return the newest torques in ``start < t_i <= end`` (ns), after those of `trail`, as `is_frozen` needs them.

    They do not depend on the span of a value: the torque may be frozen for much longer, or the span may be short.
    """
    if plan.band is None or end <= start:
        return list(trail)
    inside = rows.between(start, end)
    newest = _torques(plan, rows, Span(start, end, max(inside.first, inside.stop - FROZEN), inside.stop))[1]
    # The noise before is looked at only where the end is constant.
    if len(set(newest)) > 1:
        return newest
    return tail_of([*trail, *_torques(plan, rows, inside)[1]])


def _condition_faults(plan: Plan, step: int, summaries: Mapping[str, Summary], n: int) -> list[str]:
    """Return the faults of torque and speed over a span of `n` readings."""
    found: list[str] = []
    band = plan.band
    if band is not None:
        torque = summaries.get(band.signal)
        if torque is not None and torque.mean is not None:
            mean, low = as_written(torque.mean), as_written(band.low)
            if mean < low:
                # A torque slightly below zero may be the error of the zero: it stays a number with its sign.
                found.append("against_rotation" if mean <= -low < 0.0 else "below_band")
            elif mean > as_written(band.high):
                found.append("above_band")
    target = plan.steps[step].speed
    if plan.speed_signal and target:
        speed = summaries.get(plan.speed_signal)
        # A torque or a stress is computed without the speed, so its readings without one are not missing.
        is_used = plan.speed_signal in roots(plan.primary, {d.name: d for d in plan.derivations})
        if not is_used and (speed is None or speed.n < LEAST_COMPLETENESS * n):
            found.append("speed_unknown")
        if speed is not None and speed.minimum is not None and speed.maximum is not None:
            off = plan.speed_tolerance * abs(target)
            if not _is_between(target - off, speed, target + off):
                found.append("off_speed")
    return found


def _temperature_faults(
    plan: Plan,
    summaries: Mapping[str, Summary],
    columns: Mapping[str, Columns],
    drivers: Mapping[str, Driver],
    span: Span,
) -> list[str]:
    """Return the fault of the temperature that the method asks for, if it was not known or not in its band.

    A span may be shorter than the interval of the thermometer.  Then the last reading before the span counts, unless
    it is stale; it may be from before the step.
    """
    c = plan.conditioning
    if not c.signal:
        return []
    seen = summaries.get(c.signal)
    if seen is None or seen.n == 0:
        link, _, channel = c.signal.rpartition(".")
        name = link or plan.lead.name
        before = _last_before(columns[name], drivers[name], span)
        if before is not None:
            seen = before[0].summary(before[1], channel)
    if seen is None or seen.minimum is None or seen.maximum is None:
        return ["no_temperature"]
    return [] if _is_between(c.low, seen, c.high) else ["off_temperature"]


def _is_between(low: float, seen: Summary, high: float) -> bool:
    """Return whether all readings are from `low` to `high`, compared as the decimal numbers that a person reads."""
    least, greatest = seen.minimum or 0.0, seen.maximum or 0.0
    return as_written(low) <= as_written(least) and as_written(greatest) <= as_written(high)


def _last_before(rows: Columns, driver: Driver, span: Span) -> tuple[Columns, Span] | None:
    """Return the last reading before `span`, as columns and its span; None without one that counts at the end."""
    since = span.end - counts_for(driver)
    if since >= span.start:
        return None
    for readings in (rows, rows.earlier):
        before = None if readings is None else readings.between(since, span.start)
        if readings is not None and before is not None and before.n:
            before.first = before.stop - 1
            return readings, before
    return None


def last_temperature(
    plan: Plan, kept: Kept, columns: Mapping[str, Columns], drivers: Mapping[str, Driver]
) -> tuple[dict[str, Summary], list[str]]:
    """Return the temperature before the span of `kept`, by its signal, where it counts for the span, and its faults.

    It counts where no reading of the thermometer, with or without a number, is inside the span, and the last one before
    is not stale.  Otherwise it is {}.  The faults are also those of a reading that counts for the method's condition
    alone, because the ones inside the span have no number.
    """
    signal = plan.conditioning.signal or OWN_TEMPERATURE
    link, _, channel = signal.rpartition(".")
    name = link or plan.lead.name
    rows = columns[name]
    if channel not in rows.channels:
        return {}, []
    span = rows.between(kept.start, kept.t)
    before = None if rows.clean(span, [channel])[0] else _last_before(rows, drivers[name], span)
    if before is None:
        return {}, []
    last, faults = before[0].summary(before[1], channel), before[0].faults(before[1], channel)
    if not last.n:
        return {}, []
    return {} if span.n else {signal: last}, faults


def _probe_faults(
    plan: Plan, columns: Mapping[str, Columns], drivers: Mapping[str, Driver], span: Span
) -> tuple[str, ...]:
    """Return the faults of the run's temperature: of its readings, of its age at the end of the span, of its absence.

    A few readings without a number among many leave the others unbiased, and are no fault.
    """
    link, _, channel = (plan.conditioning.signal or OWN_TEMPERATURE).rpartition(".")
    name = link or plan.lead.name
    rows = columns[name]
    if channel not in rows.channels:
        return ()
    inside = rows.between(span.start, span.end)
    found = rows.faults(inside, channel)
    times, _ = rows.clean(inside, [channel])
    if not times:
        before = _last_before(rows, drivers[name], span)
        is_known = before is not None and not before[0].null_rows(before[1], [channel])
        return tuple(found) if is_known else (*found, "no_temperature")
    if "not_a_number" in found and len(times) >= LEAST_COMPLETENESS * inside.n:
        found.remove("not_a_number")
    if span.end - times[-1] > counts_for(drivers[name]):
        found.append("silent")
    return tuple(found)
