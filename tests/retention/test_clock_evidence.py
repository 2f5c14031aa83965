"""The end of each run seals the state of the machine's clock: difference to the monotonic clock, synchronisation."""

import asyncio
import json
import random

import pytest

from daq.adapters.clock import ScaledClock, clock_synchronised
from daq.adapters.paths import database_path
from daq.adapters.store.store import Store
from daq.app.cli.records.clock_rows import clock_rows
from daq.app.records.history import clock_evidence
from daq.app.run.clock_watch import CHECK_NS, WORDS, ClockWatch, unknown_evidence
from daq.core.clocks import STEP_NS, ClockFacts
from tests.support.memory_bench import SCALE, SupervisorBench
from tests.support.runs.stored import T0, begin, blocks, conclude, register

SECOND = 10**9


class HandClock:
    """A clock that a test sets."""

    boot_id = "boot"

    def __init__(self):
        self.mono, self.offset, self.state = 7 * SECOND, T0, None

    def mono_ns(self):
        return self.mono

    def utc_ns(self):
        return self.mono + self.offset

    def synchronised(self):
        return self.state


@pytest.mark.parametrize("seed", range(40))
def test_the_difference_over_a_run_is_the_sum_of_all_steps_and_slews(seed):
    """Steps of any size and sign, slow slews, and changes of synchronisation, in any order."""
    rng, clock, anchors = random.Random(seed), HandClock(), []
    clock.state = rng.choice([True, False, None])
    states, moved, since = [clock.state], 0, 0
    watch = ClockWatch("run", clock, (clock.mono_ns(), clock.utc_ns()), anchors.append)
    started = clock.mono
    watch.begin(clock.mono)
    named = []
    for _ in range(rng.randrange(20)):
        clock.mono += rng.randrange(1, 3 * SECOND)
        step = rng.choice(
            [0, rng.randrange(-STEP_NS // 3, STEP_NS // 3), rng.choice([-1, 1]) * rng.randrange(STEP_NS, 10**14)]
        )
        clock.offset += step
        moved, since = moved + step, since + step
        if rng.random() < 0.2:
            clock.state = rng.choice([True, False, None])
        changed = clock.state is not states[-1]
        watch.check()
        if abs(since) >= STEP_NS:
            named.append(since / 1e9)
        if abs(since) >= STEP_NS or changed:
            # An anchor for a change of synchronisation takes a smaller difference with it.
            since = 0
            states.append(clock.state)
    found = watch.evidence()
    assert found["difference_ns"] == moved
    assert found["monotonic_ns"] == clock.mono - started
    assert found["ended_utc_ns"] - found["began_utc_ns"] == found["monotonic_ns"] + moved
    assert (found["synchronised_at_start"], found["synchronised_at_end"]) == (WORDS[states[0]], WORDS[clock.state])
    facts = ClockFacts()
    for anchor in anchors:
        facts = facts.after(anchor)
    assert len(facts.steps) >= len([s for s in named if abs(s) >= 2 * STEP_NS / 1e9])
    assert facts.synchronised is (False if False in states else None if None in states else True)


def test_a_reading_checks_the_clock_so_that_a_step_before_the_end_is_named():
    clock, anchors = HandClock(), []
    watch = ClockWatch("run", clock, (clock.mono_ns(), clock.utc_ns()), anchors.append)
    watch.begin(clock.mono)
    clock.offset -= 3600 * SECOND
    clock.mono += CHECK_NS - 1
    watch.check_at(clock.mono)
    assert len(anchors) == 1
    clock.mono += 1
    watch.check_at(clock.mono)
    assert [a.utc_ns - a.t for a in anchors] == [T0, T0 - 3600 * SECOND]


def test_the_end_of_a_run_seals_the_evidence_in_the_audit_trail(tmp_path):
    first, second = blocks(2)
    from daq.adapters.store.transactions import EndRun

    found = {"difference_ns": 12_000_000, "synchronised_at_start": "yes", "synchronised_at_end": "no"}
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        for step in (register(), begin("a"), conclude("a", block=first)):
            store.submit(step).result()
        store.submit(EndRun("a", "still", T0 + 9, "daemon", second, found)).result()
        with store.reader() as reader:
            assert clock_evidence(reader, "a") == found
            assert clock_evidence(reader, "none") is None
    assert clock_rows(found) == [
        (
            "clock",
            "synchronised at the start, not synchronised at the end; +0.012 s against the monotonic clock over the run",
        )
    ]
    assert clock_rows(None) == []


def test_what_was_not_observed_is_unknown():
    (row,) = clock_rows(unknown_evidence(T0, synchronised=None))
    assert row == ("clock", "synchronisation unknown; its change over the run was not observed")
    assert unknown_evidence(T0, synchronised=True)["synchronised_at_start"] == "yes"
    assert clock_synchronised() in WORDS


class SetClock(ScaledClock):
    """A clock that the test sets."""

    def __init__(self):
        super().__init__(SCALE)
        self.shift_ns = 0

    def utc_ns(self):
        return super().utc_ns() + self.shift_ns

    def synchronised(self):
        return True


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("shift_s", [0, 25 * 3600, -25 * 3600])
async def test_a_run_seals_a_step_of_its_clock_and_its_result_names_it(tmp_path, shift_s):
    clock = SetClock()
    async with SupervisorBench(tmp_path, clock=clock) as bench:
        active = await bench.measuring("long")
        clock.shift_ns = shift_s * SECOND
        before = active.runner.events
        while active.runner.events < before + 20:
            await asyncio.sleep(0.02)
        bench.supervisor.stop_run("bench-1", "m.keeper")
        await active.task
        with bench.supervisor.store.reader() as reader:
            found = clock_evidence(reader, active.record.id)
            data = json.loads(reader.newest_result(active.record.id).data)
    assert abs(found["difference_ns"] - shift_s * SECOND) < SECOND
    assert (found["synchronised_at_start"], found["synchronised_at_end"]) == ("yes", "yes")
    assert ("clock_stepped" in [w["code"] for w in data["warnings"]]) is bool(shift_s)
    assert database_path(bench.supervisor.state).exists()
