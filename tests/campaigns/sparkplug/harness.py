"""Kill a Sparkplug node at random moments and count missing results: `python -m tests.campaigns.sparkplug --kills 20 --results 2000 --seed 1`.

The publishing process is killed, its connection cut, its broker killed and stopped, each at a seeded random moment.  A
strict host checks every message; in the end it must have every result of the database at least once.
"""

import argparse
import asyncio
import os
import random
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from daq.adapters.store.reading import Reader
from daq.core.errors import StoreError
from tests.support.processes.mosquitto import Mosquitto
from tests.support.sparkplug.link import Cable, watching


@dataclass
class Figures:
    """Figures of a campaign."""

    results: int
    received: int
    """Data messages with a result, repeats included."""
    historical: int
    missing: list
    sessions: int
    deaths: int


def start(folder, port, results):
    return subprocess.Popen(
        [sys.executable, "-m", "tests.campaigns.sparkplug.killed_node", str(folder), str(port), str(results)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )


def in_database(folder):
    try:
        with Reader(folder / "daq.db") as reader:
            return [r.id for r in reader.all_results()]
    except StoreError:  # the process has not made its database yet
        return []


async def campaign(folder: Path, *, kills: int, results: int, seed: int, pause_s: float) -> Figures:
    rng = random.Random(seed)
    (folder / "broker").mkdir()
    (folder / "state").mkdir()
    broker = Mosquitto(folder / "broker").start()
    state = folder / "state"
    async with Cable(broker.port) as cable:
        node_process = start(state, cable.port, results)
        ids, totals = [], [0, 0, 0]
        try:
            # The host loses its connection when the broker is killed, so each start of the broker gets a new watcher.
            while kills:
                async with watching(broker.port, aliases=True, first=True) as watcher:
                    cable.blocked = False
                    births = 0
                    while kills:
                        if kills % 2 == 0:
                            # Every second fault meets a node that is online. The others come at any moment of its start.
                            await watcher.until(lambda seen=births, host=watcher.host: host.births > seen, 60)
                        await asyncio.sleep(pause_s * rng.random())
                        kills -= 1
                        what = rng.choice(("process", "process", "line", "freeze", "broker"))
                        if what == "process":
                            node_process.kill()
                            node_process.communicate()
                            births = watcher.host.births
                            node_process = start(state, cable.port, results)
                        elif what == "line":
                            births = watcher.host.births
                            cable.cut()
                        elif what == "freeze":
                            os.kill(broker.process.pid, signal.SIGSTOP)
                            await asyncio.sleep(0.3 * rng.random())
                            os.kill(broker.process.pid, signal.SIGCONT)
                        else:
                            cable.blocked = True
                            broker.kill()
                            cable.cut()
                            break
                    if not kills and what != "broker":
                        await _finish(state, results, watcher, ids)
                    _count(watcher, ids, totals)
                if what == "broker":
                    broker.start()
            if what == "broker":
                async with watching(broker.port, aliases=True, first=True) as watcher:
                    cable.blocked = False
                    await _finish(state, results, watcher, ids)
                    _count(watcher, ids, totals)
        finally:
            node_process.kill()
            node_process.communicate()
            broker.stop()
    made = in_database(state)
    return Figures(len(made), len(ids), totals[0], sorted(set(made) - set(ids)), totals[1], totals[2])


async def _finish(state, results, watcher, before):
    def complete():
        made = in_database(state)
        return len(made) >= results and set(made) <= {*before, *watcher.ids()}

    try:
        await watcher.until(complete, 30)
    except AssertionError as error:
        made = in_database(state)
        missing = [n for n, i in enumerate(made) if i not in {*before, *watcher.ids()}]
        raise AssertionError(
            f"{len(made)} of {results} made, missing {missing}; last {watcher.host.log[-5:]}"
        ) from error


def _count(watcher, ids, totals):
    ids += watcher.ids()
    totals[0] += len(watcher.ids(historical=True))
    totals[1] += watcher.host.births
    totals[2] += watcher.host.log.count("NDEATH")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.sparkplug", description=__doc__)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--results", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        figures = asyncio.run(
            campaign(Path(folder), kills=args.kills, results=args.results, seed=args.seed, pause_s=3.0)
        )
    print(figures)
    return 1 if figures.missing else 0
