"""The time of an event against the time at which a known signal crosses its threshold, with readings missing and late.

A time without a fault is later than the crossing by at most the error that the value states.
"""

import random
from dataclasses import replace

import pytest

from daq.core import lifecycle
from daq.core.faults import CHECKS
from daq.core.meter import BEGIN_OF_HOLD, Meter
from daq.core.plan import Keep, Rule
from daq.methods.concluding import claims
from tests.support.runs.scripts import START, Script, elapsed, plan_of, seconds, step, turns

END = 30.0
LOW = 50.0
DOUBTS = {"event_may_be_earlier", "already_met", "readings_missing"}


def measured(times, signal, *, hold=0.0, after=0.0, span=1.0, null=lambda _t: False):
    """Return time (s), its greatest error (s) and faults of the first crossing of `LOW`; None where it has none."""
    event = Rule("above", "x", "torque", low=LOW, hold=seconds(hold), after=seconds(after))
    plan = plan_of(step(elapsed(END), Keep("event", "mean", seconds(span), event=event), speed=12.0))
    plan = replace(plan, claim="time_to")
    run = Script(plan).to_measuring(torque=signal(0.0))
    for t in times:
        while run.pipeline.wake_at <= run.ns(t):
            run.tick()
        if run.state != "measuring":
            break
        if null(t):
            run.reading(t, None, 12.0, 25.0, "torque=not_a_number")
        else:
            run.reading(t, min(109.0, max(0.0, signal(t))))
    kept = [k for k in run.kept if k.at == "event"]
    if not kept:
        return None
    facts = run.pipeline.facts()
    assert facts.steps[0].started == START
    faults = {*kept[0].faults, *claims.claim_faults(plan, facts, kept[0])}
    return claims.event_seconds(plan, facts, kept[0]), kept[0].event_interval_ns / 1e9, faults


def drawn(rng):
    """Return the crossing (s) and the arguments of `measured`: even or uneven readings, some missing or null."""
    crossing, slope = rng.uniform(-1.0, 29.5), rng.uniform(0.2, 1.5)
    every, uneven = rng.choice((0.1, 0.1, 0.5, 1.0)), rng.random() < 0.6
    begin, length = rng.choice((rng.uniform(0.0, 28.0), crossing - rng.uniform(0.0, 2.0))), rng.uniform(0.2, 6.0)
    how, times, t = rng.choice(("whole", "whole", "gap", "gap", "null")), [], 0.0
    while t < END + 2.0:
        t = round(t + every * (rng.uniform(0.5, 1.5) if uneven else 1.0), 6)
        if how != "gap" or not begin < t < begin + length or t > END:
            times.append(t)
    more = {
        "hold": rng.choice((0.0, 1.0, 2.5, 5.0)),
        "after": rng.choice((0.0, 0.0, 2.0)),
        "span": rng.choice((0.3, 3.0)),
    }
    null = (lambda t: begin < t < begin + length) if how == "null" else (lambda _t: False)
    how = "seldom" if how == "whole" and every > 0.1 else how
    return crossing, how, (times, lambda t: LOW + slope * (t - crossing)), more | {"null": null}


def test_a_time_without_a_fault_is_late_by_no_more_than_it_states():
    rng = random.Random("event times")
    wrong, sound, doubted = [], 0, 0
    for _ in range(250):
        crossing, how, given, more = drawn(rng)
        found = measured(*given, **more)
        if found is None:
            continue
        seen, error, faults = found
        if faults & DOUBTS:
            # Readings as the instrument sends them put only an event in doubt that lies before the rule is tested.
            doubted += how == "whole" and crossing > more["after"] + 1.0
            continue
        sound += 1
        if not seen - error - 1e-6 <= crossing <= seen + 1e-6:
            wrong.append((crossing, how, seen, error))
    assert sound > 40
    assert (wrong, doubted) == ([], 0)


UNEVEN = [round(i * 0.1, 6) for i in range(101)] + [12.0] + [round(12.09 + i * 0.1, 6) for i in range(200)]
"""Readings every 0.1 s, none from 10 to 12 s, and the next ones off the grid of the hold."""


def test_a_gap_before_a_hold_that_is_met_late_is_not_lost():
    """The hold of 1 s began at 12.0 s, and is met at 13.09 s: the crossing lies in the gap of 2 s before it."""
    seen, error, faults = measured(UNEVEN, lambda t: LOW + t - 11.0, hold=1.0)
    assert (seen, error) == (pytest.approx(12.09), pytest.approx(2.1))
    assert "event_may_be_earlier" in faults


@pytest.mark.parametrize(("crossing", "gap"), [(530.0, 0.0), (530.0, 2.0), (1.0, 0.0)])
def test_a_hold_of_many_revolutions_at_a_slower_speed_has_its_own_begin(crossing, gap):
    """100 revolutions last 500 s at the set-point, and 600 s here: rows of the begin are still there at their end."""
    event = Rule("above", "x", "torque", low=LOW, hold=turns(100.0))
    plan = plan_of(step(elapsed(1300.0), Keep("event", "mean", seconds(1.0), event=event), speed=12.0))
    run = Script(replace(plan, claim="time_to", speed_tolerance=0.2)).to_measuring(torque=0.0)
    for i in range(1, 11500):
        t = i / 10
        if not crossing - 0.05 - gap < t < crossing - 0.05:
            run.reading(t, 60.0 if t >= crossing - 0.01 else 40.0, 10.0)
    (kept,) = [k for k in run.kept if k.at == "event"]
    assert (kept.t - START) / 1e9 == pytest.approx(crossing + 600.0, abs=0.3)
    assert kept.event_interval_ns / 1e9 == pytest.approx(gap + 0.2, abs=0.11)
    assert ("event_may_be_earlier" in kept.faults) is (gap > 0.0)


@pytest.mark.parametrize("checks", [BEGIN_OF_HOLD - 1, CHECKS])
def test_a_run_of_an_older_daq_has_the_interval_that_its_daq_found(monkeypatch, checks):
    def meter(*given, **more):
        return Meter(*given, **more | {"checks": checks})

    monkeypatch.setattr(lifecycle, "Meter", meter)
    _, error, faults = measured(UNEVEN, lambda t: LOW + t - 11.0, hold=1.0)
    is_older = checks < BEGIN_OF_HOLD
    assert error == pytest.approx(0.2 if is_older else 2.1)
    assert ("event_may_be_earlier" in faults) is not is_older
