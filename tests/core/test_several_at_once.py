"""Several readings at one time: the time of an event is known to the interval of lines; a round's faults mark them all."""

import random

import pytest

from daq.core.driver import Part, Reject, Request, Several, Values
from daq.core.effects import COMPUTED_AGAIN, recorded
from daq.core.plan import Extent, Keep, Rule
from tests.support.runs.exchange_link import Link
from tests.support.runs.scripts import Plain, Polled, S, Script, elapsed, plan_of, seconds, step

LIMIT = 60.0


def above(signal="torque", hold=0.0):
    return Rule("above", f"{signal} above", signal, low=LIMIT, hold=Extent(ns=round(hold * S)))


def at_event(rule, lines, *, span=4.0, companions=(), probes=(), longest=3000.0):
    """Return the value kept on the event; `lines` are (time in s, torques), `probes` (time in s, temperature)."""
    keep = Keep("event", "mean", seconds(span), event=rule)
    run = Script(plan_of(step(elapsed(longest), keep, longest=longest), companions=companions))
    run.begin()
    sent = sorted([*((t, 0, v) for t, v in lines), *((t, 1, v) for t, v in probes)], key=lambda one: one[:2])
    for t, companion, values in sent:
        if companion:
            run.probe(t, b"%.3f" % values)
            continue
        for torque in values:
            run.reading(t, torque)
    (kept,) = run.kept
    return kept


@pytest.mark.parametrize("seed", range(40))
def test_the_interval_of_an_event_contains_the_moment_however_many_readings_a_line_has(seed):
    """A line each `interval`, with several readings at once or one after the other; some readings have no torque."""
    rng = random.Random(f"event interval {seed}")
    interval, per_line = rng.choice([0.5, 1.0, 3.0]), rng.choice([1, 2, 5, 20])
    spread, hold = rng.choice([0.0, 0.0, 0.001]), rng.choice([0.0, 0.0, 7.0])
    crossing = rng.uniform(20.0, 30.0)
    lines = []
    for i in range(1, round(60 / interval)):
        t = i * interval
        null = not hold and rng.random() < 0.2  # a reading without value ends a hold
        for k in range(per_line):
            # The readings of a line were taken since the line before; the line arrives with the last one.
            taken = t - interval * (per_line - 1 - k) / per_line
            lines.append((t + spread * k, [None if null else 50.0 if taken < crossing else 70.0]))
    kept = at_event(above(hold=hold), lines)
    moment = kept.t / S - 1000.0 - hold
    longest = kept.event_interval_ns / S
    assert moment - longest - 1e-6 <= crossing <= moment + 1e-6
    assert interval - spread * per_line - 1e-6 <= longest <= 12 * interval


def test_the_interval_is_that_between_different_times():
    lines = [(float(i), [50.0 if i < 20 else 70.0] * 8) for i in range(1, 40)]
    assert at_event(above(), lines).event_interval_ns == S


def test_a_lost_line_before_the_event_and_readings_without_the_signal_make_it_longer():
    lines = [(float(i), [50.0 if i < 20 else 70.0]) for i in range(1, 40) if i != 19]
    assert at_event(above(), lines).event_interval_ns == 2 * S
    nulls = [(float(i), [None if i in (18, 19) else 50.0 if i < 20 else 70.0]) for i in range(1, 40)]
    assert at_event(above(), nulls).event_interval_ns == 3 * S
    # The value before the span counts, too.
    assert at_event(above(), nulls, span=1.0).event_interval_ns == 3 * S


def test_a_hold_ends_with_a_line_so_that_its_begin_is_known_to_two_intervals():
    lines = [(3.0 * i, [50.0 if i < 20 else 70.0]) for i in range(1, 40)]
    assert at_event(above(hold=7.0), lines).event_interval_ns == 6 * S
    assert at_event(above(), lines).event_interval_ns == 3 * S


