"""A process that measures and tells Sparkplug hosts, made to be killed: `python -m tests.campaigns.sparkplug.victim FOLDER PORT RESULTS`.

Real are the database, the node and its connection; results are committed as fast as a seeded chance says, and an
instrument is away now and then.
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
    chance = random.Random(results)
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
            name = chance.choice(INSTRUMENTS)
            run = f"run-{number}-{uuid.uuid4()}"
            await store.commit(begin(run, name))
            await store.commit(conclude(run, result_id=run, build=builder(run, topics=())))
            node.wake()
            bench.sessions["rotor-2"].standing.state = "connecting" if chance.random() < 0.2 else "ready"
            await asyncio.sleep(chance.random() * 0.02)
        for one in bench.sessions.values():
            one.standing.state = "ready"
        print("all are made", flush=True)
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
