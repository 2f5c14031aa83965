"""Readings that are older than their span: streams through a queue, against the times at which they were made."""

import math
import random
from collections import Counter

import pytest

from daq.core.events import Received
from daq.core.plan import Keep
from daq.core.replay import replay
from tests.support.runs.scripts import Plain, S, Script, elapsed, make_driver, plan_of, seconds, step, turns

INTERVAL = 0.1
"""Of the lines of `Plain`, s."""


class Slow(Plain):
    """The plain driver with one line a second."""

    interval_ns = S


class Tripled(Plain):
    """The plain driver with three readings in a line."""

    readings_per_line = 3


def queued(made, held, line):
    """Return the times of arrival of readings `made` at these times, which wait in `held` (from, to; s).

    Each takes the time `line` on its way.
    """
    out, free = [], 0.0
    for t in made:
        free = max(held[1] if held[0] < t < held[1] else t, free)
        out.append(free)
        free += line
    return out


def gathered(made, count, phase):
    """Return the times of arrival of readings that come `count` at a time."""
    return [made[min(len(made) - 1, i + count - 1 - (i + phase) % count)] + 0.001 for i in range(len(made))]


def kept_of(stream, end, keep, *, settle, speed=30.0, driver=None, looks=False):
    """Return the run of a stream (pairs of made and arrived, s; 80 % until it has settled, then 40 %), and its value.

    With `looks` a screen asks for the provisional value at each reading.
    """
    plan = plan_of(
        step(elapsed(end), keep, speed=speed, settle=settle), primary="stress" if speed is None else "viscosity"
    )
    run = Script(plan, driver=driver).begin()
    if speed is not None:
        run.reading(0.0, 80.0, speed)
    for made, arrived in stream:
        if run.state != "measuring":
            break
        torque = 80.0 if made <= settle.ns / S else 40.0
        run.feed(Received(run.ns(arrived), "lead", b"r %r %r 25.0\n" % (torque, speed or 0.0)))
        if looks and run.state == "measuring":
            run.pipeline.life.meter.provisional(run.now)
    while run.state == "measuring":
        run.tick()
    (kept,) = run.kept
    return run, kept


def drawn(rng, kind, about):
    """Return a stream in which something happens about the time `about` (s)."""
    first, i = rng.uniform(0.01, 1.0) * INTERVAL, INTERVAL
    made = [first + i * k for k in range(int((about + 12.0) / i))]
    if kind == "even":
        return [(t, t + rng.uniform(0.0, 0.3) * i) for t in made]
    if kind == "lost":
        begin = about + rng.uniform(-8.0, -1.0) * i
        end = begin + rng.uniform(5.2, 9.0) * i
        return [(t, t + rng.uniform(0.0, 0.3) * i) for t in made if not begin < t < end]
    if kind == "bursts":
        return list(zip(made, gathered(made, rng.choice((2, 3, 5, 6, 7)), rng.randrange(7)), strict=True))
    # A backlog of up to 3 s ends long before the span, or it ends about its begin; it comes at once, or slowly.
    end = about + (-rng.uniform(4.5, 6.0) if kind == "caught up" else rng.uniform(-3.0, 6.0) * i)
    line = rng.choice((0.0, 0.02, 0.31, 0.5, 0.6)) * i
    return list(zip(made, queued(made, (end - rng.uniform(5.2, 30.0) * i, end), line), strict=True))


@pytest.mark.parametrize("kind", ["even", "lost", "bursts", "caught up", "stalled"])
def test_a_span_with_readings_from_before_it_is_in_doubt_and_no_other_one(kind):
    rng, found = random.Random(f"late {kind}"), Counter()
    for _ in range(90):
        settle, span = rng.uniform(8.0, 9.0), rng.choice((1.0, 2.0, 5.0, 10.0))
        if kind == "bursts":
            span = max(span, 2.0)  # a shorter one may have the readings of one burst alone
        end = settle + span
        stream = drawn(rng, kind, settle)
        _, kept = kept_of(stream, end, Keep("end", "mean", seconds(span)), settle=seconds(settle))
        inside = [made for made, arrived in stream if settle < arrived <= end]
        old, is_late = sum(made <= settle for made in inside), "readings_late" in kept.faults
        if kind != "stalled" or old == 0:
            assert not is_late
        elif old >= max(3, 0.05 * len(inside)):
            # The readings of the settling are in the mean.
            assert kept.summaries["torque"].mean > 41.0
            assert is_late
        found["late" if is_late else "missing" if kept.faults else "good"] += 1
    print(f"{kind}: {dict(found)}")
    assert found["late"] >= (60 if kind == "stalled" else 0)
    # Bursts of more than five readings are readings missing.
    assert found["good"] >= {"bursts": 10, "stalled": 0}.get(kind, 20)


