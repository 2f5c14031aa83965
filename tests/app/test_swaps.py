"""An instrument that is exchanged behind an open port is detected at every moment before its value is accepted."""

import pytest

from simulators.thermometer.thermometer import Thermometer
from tests.support.memory_bench import SupervisorBench
from tests.support.statements import codes, parameters

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


async def swapped(bench, silent_s, serial="R-9999"):
    """Pull the instrument from its adapter; another one answers `silent_s` (simulated) later."""
    bench.swap(serial)
    bench.box.silent = silent_s > 0
    await bench.clock.sleep(silent_s)
    bench.box.silent = False


@pytest.mark.parametrize("silent_s", [0.0, 2.0, 6.0])
async def test_in_a_run_the_value_is_taken_back(tmp_path, silent_s):
    async with SupervisorBench(tmp_path) as bench:
        active = await bench.measuring("short")
        await swapped(bench, silent_s)
        outcome = await active.task
        data = bench.result(outcome.run_id)
        assert data["value"] is None
        assert data["quality"].startswith("Bad")
        assert outcome.motor == "may_still_be_turning", "the motor that turned is another instrument's"
        assert any("R-9999" in str(r["parameters"].get("detail")) for r in data["reasons"])
        await bench.until(lambda: bench.session.standing.state == "wrong_instrument")


@pytest.mark.parametrize("silent_s", [0.0, 2.0, 6.0])
async def test_between_runs_the_next_run_does_not_measure_with_it(tmp_path, silent_s):
    async with SupervisorBench(tmp_path) as bench:
        active = await bench.measuring("short")
        assert (await active.task).outcome == "complete"
        await bench.until(lambda: bench.session.standing.state == "ready")
        await swapped(bench, silent_s)
        began = bench.clock.mono_ns()
        if silent_s:
            await bench.until(lambda: bench.session.standing.state == "wrong_instrument")
            assert "R-9999 answers where R-1042 is expected" in bench.session.standing.detail
            assert bench.session.standing.values == {}
        else:
            outcome = await (await bench.begin("short")).task
            assert (outcome.outcome, outcome.motor) == ("failed", "not_moved")
            assert bench.result(outcome.run_id)["value"] is None
        assert not {"speed", "turn", "run"} & set(bench.box.words(began))


@pytest.mark.parametrize("silent_s", [2.0, 6.0])
async def test_without_an_expected_serial_number_the_new_one_is_known_before_a_run(tmp_path, silent_s):
    async with SupervisorBench(tmp_path, expect_serial=None) as bench:
        await swapped(bench, silent_s)
        await bench.until(lambda: bench.session.standing.identity.serial == "R-9999")
        await bench.until(lambda: bench.session.standing.state == "ready")
        outcome = await (await bench.begin("short")).task
        assert bench.result(outcome.run_id)["origin"]["serial"] == "R-9999"
        with bench.supervisor.store.reader() as reader:
            assert "instrument_exchanged" in {entry.what for entry in reader.audit()}


async def test_an_instrument_that_falls_silent_at_the_end_makes_the_value_uncertain(tmp_path):
    async with SupervisorBench(tmp_path) as bench:
        active = await bench.measuring("short")
        answer = bench.box.simulator.receive
        asked = active.runner.pipeline.drivers["bench-1"].identify().data
        bench.box.simulator.receive = lambda data: b"" if data == asked else answer(data)
        outcome = await active.task
        data = bench.result(outcome.run_id)
        assert data["quality"].startswith("Uncertain")
        assert outcome.motor == "still"
        assert data["value"] is not None
        assert "identity_unknown" in codes(data["reasons"])


async def test_a_companion_that_was_exchanged_takes_the_value_back_too(tmp_path):
    async with SupervisorBench(tmp_path, companion=True) as bench:
        active = await bench.measuring("short")
        bench.boxes["thermo-1"].simulator = Thermometer(seed=5, serial="T-9999")
        outcome = await active.task
        data = bench.result(outcome.run_id)
        assert data["value"] is None
        found = parameters(data["reasons"], "another_instrument")
        assert (found["instrument"], "T-9999" in found["detail"]) == ("thermo-1", True)


async def test_the_faults_of_a_companion_are_seen_while_it_is_read_in_a_run(tmp_path):
    from daq.app.run.current import newest_reading

    async with SupervisorBench(tmp_path, companion=True) as bench:
        await bench.measuring("long")
        bench.boxes["thermo-1"].simulator.probe_open = True
        thermo = bench.supervisor.sessions["thermo-1"]

        def faults():
            values, found = newest_reading("thermo-1", thermo, bench.supervisor.runs)
            return ("temperature", "probe") in found and values["temperature"] is None

        await bench.until(faults)
