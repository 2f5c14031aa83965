"""The subscriber's page: its commands, its program and its queries run unchanged against the demonstration."""

import asyncio
import contextlib
import json
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import paho.mqtt.publish
import pytest

from daq.adapters.outbox.publisher import Publisher
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.store import Store
from daq.app.delivery.refill import Refill
from tests.support.processes.laboratory import eventually
from tests.support.processes.mosquitto import PASSWORD, Mosquitto, needs_mosquitto
from tests.support.runs.result_events import T0 as MOMENT
from tests.support.runs.result_events import TOPICS, own_id, result
from tests.support.runs.stored import T0, begin, conclude, register

pytestmark = pytest.mark.slow

PAGE = (Path(__file__).parents[2] / "config/SUBSCRIBE.md").read_text()
PAGE = PAGE.partition("<!-- subscribe: begin -->")[2].partition("<!-- subscribe: end -->")[0]
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", PAGE, re.DOTALL)
EXPORT, DEMONSTRATION, NEWEST, CONSUMER = (text for kind, text in BLOCKS if kind == "sh")
(PROGRAM,) = (text for kind, text in BLOCKS if kind == "python")
VALID, MISSING, REFUSED = (
    q for kind, text in BLOCKS if kind == "sql" for q in text.split(";") if q.strip()
)  # fmt: skip
KEPT_REFUSED = "SELECT DISTINCT topic, payload FROM refused"


class Terminal:
    """A shell in a folder, with `python` and `daq` of this environment on its path; its programs end with it."""

    def __init__(self, folder):
        self._folder = folder
        self._environment = os.environ | {
            "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}", "NO_COLOR": "1",
            "PYTHONPATH": str(Path(__file__).parents[2]),
        }  # fmt: skip
        self._running = []

    def start(self, command, name):
        with (self._folder / name).open("wb") as output:
            process = subprocess.Popen(
                ["sh", "-c", f"{EXPORT}\nexec {command}"], cwd=self._folder, env=self._environment, stdout=output,
                stderr=output, start_new_session=True,
            )  # fmt: skip
        self._running.append(process)
        return process

    def run(self, command, seconds):
        return subprocess.run(
            ["sh", "-c", f"{EXPORT}\n{command}"], cwd=self._folder, env=self._environment, capture_output=True,
            text=True, check=True, timeout=seconds,
        ).stdout  # fmt: skip

    def close(self):
        for process in self._running:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGTERM)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(20)
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(20)


@pytest.fixture
def terminal(tmp_path):
    (tmp_path / "subscribe.py").write_text(PROGRAM)
    made = Terminal(tmp_path)
    yield made
    made.close()


@pytest.fixture
def rows(tmp_path):
    def query(text):
        with contextlib.closing(sqlite3.connect(tmp_path / "results.db", timeout=20)) as db:
            return db.execute(text).fetchall()

    return query


def kept(rows):
    try:
        return rows("SELECT count(*) FROM results")[0][0]
    except sqlite3.OperationalError:
        return 0


@needs_mosquitto
@pytest.mark.timeout(600)  # the demonstration measures in real time
def test_the_page_runs_unchanged_against_the_demonstration(terminal, rows, tmp_path):
    demonstration = terminal.start(DEMONSTRATION, "demo.log")
    eventually(lambda: "broker on" in (tmp_path / "demo.log").read_text(), 60, what="the demonstration's broker")
    consumer = terminal.start(CONSUMER, "consumer.log")
    newest = terminal.run(NEWEST, 600)
    topic, _, payload = newest.partition(" ")
    assert topic.startswith(f"{TOPICS.prefix}/last/bench-")
    assert json.loads(payload)["data"]["simulated"] is True
    eventually(lambda: kept(rows) >= 1, 60, what="a result")
    port = int(CONSUMER.split()[-1])
    password = EXPORT.strip().partition("=")[2]
    wrong = {("result/bench-1", b"\xff no JSON"), ("status", b"[]"), ("result/bench-1", b'{"data": 1}')}

    def refused():
        """Publish the wrong messages that were not refused yet, and return whether all were.

        The broker inside the demonstration is no place that keeps a message whose sender leaves at once.
        """
        found = {(topic.removeprefix(f"{TOPICS.prefix}/"), payload) for topic, payload in rows(KEPT_REFUSED)}
        for topic, payload in wrong - found:
            paho.mqtt.publish.single(
                f"{TOPICS.prefix}/{topic}", payload, 1, hostname="127.0.0.1", port=port,
                auth={"username": "historian", "password": password},
            )  # fmt: skip
            time.sleep(1)
        return found == wrong

    try:
        eventually(refused, what="each wrong message is refused, and no other one")
    finally:  # shown where the test fails
        print(rows(REFUSED), kept(rows), *((tmp_path / n).read_text()[-4000:] for n in ("consumer.log", "demo.log")))
    assert (demonstration.poll(), consumer.poll()) == (None, None)
    assert len(rows(VALID)) <= kept(rows)
    eventually(lambda: rows(MISSING) == [], 60, what="no gap")


