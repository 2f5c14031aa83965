"""The seconds that a mean is of: drawn methods and streams, against numpy over the events of the run.

The expected figures come from the recorded bytes and the definitions of the method alone: a step begins at the reading
that confirms its speed, a span is ``start < t <= end``, and none begins before the step has settled.
"""

import math
import random
from dataclasses import dataclass, field

import numpy as np
import pytest

from daq.core.events import ClockAnchor, Received, Tick
from daq.core.plan import Keep, Rule
from tests.support.runs.scripts import S, Script, elapsed, plan_of, seconds, step, turns

TOLERANCE = 0.02
"""Of the confirmed speed, as in `plan_of`."""


@dataclass
class Drawn:
    """A method and the numbers from which it was made."""

    speed: float
    settle_s: float
    settle_turns: float
    stop: Rule
    keeps: list = field(default_factory=list)

    def step(self):
        settle = turns(self.settle_turns) if self.settle_turns else seconds(self.settle_s)
        return step(self.stop, *self.keeps, speed=self.speed, settle=settle)


def span_of(rng):
    return rng.choice((
        seconds(rng.choice((0.5, 1.0, 2.0, 3.7))), turns(rng.choice((0.5, 1.0, 2.0))),
        type(seconds(1.0))(readings=rng.choice((5, 20, 40))),
    ))  # fmt: skip


def drawn(rng, speed):
    kind = rng.choice(("time", "torque", "revolutions", "readings", "either"))
    limit, length = rng.uniform(30.0, 37.0), rng.choice((4.0, 6.0, 9.5))
    stops = {
        "time": elapsed(length),
        "torque": Rule("above", "torque above", "torque", low=limit, after=seconds(2.0)),
        "revolutions": Rule("above", "turned", "revolutions", low=rng.choice((2.0, 3.5))),
        "readings": Rule("above", "read", "readings", low=float(rng.randint(30, 80))),
    }
    either = Rule("any", "either", rules=(stops["torque"], stops["time"]))
    out = Drawn(
        speed, rng.choice((0.0, 1.0, 2.5)), rng.choice((0.0, 0.0, 0.7)), either if kind == "either" else stops[kind]
    )
    out.keeps = [Keep("end", "mean", span_of(rng))]
    if rng.random() < 0.6:
        every = rng.choice((seconds(rng.choice((1.0, 1.3, 2.0))), turns(rng.choice((0.5, 1.0)))))
        out.keeps.append(Keep("every", "mean", span_of(rng), every=every, keep_part=rng.random() < 0.5))
    if rng.random() < 0.6:
        event = Rule("above", "event", "torque", low=rng.uniform(32.0, 50.0), hold=seconds(rng.choice((0.0, 0.4))))
        out.keeps.append(Keep("event", "mean", span_of(rng), event=event))
    return out


def feed(rng, run, t, speed, target):
    """Feed a stream until the present step ends; return its end (s).  The speed is reported late."""
    late, before = t + rng.choice((0.0, 0.3, 1.0)), speed
    waiting, level, number = [], rng.uniform(30.0, 50.0), run.pipeline.life.step_number
    held_until = 0.0
    while run.state in ("starting", "measuring") and run.pipeline.life.step_number == number:
        t += rng.choice((0.1, 0.1, 0.1, rng.uniform(0.05, 0.2), 0.0))
        shown = before if t < late else target * rng.choice((1.0, 1.0, 1.0 + rng.uniform(-0.01, 0.01)))
        torque = None if rng.random() < 0.02 else round(level + 6.0 * math.sin(t) + rng.gauss(0.0, 2.0), 2)
        shown = None if t > late + 0.5 and rng.random() < 0.02 else round(shown, 3)
        waiting.append(b"r %s %s 25.0\n" % tuple(b"-" if v is None else repr(v).encode() for v in (torque, shown)))
        if rng.random() < 0.01:
            held_until = t + rng.uniform(0.2, 2.0)
        if t < held_until:
            continue  # the machine is busy: the lines wait, and come in one chunk
        if rng.random() < 0.1:
            # UTC jumps, and nothing depends on it.
            run.feed(ClockAnchor(run.ns(t), rng.randint(0, 2**60), "boot", None))
        if rng.random() < 0.3 and run.pipeline.wake_at <= run.ns(t):
            run.feed(Tick(run.pipeline.wake_at))
        data = b"".join(waiting)
        cut = rng.randint(0, len(data)) if rng.random() < 0.1 else len(data)
        for part in (data[:cut], data[cut:]):
            if part:
                run.feed(Received(run.ns(t), "lead", part))
        waiting = []
    return t


def rows_of(run):
    """Return time (ns), torque and speed of all readings in the recorded bytes, NaN for none."""
    rows, rest = [], b""
    for event in run.events:
        if isinstance(event, Received):
            *lines, rest = (rest + event.data).split(b"\n")
            rows += [
                (event.t, *(math.nan if w == b"-" else float(w) for w in line.split()[1:3]))
                for line in lines
                if line.startswith(b"r ")
            ]
    times = np.array([row[0] for row in rows], dtype=np.int64)
    return times, np.array([row[1] for row in rows]), np.array([row[2] for row in rows])


def turned(times, speed):
    """Return the revolutions since the first reading: the trapezoidal integral, 0 where a speed is not known."""
    steps = (np.abs(speed[1:]) + np.abs(speed[:-1])) * np.diff(times) / 120e9
    return np.concatenate([[0.0], np.nan_to_num(steps)]).cumsum()


