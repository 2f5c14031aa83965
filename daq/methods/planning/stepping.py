"""Compile the steps of a method to steps of the plan, with the checks that need the bench."""

import math

from daq.core.plan import Keep, Rule, Step
from daq.methods.files.recipe import Keep as KeepEntry
from daq.methods.files.recipe import Step as StepEntry
from daq.methods.planning.making import Making
from daq.methods.planning.rules import NS, RuleMaker, in_time, longest_time, shortest_time
from daq.methods.planning.seekplan import compile_seek


def compile_steps(making: Making, flow_behaviour_index: float | None = None) -> tuple[Step, ...]:
    """Return all steps; errors go to the refusals.  `flow_behaviour_index` is the product's, if it states one."""
    return tuple(
        _step(making, step, f"steps[{i}]")
        if step.seek is None
        else compile_seek(making, step, step.seek, f"steps[{i}]", flow_behaviour_index)
        for i, step in enumerate(making.method.steps)
    )


def _step(making: Making, step: StepEntry, key: str) -> Step:
    assert step.stop is not None  # noqa: S101 - a step without seek has one
    refused = len(making.refusals.errors)
    speed = None if step.speed is None else making.chosen.speed(step.speed, f"{key}.speed", making.instrument)
    maker = RuleMaker(making, turns=speed is not None)
    stop = maker.make(step.stop, f"{key}.stop")
    _distinct(making, stop, f"{key}.stop")
    # The duration of a step can be computed only if its rules have no errors.
    understood = len(making.refusals.errors) == refused
    if understood:
        _stoppable(making, step, key, stop, speed)
    keeps = tuple(
        _keep(maker, entry, f"{key}.keep[{i}]", stop, (step, speed), fits=understood)
        for i, entry in enumerate(step.keep)
    )
    return Step(step.name, speed, step.settle, stop, keeps, step.longest, treatment=step.treatment or "")


def _distinct(making: Making, stop: Rule, key: str) -> None:
    names = [leaf.name for leaf in stop.leaves()]
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            making.refuse(key, f"two rules are called {name!r}; give them different names, so that the reason is clear")


def _stoppable(making: Making, step: StepEntry, key: str, stop: Rule, speed: float | None) -> None:
    least = shortest_time(stop, speed)
    if least >= step.longest:
        making.refuse(
            f"{key}.longest",
            f"{step.longest / NS:g} s is not longer than the {least / NS:g} s its stop rule needs at least; "
            "the step would always fail",
        )


def _enough_readings(making: Making, count: int, key: str, stop: Rule) -> None:
    """Refuse a span of more readings than the number after which the step ends."""
    if stop.kind == "above" and stop.signal == "readings" and stop.low < count:
        making.refuse(key, f"is of {count} readings, but the step ends after {stop.low:g}; take fewer, or wait longer")


def _keep(
    maker: RuleMaker, entry: KeepEntry, key: str, stop: Rule, where: tuple[StepEntry, float | None], *, fits: bool
) -> Keep:
    making, (step, speed) = maker.making, where
    for field, extent in (("span", entry.span), ("every", entry.every)):
        if extent.revolutions and speed is None:
            making.refuse(f"{key}.{field}", "is in revolutions, but the step has no speed; write a time")
    span = 0.0 if entry.span.readings else in_time(entry.span, speed)
    settle = in_time(step.settle, speed)
    available = min(longest_time(stop, speed), float(step.longest)) - settle
    if fits and math.isfinite(span) and span > available + 1:
        making.refuse(
            f"{key}.span",
            f"{span / NS:g} s is longer than the {max(available, 0) / NS:g} s that are left of the step after "
            f"settle ({settle / NS:g} s); shorten the span or let the step run longer",
        )
    # A peak passes in less than one revolution, so the ripple cannot be averaged out.
    of_peak = making.method.claim == "peak" and step.name == making.method.steps[making.method.result_index].name
    if speed and not of_peak and entry.span.ns and entry.span.ns / 60e9 * speed < 1.0 - 1e-9:
        making.refusals.warn(
            "span_shorter_than_turn",
            step=step.name,
            span=entry.span.ns / NS,
            turns=entry.span.ns / 60e9 * speed,
            speed=speed,
            needed=60.0 / speed,
        )
    if entry.span.revolutions and entry.span.revolutions < 1.0:
        making.refusals.warn("span_below_one_turn", step=step.name, turns=entry.span.revolutions)
    if entry.span.readings:
        _enough_readings(making, entry.span.readings, f"{key}.span", stop)
    event = None if entry.event is None else maker.make(entry.event, f"{key}.event")
    return Keep(entry.at, entry.statistic, entry.span, entry.every, event, entry.keep_part)
