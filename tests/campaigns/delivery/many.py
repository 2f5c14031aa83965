"""Processor time and memory of a broker per daemon: ``python -m tests.campaigns.delivery.many --daemons 500 --seconds 30``.

Each simulated daemon is a connection as the publisher opens it: a session, a will, a retained status, a subscription to
requests, keep-alives, and every `--every` seconds a result and its retained copy.  The broker is a separate Mosquitto;
its processor time and memory are read from the operating system.
"""

import argparse
import asyncio
import json
import os
import random
import tempfile
from dataclasses import dataclass
from pathlib import Path

from daq.adapters.mqtt.connection import Will, connect
from daq.adapters.mqtt.topics import Topics
from daq.adapters.mqtt.versions import Version
from tests.support.processes.mosquitto import Mosquitto

PAYLOAD = 3_000
"""Bytes of a result, about those of a flow step with its uncertainty."""
TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(slots=True)
class Cost:
    """Processor time in s and resident memory in bytes of a process so far."""

    cpu_s: float
    memory: int

    @classmethod
    def of(cls, pid: int) -> "Cost":
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return cls((int(fields[11]) + int(fields[12])) / TICKS, int(fields[21]) * os.sysconf("SC_PAGE_SIZE"))


async def daemon(
    number: int, broker: Mosquitto, every_s: float, connected: asyncio.Semaphore, stop: asyncio.Event, sent: list[int]
) -> None:
    topics = Topics(enterprise="glazeworks", site=f"hall-{number % 10}", cell=f"bench-{number}")
    rng = random.Random(number)
    status = json.dumps({"state": "online", "sequences": {"bench": 1}, "note": "x" * 300}).encode()
    will = Will(topics.status(), b'{"state":"offline"}')
    wills: dict[Version, Will] = {"5": will, "3.1.1": will}
    async with connect(broker.settings(keepalive_s=10), f"daq-{number}", wills, session_s=3600) as connection:
        connection.on_arrival(lambda *_: None)
        await connection.publish(topics.status(), status, retain=True)
        await connection.subscribe(topics.refill())
        connected.release()
        while not stop.is_set():
            try:
                await asyncio.wait_for(stop.wait(), every_s * rng.uniform(0.5, 1.5))
            except TimeoutError:
                payload = json.dumps({"id": f"{number}-{len(sent)}", "x": "y" * PAYLOAD}).encode()
                await connection.publish(topics.result("bench"), payload)
                await connection.publish(topics.last("bench"), payload, retain=True)
                sent.append(number)


async def measure(daemons: int, seconds: float, every_s: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder), extra="persistence false", own_persistence=True).start()
        assert broker.process is not None
        pid = broker.process.pid
        try:
            before = Cost.of(pid)
            connected, stop, sent = asyncio.Semaphore(0), asyncio.Event(), []
            tasks = []
            for number in range(daemons):
                tasks.append(asyncio.create_task(daemon(number, broker, every_s, connected, stop, sent)))
                if number % 20 == 19:
                    # Daemons connect at different times, as after a power cut with back-off and jitter.
                    await asyncio.sleep(0.2)
            for _ in range(daemons):
                await connected.acquire()
            connected_cost = Cost.of(pid)
            await asyncio.sleep(seconds)
            after = Cost.of(pid)
            stop.set()
            await asyncio.gather(*tasks)
        finally:
            broker.stop()
    rate = len(sent) / seconds
    cpu = (after.cpu_s - connected_cost.cpu_s) / seconds
    print(f"{daemons} daemons, each a result of {PAYLOAD} bytes every {every_s:g} s on average; {seconds:g} s observed")
    print(f"  results: {len(sent)}, {rate:.1f} per second (two messages each)")
    print(f"  broker's processor: {100 * cpu:.2f} % of a core, {1e6 * cpu / daemons:.0f} us per second and daemon")
    print(
        f"  broker's memory: {after.memory / 2**20:.1f} MiB, {(after.memory - before.memory) / daemons / 1024:.1f} KiB per daemon"
    )
    print(f"  connecting: {1e3 * (connected_cost.cpu_s - before.cpu_s) / daemons:.2f} ms of processor time per daemon")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.delivery.many", description=__doc__)
    parser.add_argument("--daemons", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--every", type=float, default=20.0, metavar="S", help="time between results of one daemon")
    args = parser.parse_args()
    asyncio.run(measure(args.daemons, args.seconds, args.every))


if __name__ == "__main__":
    main()
