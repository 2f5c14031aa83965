"""The effects and the replay do not depend on how bytes are cut and joined, or on how events are batched."""

import contextlib
import random
from dataclasses import replace

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from daq.core import columns, latereadings, meter
from daq.core.events import Received
from daq.core.pipeline import Pipeline
from daq.core.plan import Conditioning, Keep, Rule, Seek
from daq.core.replay import replay
from tests.support.runs.scripts import (
    Polled,
    S,
    Script,
    drivers_of,
    elapsed,
    make_driver,
    plan_of,
    seconds,
    step,
    texts,
    turns,
)

EVERY = Keep("every", "mean", seconds(0.7), every=seconds(1.0), keep_part=True)
END = Keep("end", "mean", seconds(2.0))
STEADY = Rule("steady", "steady", "viscosity", span=seconds(2.0), limit=0.05, relative=True, spans=2)
HELD = Rule("above", "held", "torque", low=55.0, hold=seconds(0.5), after=seconds(0.3))
COOL = Rule("below", "cool", "probe.temperature", high=22.0)
MANY = Rule("above", "many", "readings", low=40)
TURNED = Rule("above", "turned", "revolutions", low=1.5)

PLANS = {
    "time": plan_of(step(elapsed(4.0), EVERY, END, speed=30.0), companions=("probe",)),
    "polled": plan_of(
        step(Rule("any", "any", rules=(HELD, elapsed(4.0))), EVERY, END, speed=30.0), companions=("probe",), driver=Polled
    ),
    "steady": plan_of(
        step(Rule("any", "any", rules=(STEADY, elapsed(6.0))), EVERY, END, speed=30.0, settle=seconds(0.5)),
        companions=("probe",),
    ),
    "both": plan_of(
        step(Rule("all", "all", rules=(STEADY, elapsed(3.0))), END, Keep("event", "mean", seconds(1.0), event=HELD)),
        companions=("probe",),
    ),
    "signals": plan_of(
        step(
            Rule("any", "any", rules=(HELD, COOL, MANY, TURNED)),
            END,
            Keep("every", "mean", turns(0.2), every=turns(0.5), keep_part=True),
            speed=30.0,
            settle=turns(0.2),
        ),
        step(elapsed(1.0), EVERY, speed=60.0),
        companions=("probe",),
    ),
    "seeking": plan_of(
        step(elapsed(1.0), END, speed=30.0, seek=Seek(55.0, 58.0, slowest=5.0, fastest=60.0, most=4, doubt=1.0)),
        companions=("probe",),
    ),
    "conditioned": plan_of(
        step(elapsed(1.0), END, speed=30.0),
        conditioning=Conditioning(
            signal="probe.temperature", low=20.0, high=26.0, hold_ns=S, longest_ns=20 * S, soak_ns=S // 2,
            preshear_speed=60.0, preshear_ns=S, rest_ns=S // 2,
        ),
        companions=("probe",),
    ),
}  # fmt: skip

LINES = st.sampled_from(
    [b"r 50.0 30.0 25.0\n"] * 6
    + [b"r 56.0 30.0 25.0\n", b"r 60.0 30.2 25.1\n", b"r 57.0 60.0 25.0\n", b"r 20.0 0.0 24.0\n", b"r -0.0 30.0 25.0\n"]
    + [
        b"r 110.0 30.0 25.0\n",
        b"r nan 30.0 25.0\n",
        b"r - 30.0 25.0 torque=saturated\n",
        b"r 50 30 - temperature=probe\n",
    ]
    + [b"r 50.0 - 25.0 speed=blocked\n", b"r 50.0 30.0 25.0 =keys_used\n", b"ok halt\n", b"ok speed\n", b"no way\n"]
    + [b"\n", b"rubbish\n", b"r 5", b"0.0 30.0 25.0\n", b"\xff\x00", b"x" * 200]
)
PROBE_LINES = st.sampled_from([b"25.0\n"] * 5 + [b"21.5\n", b"x\n", b"nan\n", b"2", b"?\n"])
STEPS = st.integers(0, 60).map(lambda n: (n % 10) * 37_000_000 if n < 50 else (n - 49) * 400_000_000)
HAPPENINGS = st.one_of(
    st.tuples(st.just("lead"), STEPS, st.lists(LINES, min_size=1, max_size=4)),
    st.tuples(st.just("lead"), STEPS, st.lists(LINES, min_size=1, max_size=4)),
    st.tuples(st.just("burst"), STEPS, st.integers(9, 40)),
    st.tuples(st.just("calm"), st.just(0), st.integers(5, 60)),
    st.tuples(st.just("probe"), STEPS, st.lists(PROBE_LINES, min_size=1, max_size=2)),
    st.tuples(st.just("tick"), STEPS, st.none()),
    st.tuples(st.just("due"), st.just(0), st.none()),
    st.tuples(st.sampled_from(["stop", "store", "down"]), STEPS, st.integers(0, 9)),
)