def test_a_long_hold_keeps_the_readings_since_its_begin():
    """A step discards the readings that its spans do not need; 12,000 are more than it keeps."""
    lines = [(float(i), [None if 160 < i < 200 else 50.0 if i < 200 else 70.0]) for i in range(1, 13_000)]
    # A hold adds the last interval.
    assert at_event(above(hold=12_000.0), lines, longest=20_000.0).event_interval_ns == 41 * S


def test_an_event_on_a_companion_has_the_interval_of_the_companion():
    lines = [(i / 10, [50.0]) for i in range(1, 500)]
    probes = [(5.0 * i + 0.05, 20.0 if i < 6 else 70.0) for i in range(9)]
    kept = at_event(above("probe.temperature"), lines, companions=("probe",), probes=probes)
    assert kept.event_interval_ns == 5 * S


def test_steadiness_is_checked_four_times_in_a_span():
    rule = Rule("steady", "steady", "torque", span=Extent(ns=8 * S), limit=0.1, spans=2)
    lines = [(i / 10, [50.0]) for i in range(1, 500)]
    assert at_event(rule, lines).event_interval_ns == 2 * S


def test_the_interval_is_no_part_of_a_recorded_value():
    kept = at_event(above(), [(float(i), [50.0 if i < 20 else 70.0]) for i in range(1, 40)])
    assert "event_interval_ns" in COMPUTED_AGAIN
    assert "event_interval_ns" not in recorded(kept)


# ---- several readings, several requests


class Rounds(Polled):
    """Asks for two lines of each reading: `s` torque torque, then `e` with the state of an error queue."""

    readings_per_line = 2

    def poll(self):
        return (Request(b"read\n", "reading"), Request(b"errors\n", "reading"))

    def decode(self, line, asked=None):
        word, *rest = line.decode("latin-1").split(" ")
        if word == "s":
            return Several(tuple((float(v), 12.0, 25.0) for v in rest))
        if word == "e":
            return Part((), tuple(("", f) for f in rest))
        return Reject("unknown line") if word != "t" else Part(((2, float(rest[0])),))


def one_round(*lines):
    link = Link(Rounds({}))
    link.exchange.start_polling(0)
    return [link.receive(5 + i, line) for i, line in enumerate(lines)]


def rows(*torques, temperature=25.0):
    return [(v, 12.0, temperature) for v in torques]


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ((b"s 1 2", b"e"), rows(1.0, 2.0)),
        # A good reading would come before the error that marks it.
        ((b"s 1 2", b"e overload"), [Values(one, (("", "overload"),)) for one in rows(1.0, 2.0)]),
        ((b"e overload", b"s 1 2"), [Values(one, (("", "overload"),)) for one in rows(1.0, 2.0)]),
        # No reading is lost, and none comes before an older one.
        ((b"s 1 2", b"s 3 4"), rows(1.0, 2.0, 3.0, 4.0)),
        ((b"s 1 2", b"t 31"), rows(1.0, 2.0, temperature=31.0)),
    ],
)
def test_the_readings_of_a_round_come_when_it_is_complete(lines, expected):
    assert one_round(*lines) == [[], expected]


def test_a_round_that_is_given_up_leaves_no_reading_behind():
    link = Link(Rounds({}))
    link.exchange.start_polling(0)
    assert link.receive(5, b"s 1 2") == []
    link.until(2000)
    sent = len(link.sent)
    assert link.sent[-1] == b"read"
    assert link.receive(2001, b"s 3 4") == []
    assert len(link.sent) == sent + 1
    assert link.receive(2002, b"e") == rows(3.0, 4.0)


def test_a_stream_of_several_readings_is_unchanged():
    class Stream(Plain):
        readings_per_line = 2

        def decode(self, line, asked=None):
            return Several(tuple(rows(*map(float, line.split(b" ")[1:]))))

    link = Link(Stream({}))
    link.exchange.start_polling(0)
    assert link.receive(5, b"s 1 2") == rows(1.0, 2.0)
