"""A process that commits results and publishes them to Sparkplug hosts, made to be killed: `python -m tests.campaigns.sparkplug.killed_node FOLDER PORT RESULTS`.

Database, node and connection are real.  Results are committed after seeded random pauses, and one instrument is
disconnected at random times.
"""

import asyncio
import random
import sys
import uuid
from pathlib import Path
from types import SimpleNamespace

from daq.adapters.clock import SystemClock
from daq.adapters.store.store import Store
from daq.app.delivery.sparkplug import Sparkplug
from daq.methods.files.sparkplug import Sparkplug as Table
from tests.support.processes.mosquitto import PASSWORD
from tests.support.runs.stored import begin, builder, conclude, register
from tests.support.sparkplug.link import GROUP, NODE, settings_for

INSTRUMENTS = ("rotor-1", "rotor-2")


def session(name):
    standing = SimpleNamespace(state="ready", identity=None, values={}, faults=())
    return SimpleNamespace(name=name, standing=standing, driver=SimpleNamespace(kind="rotational", channels=()))


async def main(folder, port, results):
    rng = random.Random(results)
    with Store(folder / "daq.db") as store:
        store.submit(register()).result(10)
        bench = SimpleNamespace(
            state=folder, store=store, clock=SystemClock(), runs={}, sessions={n: session(n) for n in INSTRUMENTS}
        )
        node = Sparkplug(Table(group=GROUP, node=NODE, aliases=True), settings_for(port, PASSWORD))
        node.start(bench)
        with store.reader() as reader:
            done = len(reader.all_results())
        for number in range(done, results):
            name = rng.choice(INSTRUMENTS)
            run = f"run-{number}-{uuid.uuid4()}"
            await store.commit(begin(run, name))
            await store.commit(conclude(run, result_id=run, build=builder(run, topics=())))
            node.wake()
            bench.sessions["rotor-2"].standing.state = "connecting" if rng.random() < 0.2 else "ready"
            await asyncio.sleep(rng.random() * 0.02)
        for one in bench.sessions.values():
            one.standing.state = "ready"
        print("all results are committed", flush=True)
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
