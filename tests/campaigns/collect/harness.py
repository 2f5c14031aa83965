"""Publishing daemons, a real broker, a real database server, workers that are killed, and the totals of what arrived.

This module makes the messages that the daemons publish.  The broker keeps each message it acknowledged, so none may be
missing.  Requests of the workers to send again are counted and not answered, so that a lost message stays lost.
"""

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as mqtt

from tests.support.processes.mosquitto import PASSWORD, Mosquitto
from tests.support.processes.postgres import Server
from tests.support.runs.result_events import TOPICS, result

DAEMONS = 4
STREAMS = 3
# The broker is not killed here; saving its memory at each message, as the shared configuration does, would only slow it.
BROKER = "max_queued_messages 0\nmax_inflight_messages 500\nautosave_on_changes false\nautosave_interval 1800\n"
PROGRESS_S = 90.0
"""After this time (s) without a new row, results that did not arrive count as missing."""


_SIZES = """
SELECT regexp_replace(c.relname, '_([0-9_]+|elsewhen)$', ''), sum(pg_total_relation_size(c.oid))
FROM pg_class c JOIN pg_inherits i ON i.inhrelid = c.oid
WHERE i.inhparent IN ('lab.results'::regclass, 'lab.keys'::regclass) GROUP BY 1 ORDER BY 1
"""


@dataclass
class CollectTotals:
    """Totals of a campaign."""

    results: int
    published: int = 0
    rows: int = 0
    kills: Counter[str] = field(default_factory=Counter)
    server_restarts: int = 0
    duplicates: int = 0
    asked: int = 0
    seconds: float = 0.0
    missing: int = 0
    twice: int = 0
    changed: int = 0
    refused: int = 0
    conflicts: int = 0
    sizes: dict[str, float] = field(default_factory=dict)
    """Bytes per result, by table or index."""

    @property
    def violations(self) -> int:
        return self.missing + self.twice + self.changed + self.refused + self.conflicts


class Publisher:
    """Publisher of all daemons' results over one connection at `rate` results per second; counts the requests of collectors."""

    def __init__(self, port: int, results: int, rate: float) -> None:
        self.messages: dict[tuple[str, str, int], tuple[str, bytes]] = {}
        self._rate = rate
        self.asked = self.published = 0
        counts: Counter[tuple[str, str]] = Counter()
        for n in range(results):
            daemon, stream = n % DAEMONS, f"bench-{n // DAEMONS % STREAMS}"
            source = f"urn:uuid:6f1e0f0a-0000-4000-8000-{daemon:012d}#1"
            counts[source, stream] += 1
            sequence = counts[source, stream]
            self.messages[source, stream, sequence] = result(sequence, stream=stream, source=source)
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.username_pw_set("daq", PASSWORD)
        self._client.max_inflight_messages_set(200)
        self._client.on_message = self._asked
        self._client.on_publish = self._acknowledged
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(f"{TOPICS.prefix}/refill", 1)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._publish, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def finish(self) -> None:
        self._thread.join()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _publish(self) -> None:
        began = time.monotonic()
        for n, (topic, payload) in enumerate(self.messages.values(), 1):
            self._client.publish(topic, payload, qos=1)
            ahead = n / self._rate - (time.monotonic() - began)
            if ahead > 0.01:
                time.sleep(ahead)

    def _acknowledged(self, *_: Any) -> None:
        self.published += 1

    def _asked(self, *_: Any) -> None:
        self.asked += 1


