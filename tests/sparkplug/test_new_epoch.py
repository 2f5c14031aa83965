"""A database that was put back below a running node: later results are sent, under the new source."""

import shutil

import pytest

from daq.adapters.sparkplug.memory import Memory
from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.store import Store
from daq.app.delivery.sparkplug_content import position
from tests.support.processes.mosquitto import Mosquitto, needs_mosquitto
from tests.support.runs.stored import T0, put_back, register
from tests.support.sparkplug.link import AdvancedClock, watching
from tests.support.sparkplug.stored import DEVICE, measure, sending


@pytest.fixture
def broker(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder).start()
    yield running
    running.stop()


@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize(("kept", "lost"), [(1, 1), (1, 4), (3, 2)])
async def test_results_after_a_new_epoch_are_sent_by_the_running_node(tmp_path, broker, kept, lost):
    path, copy = tmp_path / "daq.db", tmp_path / "copy.db"
    with Store(path, utc_ns=T0) as store:
        store.submit(register()).result(10)
    with Store(path) as store:
        async with watching(broker.port) as watcher, sending(store, broker, AdvancedClock()) as link:

            async def send(*names):
                for name in names:
                    measure(store, name)
                    link.wake()
                    await watcher.until(lambda name=name: watcher.ids()[-1:] == [name])

            await watcher.until(lambda: DEVICE in watcher.host.devices)
            await send(*(f"kept-{n}" for n in range(kept)))
            put_back(copy, path)
            await send(*(f"lost-{n}" for n in range(lost)))
            put_back(path, copy)
            store.submit(StartEpoch(reason="the broker shows more", least=2, utc_ns=T0)).result(10)
            link.wake()
            await watcher.until(lambda: watcher.host.births == 2 and DEVICE in watcher.host.devices)
            assert watcher.host.birth.by_name()["source"].value == store.source
            assert watcher.host.devices[DEVICE].values["result/id"] == f"kept-{kept - 1}"
            await send("new-0", "new-1")
            _, values = watcher.host.devices[DEVICE].history[-1]
            assert values["result/source"][0] == store.source == f"urn:uuid:{store.uuid}#2"
        with store.reader() as reader:
            # A new start has the same marks: nothing is sent again.
            here = position(reader)
            assert Memory.open(tmp_path, here).sent == here.newest
    shutil.rmtree(tmp_path / "broker", ignore_errors=True)
