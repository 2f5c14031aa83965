"""At every end of a run the motor's stop is sent first, before anything is computed or stored."""

import dataclasses

import pytest
from structlog.testing import capture_logs

from daq.app.run import results
from daq.core.driver import Request
from daq.core.intake import Intake
from daq.core.resting import STILL
from tests.support.memory_bench import SupervisorBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


async def by_rule(_bench, active):
    await active.task


async def by_person(bench, active):
    bench.supervisor.stop_run("bench-1", "m.keeper")
    await active.task


async def by_shutdown(bench, active):
    await bench.supervisor.end_runs()
    await active.task


async def by_the_store(_bench, active):
    active.runner.store_failed("the disk is full")
    await active.task


async def by_the_limit(bench, active):
    # A reading of the instrument's own, with the flag of a saturated sensor.
    band = active.runner.pipeline.plan.band
    active.runner.pipeline.life.plan = dataclasses.replace(
        active.runner.pipeline.plan, band=dataclasses.replace(band, limit=1.0)
    )
    active.runner.pipeline.links["bench-1"].intake = Intake.of_lead(
        active.runner.pipeline.life.plan, active.runner.pipeline.drivers["bench-1"]
    )
    await active.task


async def by_a_time_out(bench, active):
    active.runner.pipeline.life.meter.step = dataclasses.replace(active.runner.pipeline.life.meter.step, longest_ns=1)
    active.runner.pipeline.life.meter.wake_at = 0
    active.runner.pipeline.wake_at = 0
    await active.task


async def by_a_refusal(bench, active):
    link = active.runner.pipeline.links["bench-1"]
    link.exchange.ask(bench.clock.mono_ns(), Request(b"nonsense#0000\r\n", "speed", tries=1))
    await active.task


async def by_another_instrument(bench, active):
    bench.swap("R-9999")
    bench.box.silent = True
    await bench.clock.sleep(2.0)
    bench.box.silent = False
    await active.task


async def by_a_driver_that_fails(bench, active):
    drivers = (active.runner.pipeline.drivers["bench-1"], bench.supervisor.sessions["bench-1"].driver)

    def decode(line, asked=None):
        raise ZeroDivisionError("put in by a test")

    # Both drivers of the instrument fail: that of the run, and that of its connection.
    before = [driver.decode for driver in drivers]
    for driver in drivers:
        driver.decode = decode
    try:
        await active.task
    finally:
        for driver, own in zip(drivers, before, strict=True):
            driver.decode = own


ENDS = {
    "rule": (by_rule, "complete"),
    "person": (by_person, "stopped"),
    "shutdown": (by_shutdown, "stopped"),
    "store": (by_the_store, "failed"),
    "torque limit": (by_the_limit, "failed"),
    "longest time": (by_a_time_out, "failed"),
    "refusal": (by_a_refusal, "failed"),
    "another instrument": (by_another_instrument, "failed"),
    "driver": (by_a_driver_that_fails, "failed"),
}


@pytest.mark.parametrize("how", ENDS)
async def test_the_stop_is_the_first_thing_sent_at_every_end(tmp_path, how):
    end, wanted = ENDS[how]
    async with SupervisorBench(tmp_path) as bench:
        active = await bench.measuring("short" if how == "rule" else "long")
        moved = []
        bench.supervisor._look = lambda *_: None
        states = active.runner._changed

        def changed():
            state = active.runner.pipeline.state
            if not moved and state in ("stopping", "concluded", "ended"):
                moved.append(len(bench.box.sent))
            states()

        active.runner._changed = changed
        await end(bench, active)
        outcome = active.task.result()
        assert outcome.outcome == wanted
        first = moved[0] if moved else len(bench.box.sent)
        await bench.until(lambda: "halt" in bench.box.words()[-30:])
        words = bench.box.words()
        # The state changes and the stop is sent in one step: the next thing after the last request is the stop.
        # A driver that fails closes the port; an instrument that comes back is identified before it gets a command.
        before = {"who"} if how == "driver" else set()
        stop = words.index("halt", max(0, first - 1))
        assert set(words[first:stop]) <= before, (words[-8:], first)
        if how != "another instrument":
            await bench.until(lambda: abs(bench.box.simulator.shown().speed_per_min) < STILL)


async def test_the_stop_does_not_wait_for_a_result_that_cannot_be_computed(tmp_path, monkeypatch):
    broken = {"times": 1}
    conclude = results.conclude

    def fail(plan, facts):
        if facts.outcome and broken["times"]:
            broken["times"] -= 1
            raise OSError(24, "Too many open files")
        return conclude(plan, facts)

    monkeypatch.setattr(results, "conclude", fail)
    # A traceback drawn for a terminal takes longer than the stop may.
    with capture_logs():
        async with SupervisorBench(tmp_path) as bench:
            active = await bench.measuring("short")
            outcome = await active.task
            assert (outcome.outcome, outcome.motor) == ("complete", "still")
            assert broken["times"] == 0
            # The run was brought to its end on the open line, and the result was computed again.
            assert outcome.fault == ""
            assert bench.result(outcome.run_id)["value"] is not None
            assert bench.box.words().count("halt") == 1


async def test_a_result_that_can_never_be_computed_is_a_fault_of_the_run_and_the_motor_stands_still(
    tmp_path, monkeypatch
):
    def fail(plan, facts):
        raise MemoryError

    with capture_logs():
        async with SupervisorBench(tmp_path) as bench:
            active = await bench.measuring("short")
            monkeypatch.setattr(results, "conclude", fail)
            outcome = await active.task
            assert "MemoryError" in outcome.fault
            assert outcome.motor == "still"
            assert abs(bench.box.simulator.shown().speed_per_min) < STILL
            # As soon as it can be computed, it is stored.
            monkeypatch.undo()
            await bench.until(lambda: bench.result(outcome.run_id)["value"] is not None)