class Campaign:
    """One campaign: broker, database server, publisher and the workers that are killed."""

    def __init__(self, folder: Path, results: int, seed: int, *, rate: float, fsync: bool) -> None:
        self._rng = random.Random(seed)
        self._folder = folder
        self._rate = rate
        self.totals = CollectTotals(results)
        (folder / "broker").mkdir()
        self._broker = Mosquitto(folder / "broker", extra=BROKER).start()
        self._server = Server(fsync=fsync).start()
        with self._server.connect() as db:
            db.execute("CREATE DATABASE laboratory")
        self._workers: dict[str, subprocess.Popen[bytes]] = {}
        self._seen: dict[tuple[str, Any], int] = {}
        self._write_config()
        self._publisher = Publisher(self._broker.port, results, rate)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._workers.values():
            worker.kill()
            worker.wait(20)
        self._publisher.close()
        self._broker.stop()
        self._server.remove()

    def run(self, kills: int, *, restart_server: bool, workers: tuple[str, ...] = ("a", "b")) -> CollectTotals:
        """Publish everything while workers are killed, wait for the rest, and check."""
        began = time.monotonic()
        for name in workers:
            self._start(name)
        self._until_subscribed(len(workers))
        self._publisher.start()
        span = self.totals.results / self._rate
        times = sorted(self._rng.uniform(0.05, 0.95) * span for _ in range(kills))
        restart = span * 0.5 if restart_server else float("inf")
        start = time.monotonic()
        for moment in times:
            if time.monotonic() - start > restart or moment > restart:
                self._sleep_until(start + restart)
                self._restart_server()
                restart = float("inf")
            self._sleep_until(start + moment)
            self._kill(self._rng.choice(workers))
        if restart < float("inf"):
            self._restart_server()
        self._publisher.finish()
        self._wait_for_rows()
        self._end_workers()
        self._check()
        self.totals.seconds = time.monotonic() - began
        return self.totals

    # ---- workers

    def _start(self, name: str) -> None:
        with (self._folder / f"worker-{name}.log").open("ab") as log:
            self._workers[name] = subprocess.Popen(
                [sys.executable, "-m", "daq", "collect", "--config", str(self._folder), "--worker", name], stderr=log
            )

    def _kill(self, name: str) -> None:
        self._note_duplicates()
        worker = self._workers[name]
        worker.send_signal(signal.SIGKILL)
        worker.wait(20)
        self.totals.kills[name] += 1
        time.sleep(self._rng.uniform(0.0, 0.5))
        self._start(name)

    def _end_workers(self) -> None:
        time.sleep(2.5)  # each worker reports its duplicates with its next heartbeat
        self._note_duplicates()
        for name, worker in self._workers.items():
            worker.terminate()
            code = worker.wait(30)
            assert code == 0, f"worker {name} ended with {code}: {self._log(name)}"
        self._workers = {}

    def _log(self, name: str) -> str:
        return (self._folder / f"worker-{name}.log").read_text()[-2000:]

    def _until_subscribed(self, workers: int) -> None:
        end = time.monotonic() + 60
        while time.monotonic() < end:
            logs = [p.read_text() for p in self._folder.glob("worker-*.log")]
            if sum("taking results" in log for log in logs) == workers:
                return
            time.sleep(0.1)
        raise AssertionError("the workers did not start: " + " ".join(map(self._log, self._workers)))

    # ---- server

    def _restart_server(self) -> None:
        self._note_duplicates()
        self._server.kill()
        time.sleep(self._rng.uniform(0.2, 1.0))
        self._server.start()
        self.totals.server_restarts += 1

    def _rows(self) -> int:
        with contextlib.suppress(Exception), self._server.connect("laboratory") as db:
            return db.execute("SELECT count(*) FROM lab.results").fetchone()[0]
        return 0

    def _wait_for_rows(self) -> None:
        best, last = self._rows(), time.monotonic()
        while best < self.totals.results and time.monotonic() - last < PROGRESS_S:
            time.sleep(0.5)
            if (now := self._rows()) > best:
                best, last = now, time.monotonic()

    def _note_duplicates(self) -> None:
        with contextlib.suppress(Exception), self._server.connect("laboratory") as db:
            for worker, started, duplicates in db.execute("SELECT worker, started, duplicates FROM lab.workers"):
                self._seen[worker, started] = max(duplicates, self._seen.get((worker, started), 0))

    # ---- totals

    def _check(self) -> None:
        totals, publisher = self.totals, self._publisher
        totals.published, totals.asked = publisher.published, publisher.asked
        totals.duplicates = sum(self._seen.values())
        with self._server.connect("laboratory") as db:
            rows = db.execute(
                "SELECT s.source, r.stream, r.sequence, r.id::text, r.event::text FROM lab.results r "
                "JOIN lab.sources s ON s.no = r.source"
            ).fetchall()
            for name, size in db.execute(_SIZES):
                totals.sizes[name] = float(size) / max(1, len(rows))
            totals.refused = db.execute("SELECT count(*) FROM lab.refused").fetchone()[0]
            totals.conflicts = db.execute("SELECT count(*) FROM lab.conflicts").fetchone()[0]
        totals.rows = len(rows)
        found = Counter((source, stream, sequence) for source, stream, sequence, _, _ in rows)
        totals.twice = sum(n - 1 for n in found.values())
        totals.missing = len(publisher.messages.keys() - found.keys())
        for source, stream, sequence, own, text in rows:
            sent = json.loads(publisher.messages[source, stream, sequence][1])
            totals.changed += sent["id"] != own or sent != json.loads(text)

    def _sleep_until(self, moment: float) -> None:
        time.sleep(max(0.0, moment - time.monotonic()))

    def _write_config(self) -> None:
        secret = self._folder / "password"
        secret.write_text(PASSWORD)
        secret.chmod(0o600)
        (self._folder / "collector.toml").write_text(
            f'topics = ["glaze-works/+/+"]\n[broker]\nhost = "127.0.0.1"\nport = {self._broker.port}\n'
            f'user = "historian"\npassword = {{ file = "{secret}" }}\n'
            f'[postgres]\nhost = "127.0.0.1"\nport = {self._server.port}\ndatabase = "laboratory"\nuser = "collector"\n'
            '[gaps]\npatience = "20 s"\n'
        )


def table(totals: CollectTotals) -> str:
    """Return the totals as a table for a person."""
    rows = [
        ("results published", f"{totals.published} of {totals.results}"),
        ("rows in the table", str(totals.rows)),
        ("collectors killed (kill -9)", f"{totals.kills.total()}: " + ", ".join(f"{k} {n}" for k, n in sorted(totals.kills.items()))),
        ("server killed and restarted", str(totals.server_restarts)),
        ("duplicates received, at least", str(totals.duplicates)),
        ("requests to send again", f"{totals.asked}, not answered"),
        ("missing", str(totals.missing)),
        ("twice", str(totals.twice)),
        ("changed", str(totals.changed)),
        ("refused, conflicts", f"{totals.refused}, {totals.conflicts}"),
        ("bytes per result", ", ".join(f"{name} {size:.0f}" for name, size in totals.sizes.items())),
        ("time", f"{totals.seconds:.0f} s on {os.cpu_count()} cores"),
    ]  # fmt: skip
    return "\n".join(f"{name:<30}{value}" for name, value in rows)