class Time:
    def utc_ns(self):
        return T0

    def mono_ns(self):
        return time.monotonic_ns()


def measure(store, stream, count):
    """Commit results with their messages, as the daemon makes them."""
    for number in range(1, count + 1):
        run, own = f"{stream}-{number}", own_id(store.source, stream, number)

        def build(sequence, _point, _digest):
            topic, payload = result(sequence, stream=stream, source=store.source)
            return json.dumps(json.loads(payload)["data"]), [Outgoing(topic, payload)]

        store.submit(begin(run, stream)).result(10)
        store.submit(conclude(run, result_id=own, build=build)).result(10)


@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize("seed", range(3))
async def test_gaps_at_the_beginning_in_the_middle_and_at_the_end_are_requested(terminal, rows, tmp_path, seed):
    """The consumer comes late, loses results of a seeded choice from its table, and gets each of them again."""
    rng = random.Random(seed)
    (tmp_path / "broker").mkdir()
    port = int(CONSUMER.split()[-1])
    broker = Mosquitto(tmp_path / "broker", port=port).start()
    store = Store(tmp_path / "daq.sqlite", utc_ns=T0)
    clock = Time()
    refill = Refill(store.uuid, store.epoch, clock.utc_ns, clock.mono_ns)
    publisher = Publisher(store, broker.settings(), clock, topics=TOPICS, refill=refill, seed=1)
    task = None
    try:
        store.submit(register()).result(10)
        await asyncio.to_thread(measure, store, "bench-1", 9)
        await asyncio.to_thread(measure, store, "bench-2", 4)
        task = asyncio.create_task(publisher.run())
        await until(lambda: publisher.state.delivered >= 13)
        terminal.start(f"env BROKER_PASSWORD={PASSWORD} {CONSUMER}", "consumer.log")
        await until(lambda: kept(rows) == 13)  # all were published before the consumer had a session
        assert rows(MISSING) == []
        lost = sorted({1, 9, *rng.sample(range(2, 9), 3)})
        with contextlib.closing(sqlite3.connect(tmp_path / "results.db", timeout=20)) as db, db:
            db.executemany("DELETE FROM results WHERE instrument = 'bench-1' AND sequence = ?", [(n,) for n in lost])
        # A number far above the announced end makes nothing missing; a message that is none stops nothing.
        for payload in (result(10**6, time=MOMENT, source=store.source, stream="bench-2")[1], b"["):
            paho.mqtt.publish.single(
                TOPICS.result("bench-2"), payload, 1, hostname="127.0.0.1", port=port,
                auth={"username": "daq", "password": PASSWORD},
            )  # fmt: skip
        await until(lambda: kept(rows) == 14)
        assert rows(MISSING) == []
        assert [n for (n,) in rows("SELECT sequence FROM results WHERE instrument = 'bench-1' ORDER BY 1")] == [
            *range(1, 10)
        ]
        assert len(rows(REFUSED)) == 1
    finally:
        publisher.stop()
        if task is not None:
            await asyncio.wait_for(task, 20)
        store.close()
        broker.stop()


async def until(condition, seconds=120):
    end = asyncio.get_running_loop().time() + seconds
    while not await asyncio.to_thread(condition):
        assert asyncio.get_running_loop().time() < end
        await asyncio.sleep(0.2)
