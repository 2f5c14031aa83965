"""Steps of a method to steps of the plan, with the checks that need the bench."""

import math

from daq.core.plan import Keep, Rule, Step
from daq.methods.choosing import Chosen
from daq.methods.instrument import Instrument
from daq.methods.recipe import Keep as KeepEntry
from daq.methods.recipe import Method
from daq.methods.recipe import Step as StepEntry
from daq.methods.refusals import Refusals
from daq.methods.rules import NS, RuleMaker, in_time, longest_time, shortest_time
from daq.methods.signals import Signals


def compile_steps(
    method: Method, signals: Signals, chosen: Chosen, instrument: Instrument, refusals: Refusals
) -> tuple[Step, ...]:
    """All steps; what is wrong goes to the refusals."""
    return tuple(
        _step(method, step, f"steps[{i}]", signals, chosen, instrument, refusals)
        for i, step in enumerate(method.steps)
    )


def _step(
    method: Method,
    step: StepEntry,
    key: str,
    signals: Signals,
    chosen: Chosen,
    instrument: Instrument,
    refusals: Refusals,
) -> Step:
    speed = None if step.speed is None else chosen.speed(step.speed, f"{key}.speed", instrument)
    maker = RuleMaker(method, signals, chosen.values, refusals, speed is not None)
    stop = maker.make(step.stop, f"{key}.stop")
    _distinct(method, stop, f"{key}.stop", refusals)
    _stoppable(method, step, stop, speed, key, refusals)
    keeps = tuple(
        _keep(method, step, entry, speed, stop, f"{key}.keep[{i}]", maker, refusals)
        for i, entry in enumerate(step.keep)
    )
    return Step(step.name, speed, step.settle, stop, keeps, step.longest)


def _distinct(method: Method, stop: Rule, key: str, refusals: Refusals) -> None:
    names = [leaf.name for leaf in stop.leaves()]
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            refusals.add(method, key, f"two rules are called {name!r}; give them different names, so that the reason is clear")


def _stoppable(
    method: Method, step: StepEntry, stop: Rule, speed: float | None, key: str, refusals: Refusals
) -> None:
    least = shortest_time(stop, speed)
    if least >= step.longest:
        refusals.add(
            method,
            f"{key}.longest",
            f"{step.longest / NS:g} s is not longer than the {least / NS:g} s its stop rule needs at least; "
            "the step would always fail",
        )


def _keep(
    method: Method,
    step: StepEntry,
    entry: KeepEntry,
    speed: float | None,
    stop: Rule,
    key: str,
    maker: RuleMaker,
    refusals: Refusals,
) -> Keep:
    for field, extent in (("span", entry.span), ("every", entry.every)):
        if extent.revolutions and speed is None:
            refusals.add(method, f"{key}.{field}", "is in revolutions, but the step has no speed; write a time")
    span = in_time(entry.span, speed)
    settle = in_time(step.settle, speed)
    available = min(longest_time(stop, speed), float(step.longest)) - settle
    if math.isfinite(span) and span > available + 1:
        refusals.add(
            method,
            f"{key}.span",
            f"{span / NS:g} s is longer than the {max(available, 0) / NS:g} s that are left of the step after "
            f"settle ({settle / NS:g} s); shorten the span or let the step run longer",
        )
    if speed and entry.span.ns and entry.span.ns / 60e9 * speed < 1.0 - 1e-9:
        refusals.warn(
            f"step {step.name}: a span of {entry.span.ns / NS:g} s is {entry.span.ns / 60e9 * speed:.2g} of a revolution "
            f"at {speed:g} /min; the rotor's ripple is not averaged out. Use at least {60 / speed:g} s or '1 rev'"
        )
    if entry.span.revolutions and entry.span.revolutions < 1.0:
        refusals.warn(
            f"step {step.name}: a span of {entry.span.revolutions:g} revolutions does not average out the rotor's ripple; "
            "use at least 1"
        )
    event = None if entry.event is None else maker.make(entry.event, f"{key}.event")
    return Keep(entry.at, entry.statistic, entry.span, entry.every, event, entry.keep_part)

