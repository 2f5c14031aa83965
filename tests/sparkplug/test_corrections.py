"""A correction of an earlier run is history: birth and present value stay those of the newest run."""

import random
from types import SimpleNamespace

import pytest

from daq.adapters.sparkplug.memory import Memory
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import EndRun
from daq.app.delivery.sparkplug_content import position
from tests.support.processes.mosquitto import Mosquitto, needs_mosquitto
from tests.support.runs.stored import T0, register
from tests.support.sparkplug.link import AdvancedClock, watching
from tests.support.sparkplug.stored import DEVICE, Bench, build, measure, sending


def ended(store, name):
    measure(store, name)
    store.submit(EndRun(name, "stopped", T0, "m.keeper")).result(10)


def correct(store, old, new):
    store.submit(Correct(old, new, "mistyped", T0, "m.keeper", build(new))).result(10)


def identity(result):
    return next(m.value for m in result.metrics if m.name == "result/id")


def content(store, reader):
    bench = SimpleNamespace(store=store, clock=SimpleNamespace(utc_ns=lambda: T0), sessions={}, runs={})
    return Bench(bench, reader, Memory.open(store.path.parent, position(reader)), None)


@pytest.mark.parametrize("seed", [1, *(pytest.param(n, marks=pytest.mark.slow) for n in range(2, 20))])
def test_the_present_value_is_that_of_the_newest_run_after_any_corrections(tmp_path, seed):
    """By counting: the newest result of the run that was measured last."""
    rng = random.Random(seed)
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(10)
        in_force, present = [], []
        with store.reader() as reader:
            for n in range(14):
                name = f"r{n:02}"
                if in_force and rng.random() < 0.6:
                    place = rng.randrange(len(in_force))
                    correct(store, in_force[place], name)
                    present[int(in_force[place][1:])] = False
                    in_force[place] = name
                    present.append(place == len(in_force) - 1)
                else:
                    ended(store, name)
                    in_force.append(name)
                    present.append(True)
                node = content(store, reader)
                assert identity(node.newest((DEVICE,))[0]) == in_force[-1]
                sent = node.after({DEVICE: 0}, 100)
                assert [identity(s) for s in sent] == [f"r{i:02}" for i in range(n + 1)]
                assert [s.is_present for s in sent] == present


@pytest.fixture
def broker(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder).start()
    yield running
    running.stop()


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_a_host_never_takes_a_correction_of_an_earlier_run_for_the_present_value(tmp_path, broker):
    clock = AdvancedClock()
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(10)
        async with watching(broker.port) as watcher:
            host = watcher.host
            async with sending(store, broker, clock) as link:
                await watcher.until(lambda: host.devices)
                for name in ("old", "new"):
                    ended(store, name)
                correct(store, "old", "old, corrected")
                link.wake()
                await watcher.until(lambda: len(watcher.ids()) == 3)
                assert watcher.ids(historical=True)[-1:] == ["old, corrected"]
                assert host.devices[DEVICE].values["result/id"] == "new"
            async with sending(store, broker, clock):
                await watcher.until(lambda: host.alive and host.devices)
                assert host.devices[DEVICE].values["result/id"] == "new"
                correct(store, "new", "new, corrected")
            async with sending(store, broker, clock):
                await watcher.until(
                    lambda: host.devices.get(DEVICE) and host.devices[DEVICE].values["result/id"] == "new, corrected"
                )