class Expected:
    """Values of a step, from all readings of its run; `first` is the row after the one that confirmed the speed."""

    def __init__(self, method, rows, began):
        self.method = method
        self.times, self.torque, self.shown = rows
        near = (self.times >= began) & (np.abs(self.shown - method.speed) <= TOLERANCE * method.speed + 1e-9)
        confirmed = int(np.argmax(near))
        self.start, self.first = int(self.times[confirmed]), confirmed + 1
        of_step = turned(self.times[confirmed:], self.shown[confirmed:])
        self.turns = np.concatenate([np.zeros(confirmed), of_step])
        self.floor = self.start + round(method.settle_s * S)
        if method.settle_turns:
            settled = self.turns[self.first :] >= method.settle_turns
            self.floor = int(self.times[self.first :][np.argmax(settled)]) if settled.any() else 2**62

    def met(self, rule):
        """Return time (ns) and row at which a rule is met; the row after the last one for a time without a reading."""
        if rule.kind == "any":
            return min(self.met(r) for r in rule.rules)
        if rule.signal == "elapsed":
            t = self.start + round(rule.low * S)
            return t, int(np.searchsorted(self.times, t, "right")) - 1
        since = None
        for i in range(self.first, len(self.times)):
            t = int(self.times[i])
            holds = {
                "torque": self.torque[i] >= rule.low,
                "revolutions": self.turns[i] >= rule.low,
                "readings": i - self.first + 1 >= rule.low,
            }[rule.signal]
            if t - self.start < rule.after.ns:
                continue
            since = (t if since is None else since) if holds else None
            if since is not None and t - since >= rule.hold.ns:
                return t, i
        return 2**62, len(self.times)

    def kept(self, end):
        """Yield keep entry, time (ns) and last row of each value, in no order; `end` is that of the step."""
        for keep in self.method.keeps:
            if keep.at == "end":
                yield keep, *end
            elif keep.at == "event":
                if (met := self.met(keep.event)) <= end:
                    yield keep, *met
            elif keep.every.ns:
                yield from self._intervals_of_time(keep, end)
            else:
                yield from self._intervals_of_turns(keep, end)

    def _intervals_of_time(self, keep, end):
        t = self.start + keep.every.ns
        while t <= end[0]:
            yield keep, t, min(end[1], int(np.searchsorted(self.times, t, "right")) - 1)
            t += keep.every.ns
        if keep.keep_part and end[0] > t - keep.every.ns:
            yield keep, *end

    def _intervals_of_turns(self, keep, end):
        k = 1
        for i in range(self.first, end[1] + 1):
            if self.turns[i] >= k * keep.every.revolutions:
                yield keep, int(self.times[i]), i
                k = int(self.turns[i] / keep.every.revolutions) + 1
        if keep.keep_part and self.turns[end[1]] > (k - 1) * keep.every.revolutions:
            yield keep, *end

    def span(self, keep, t, last):
        """Return the start (ns) of the span that ends at `t` (ns), and a slice of its rows."""
        floor, stop = min(self.floor, t), last + 1
        start = max(t - keep.span.ns, floor) if keep.span.ns else floor
        if keep.span.readings:
            inside = [i for i in range(self.first, stop) if self.times[i] > floor]
            if len(inside) > keep.span.readings:
                row = inside[-keep.span.readings]
                return int(self.times[row - 1]), slice(row, stop)
        elif keep.span.revolutions:
            enough = self.turns[self.first : stop] <= self.turns[last] - keep.span.revolutions + 1e-9
            row = self.first + int(np.flatnonzero(enough)[-1]) if enough.any() else -1
            if row >= 0 and self.times[row] > floor:
                return int(self.times[row]), slice(row + 1, stop)
        return start, slice(max(self.first, int(np.searchsorted(self.times, start, "right"))), stop)


@pytest.mark.parametrize("seed", range(24))
def test_a_mean_is_of_the_readings_that_the_method_names(seed):
    rng = random.Random(f"seconds {seed}")
    speeds = rng.sample((12.0, 30.0, 60.0), rng.choice((1, 2, 3)))
    methods = [drawn(rng, speed) for speed in speeds]
    run = Script(plan_of(*(m.step() for m in methods))).begin()
    t, speed = 0.0, 0.0
    for method in methods:
        t = feed(rng, run, t, speed, method.speed)
        speed = method.speed
    assert len(run.ended) == len(methods)
    rows, began = rows_of(run), 0
    for number, (method, ended) in enumerate(zip(methods, run.ended, strict=True)):
        # The reading that confirms the speed is the first that is near enough, after the end of the step before.
        step_ = Expected(method, rows, began)
        assert ended.started == step_.start
        end = step_.met(method.stop)
        assert ended.t == end[0]
        found = sorted([k for k in run.kept if k.step == number], key=lambda k: (k.at, k.t))
        expected = sorted(step_.kept(end), key=lambda k: (k[0].at, k[1]))
        assert [(k.at, k.t) for k in found] == [(keep.at, t) for keep, t, _ in expected]
        for kept, (keep, t, last) in zip(found, expected, strict=True):
            start, inside = step_.span(keep, t, last)
            torque, shown = step_.torque[inside], step_.shown[inside]
            assert kept.start == start
            known, both = ~np.isnan(torque), ~np.isnan(torque) & ~np.isnan(shown)
            summaries = kept.summaries
            assert (summaries["torque"].n, summaries["viscosity"].n) == (known.sum(), both.sum())
            if both.any():
                ratio = 1000.0 * np.mean(2.0 * torque[both]) / np.mean(0.5 * shown[both])
                assert summaries["torque"].mean == pytest.approx(np.mean(torque[known]), rel=1e-12)
                assert summaries["viscosity"].mean == pytest.approx(ratio, rel=1e-12)
        began = ended.t