def asked_speed(run: Script) -> float:
    """Return the speed (/min) that was requested last."""
    if not run.plan.moves:
        return 30.0
    last = next((d for d in reversed(run.sent) if d.startswith((b"speed", b"halt"))), b"halt")
    return 0.0 if last == b"halt" else float(last.split()[1])


def calm(run: Script, tenths: int) -> None:
    """Feed undisturbed readings: ten in a second from the lead, one in a second from the probe."""
    for i in range(tenths):
        t = run.now + S // 10
        run.feed(Received(t, "lead", b"r %d %g 25.0\n" % (50 + i % 2, asked_speed(run))))
        if i % 10 == 5:
            run.feed(Received(t, "probe", b"25.0\n"))


def played(name: str, happenings) -> Script:
    run = Script(PLANS[name]).begin()
    for what, dt, more in happenings:
        t = (run.now + dt) / S - 1000
        if what == "lead":
            run.feed(Received(run.now + dt, "lead", b"".join(more)))
        elif what == "calm":
            calm(run, more)
        elif what == "burst":
            run.feed(
                Received(run.now + dt, "lead", b"".join(b"r %d.5 30.0 25.0\n" % (40 + i % 7) for i in range(more)))
            )
        elif what == "probe" and "probe" in run.drivers:
            run.feed(Received(run.now + dt, "probe", b"".join(more)))
        elif what == "tick":
            run.tick(t)
        elif what == "due" and run.state != "ended" and run.pipeline.wake_at < 1 << 61:
            run.tick()
        elif more == 0:  # rarely
            {"stop": run.stop, "store": run.store_fault, "down": lambda t: run.down(t, "probe")}[what](t)
    return run


def effects_of(name: str, batches) -> list[str]:
    pipeline = Pipeline(PLANS[name], drivers_of(PLANS[name]))
    return texts([effect for batch in batches for effect in pipeline.step(batch)])