@pytest.mark.parametrize("line", [0.0, 0.3, 0.7])
def test_old_readings_in_a_short_span_of_a_slow_stream_are_seen(line):
    """Lines 6 to 10 of one line a second arrive at 10.6 s, in a span from 10 s on."""
    made = [float(k) for k in range(1, 21)]
    stream = list(zip(made, queued(made, (5.5, 10.6), line), strict=True))
    keep = Keep("end", "mean", seconds(10.0))
    _, kept = kept_of(stream, 20.0, keep, settle=seconds(10.0), driver=Slow({}))
    assert kept.summaries["torque"].mean > 45.0
    assert kept.faults == ("readings_late",)


@pytest.mark.parametrize("speed", [30.0, None])
@pytest.mark.parametrize("line", [0.0, 0.031])
def test_a_backlog_at_the_beginning_of_a_step_is_seen_where_the_first_readings_may_be_older(speed, line):
    """A step without a speed begins with no reading.  A reading confirms a speed, and the ones after it are newer."""
    made = [-3.95 + INTERVAL * k for k in range(120)]
    stream = [(m, a) for m, a in zip(made, queued(made, (-4.0, 0.2), line), strict=True) if a > 0.0]
    _, kept = kept_of(stream, 5.0, Keep("end", "mean", seconds(5.0)), settle=seconds(0.0), speed=speed)
    assert ("readings_late" in kept.faults) is (speed is None)
    even = [(m, m) for m in made if m > 0.0]
    _, kept = kept_of(even, 5.0, Keep("end", "mean", seconds(5.0)), settle=seconds(0.0), speed=speed)
    assert kept.faults == ()


@pytest.mark.parametrize("span", [type(seconds(1.0))(readings=30), turns(1.0)])
@pytest.mark.parametrize("late", [True, False])
def test_readings_of_the_settling_in_a_span_of_readings_or_turns_are_seen(span, late):
    """Other late ones are its own: it has no time at which it begins."""
    held = (3.0, 5.1) if late else (6.2, 8.2)
    made = [INTERVAL * k for k in range(1, 200)]
    stream = list(zip(made, queued(made, held, 0.03), strict=True))
    _, kept = kept_of(stream, 6.2 if late else 8.5, Keep("end", "mean", span), settle=seconds(5.0))
    assert (kept.summaries["torque"].mean > 41.0) is late
    assert ("readings_late" in kept.faults) is late


@pytest.mark.parametrize("late", [True, False])
def test_lines_with_several_readings_are_counted_as_lines(late):
    """Ten lines wait, each with three readings; lines that are lost leave the others in time."""
    made = [INTERVAL * math.ceil(k / 3) for k in range(1, 400)]
    held = (4.05, 5.15)
    arrived = queued(made, held, 0.0)
    stream = [(m, a) for m, a in zip(made, arrived, strict=True) if late or not held[0] < m < held[1]]
    _, kept = kept_of(stream, 10.0, Keep("end", "mean", seconds(5.0)), settle=seconds(5.0), driver=Tripled({}))
    assert ("readings_late" in kept.faults) is late


@pytest.mark.parametrize("line", [0.0, 0.031])
def test_late_readings_are_the_same_live_on_a_screen_and_in_a_replay(line):
    made = [INTERVAL * k for k in range(1, 120)]
    stream = list(zip(made, queued(made, (2.0, 5.2), line), strict=True))
    keep = Keep("end", "mean", seconds(5.0))
    run, kept = kept_of(stream, 10.0, keep, settle=seconds(5.0))
    assert "readings_late" in kept.faults
    looked, same = kept_of(stream, 10.0, keep, settle=seconds(5.0), looks=True)
    assert same == kept
    for one in (run, looked):
        one.stop(12.0)
        assert replay(one.journal(), make_driver).same
