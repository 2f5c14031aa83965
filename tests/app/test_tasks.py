"""No background task of the daemon ends unnoticed, and a fault of one driver affects only its instrument."""

import asyncio
import json

import pytest

from daq.app.delivery.live_values import LiveValues
from daq.process.tasks import Tasks
from tests.support.memory_bench import SupervisorBench

pytestmark = pytest.mark.asyncio


async def fails():
    raise ZeroDivisionError("put in by a test")


async def ends():
    return None


async def test_a_task_that_fails_or_ends_by_itself_is_named_and_one_that_may_end_is_not():
    tasks = Tasks()
    tasks.start(fails(), "one")
    tasks.start(ends(), "two")
    tasks.start(ends(), "three", ends=True)
    tasks.start(fails(), "four", ends=True)
    tasks.start(asyncio.sleep(60), "five")
    await asyncio.sleep(0.01)
    assert tasks.ended == {
        "one": "ZeroDivisionError: put in by a test",
        "two": "it ended by itself",
        "four": "ZeroDivisionError: put in by a test",
    }
    await tasks.stop()
    assert set(tasks.ended) == {"one", "two", "four"}


async def test_a_value_that_is_no_number_ends_nobody_s_live_values(tmp_path, monkeypatch):
    """A driver may give a NaN; the other instruments go on being published, and this one with its fault."""
    async with SupervisorBench(tmp_path, companion=True) as bench:
        sent = []
        live = LiveValues(bench.supervisor, lambda name, data: sent.append((name, json.loads(data))) or True, 1)
        thermo = bench.supervisor.sessions["thermo-1"]
        monkeypatch.setattr(thermo.driver, "decode", lambda _line, _asked=None: (float("nan"),))
        await bench.until(lambda: ("temperature", "not_a_number") in thermo.standing.faults)
        live.publish_new()
        found = dict(sent)
        temperature = found["thermo-1"]["values"]["temperature"]
        # 0x80000000 is the number of Bad in OPC UA Part 4.
        assert temperature == {"value": None, "unit": "Cel", "quality": "Bad", "status_code": 0x80000000}
        assert found["bench-1"]["values"]["temperature"]["quality"] == "Good"


async def test_an_idle_reading_out_of_range_is_not_published_as_good(tmp_path, monkeypatch):
    async with SupervisorBench(tmp_path, companion=True) as bench:
        sent = []
        live = LiveValues(bench.supervisor, lambda name, data: sent.append((name, json.loads(data))) or True, 1)
        thermo = bench.supervisor.sessions["thermo-1"]
        monkeypatch.setattr(thermo.driver, "decode", lambda _line, _asked=None: (999.0,))
        await bench.until(lambda: ("temperature", "beyond_range") in thermo.standing.faults)
        live.publish_new()
        value = dict(sent)["thermo-1"]["values"]["temperature"]
        assert value["quality"] == "Uncertain_EngineeringUnitsExceeded"


async def test_a_look_that_fails_for_one_instrument_leaves_the_others(tmp_path):
    async with SupervisorBench(tmp_path, companion=True) as bench:
        sent = []
        live = LiveValues(bench.supervisor, lambda name, data: sent.append(name) or True, 1)
        await bench.until(lambda: bench.supervisor.sessions["thermo-1"].standing.values)
        bench.supervisor.sessions["bench-1"].standing.values = {"torque": "no number"}
        live.publish_new()
        assert sent == ["thermo-1"]