@pytest.fixture(autouse=True)
def short_look_back(monkeypatch):
    """Look so little back that the short steps of these tests discard readings."""
    monkeypatch.setattr(latereadings, "LEAST_LOOK_BACK_NS", S // 2)
    monkeypatch.setattr(latereadings, "LOOK_BACK_INTERVALS", 8)


@contextlib.contextmanager
def dropping_at_once():
    """Discard each reading as soon as no span can need it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(columns, "FEWEST_DROPPED", 1)
        patch.setattr(meter, "DROP_MARGIN_NS", 0)
        drop = meter.Meter._drop

        def drop_always(self, t):
            drop(self, t)
            self._next_drop = t

        patch.setattr(meter.Meter, "_drop", drop_always)
        yield


def cut(events, rng, pieces=3):
    """Yield the events with every chunk of bytes cut into pieces of the same time."""
    for event in events:
        if isinstance(event, Received) and len(event.data) > 1:
            at = sorted({rng.randrange(1, len(event.data)) for _ in range(pieces)})
            for a, b in zip([0, *at], [*at, len(event.data)], strict=True):
                yield Received(event.t, event.link, event.data[a:b])
        else:
            yield event


def joined(events):
    """Return the events with successive chunks of one time and link joined."""
    out = []
    for event in events:
        last = out[-1] if out else None
        if isinstance(event, Received) and isinstance(last, Received) and (last.t, last.link) == (event.t, event.link):
            out[-1] = Received(event.t, event.link, last.data + event.data)
        else:
            out.append(event)
    return out


@pytest.mark.slow
@settings(derandomize=True, max_examples=40, deadline=None, phases=[Phase.generate])
@pytest.mark.parametrize("name", PLANS)
@given(happenings=st.lists(HAPPENINGS, min_size=5, max_size=40), seed=st.integers(0, 1000))
def test_cut_joined_or_batched_the_effects_are_the_same(name, happenings, seed):
    run = played(name, happenings)
    rng = random.Random(seed)
    expected = texts(run.effects)
    events = run.events
    assert effects_of(name, [events]) == expected
    assert effects_of(name, ([e] for e in cut(events, rng))) == expected
    assert effects_of(name, [list(cut(events, rng, 40))]) == expected
    assert effects_of(name, ([e] for e in joined(events))) == expected
    with dropping_at_once():
        assert effects_of(name, [events]) == expected
    at = sorted(rng.randrange(len(events) + 1) for _ in range(5))
    assert effects_of(name, (events[a:b] for a, b in zip([0, *at], [*at, len(events)], strict=True))) == expected
    again = replay(run.journal(), make_driver)
    assert again.same, str(again.difference)
    assert texts([again.facts]) == texts([run.pipeline.facts()])


@pytest.mark.slow
def test_a_burst_is_the_same_as_its_lines_one_by_one():
    """A batch of readings with equal times gives the same result as single readings, to the last bit."""
    for name in ("time", "steady", "both"):
        run = Script(PLANS[name]).begin()
        run.reading(0.0, speed=30.0)
        for i in range(1, 70):
            rows = b"".join(b"r %d.25 30.0 25.0\n" % (50 + (i * j) % 5) for j in range(50))
            run.feed(Received(run.ns(i / 10), "lead", rows))
        single = [[e] for e in cut(run.events, random.Random(1), 2000)]
        assert len(single) > 20 * len(run.events)
        assert effects_of(name, single) == texts(run.effects)
        assert len(run.kept) > 0


def test_readings_that_no_span_needs_are_discarded_and_change_nothing():
    """The columns of a long step hold its longest spans only; the values are those of all readings, to the last bit."""
    plan = plan_of(
        step(Rule("any", "any", rules=(replace(STEADY, limit=1e-9), elapsed(60.0))), EVERY, END, speed=30.0),
        companions=("probe",),
    )
    rng, found, most = random.Random(5), [], []
    for dropped in (False, True):
        with dropping_at_once() if dropped else contextlib.nullcontext():
            run = Script(plan).begin()
            rng.seed(5)
            for i in range(610):
                if i == 590:
                    held = run.pipeline.life.meter.columns.values()
                    most.append([len(c.times) for c in held] + [len(c.missing) for c in held])
                rows = b"".join(b"r %d.25 30.0 25.0\n" % rng.randrange(48, 53) for _ in range(rng.randrange(1, 4)))
                run.feed(Received(run.ns(i / 10), "lead", rng.choice([rows, rows, b"r nan 30.0 25.0\n"])))
                run.feed(Received(run.ns(i / 10), "probe", b"25.0\n"))
            found.append(texts(run.effects))
    assert found[0] == found[1]
    assert len(run.kept) > 50
    assert all(few < many / 8 for many, few in zip(*most, strict=True) if many), most


def test_held_up_streams_with_leaps_are_judged_the_same_where_earlier_readings_are_discarded():
    """Random stalls, whose lines come faster than they were made, and random leaps of the torque, before many spans."""
    often = Keep("every", "mean", seconds(0.7), every=seconds(0.5), keep_part=True)
    plan = plan_of(step(elapsed(60.0), often, speed=30.0), claim="at_time")
    seen = set()
    for seed in range(12):
        rng, events, t, level = random.Random(seed), [], 0.05, 50.0
        renewed = rng.choice([1, 2, 4, 8])
        while t < 60.0:
            lines, pace = (rng.randrange(6, 30), rng.choice([0.0, 0.02, 0.07])) if rng.random() < 0.04 else (1, 0.1)
            for i in range(lines):
                if len(events) % renewed == 0:
                    noise = rng.gauss(0.0, 0.02)
                level = rng.uniform(40.0, 60.0) if rng.random() < 0.01 else level
                line = b"r %.2f 30.0 25.0\n" % (level + noise)
                events.append((t + 0.1 * lines + i * pace, line))
            t = max(t + 0.1 * lines, events[-1][0])
        found = []
        for dropped in (False, True):
            with dropping_at_once() if dropped else contextlib.nullcontext():
                run = Script(plan).begin()
                run.reading(0.0, 50.0, 30.0)
                for at, line in events:
                    run.feed(Received(run.ns(at), "lead", line))
                found.append(texts(run.effects))
        assert found[0] == found[1], seed
        seen.update(fault for kept in run.kept for fault in kept.faults)
    assert {"readings_late", "torque_jumped"} <= seen


def test_an_action_due_at_the_time_of_a_reading_comes_after_all_readings_of_that_time():
    keep = Keep("every", "mean", seconds(1.0), every=seconds(1.0))
    for chunks in (
        [b"r 10 30 25\nr 20 30 25\n"],
        [b"r 10 30 25\n", b"r 20 30 25\n"],
        [b"r 10 30 25\nr 2", b"0 30 25\n"],
    ):
        run = Script(plan_of(step(elapsed(3.0), keep))).begin()
        for chunk in chunks:
            run.feed(Received(run.ns(1.0), "lead", chunk))
        run.tick()
        assert run.kept[0].summaries["torque"].mean == 15.0


def test_a_spurious_answer_behind_the_reading_that_ends_a_step_is_the_same_in_one_chunk_and_in_two():
    """The reading causes the stop of the motor; the next answer belongs to the stop, wherever the bytes were cut."""
    found = []
    for chunks in ([b"r 60 30 25\nok halt\nr 0 0 25\n"], [b"r 60 30 25\n", b"ok halt\n", b"r 0 0 25\n"]):
        run = Script(plan_of(step(Rule("above", "a", "torque", low=55.0), speed=30.0)))
        run.begin()
        run.reading(0.0, speed=30.0)
        run.answers = False
        pipeline = run.pipeline
        found.append(texts([e for c in chunks for e in pipeline.step([Received(run.ns(1.0), "lead", c)])]))
    assert found[0] == found[1]
    assert '"motor":"still"' in found[0][-1]
