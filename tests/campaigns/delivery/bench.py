"""The set-up of one case: a broker, a network connection, a daemon that can be killed, a consumer, and the outcome."""

import json
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Self

from daq.adapters.store.outgoing.outbox_reading import last_sequences
from daq.adapters.store.reading import Reader
from daq.core.errors import StoreError
from tests.campaigns.delivery.consumer import Consumer
from tests.campaigns.delivery.daemon import TOPICS
from tests.campaigns.delivery.proxy import Proxy
from tests.support.processes.mosquitto import PASSWORD, Mosquitto

PATIENCE_S = 300.0
REPO = Path(__file__).resolve().parents[3]


@dataclass(frozen=True, slots=True)
class Outcome:
    """Outcome of a case.  `repeated`: messages that were put into the outbox again."""

    case: str
    results: int
    received: int
    duplicates: int
    repeated: int
    missing_first: int
    requests: int
    missing: int
    foreign: int
    changed: int
    last_right: bool
    seconds: float

    @property
    def good(self) -> bool:
        return not (self.missing or self.foreign or self.changed) and self.last_right


class DeliveryCase:
    """One case; use as a context manager.

    Attributes:
        broker, proxy, consumer: the parts that a case disturbs.
        rng: the seeded random generator.
    """

    def __init__(
        self,
        folder: Path,
        results: int,
        seed: int,
        *,
        broker: str = "",
        state: Path | None = None,
        pause_s: float = 0.0,
    ) -> None:
        """`broker`: further lines of its configuration; `state`: folder of the database, if not the usual one."""
        self.folder, self.results = folder, results
        self.rng = random.Random(seed)
        self.pause_s = pause_s
        broker_folder, self.state = folder / "broker", state or folder / "state"
        for needed in (folder, broker_folder, self.state):
            needed.mkdir(exist_ok=True)
        self.path = self.state / "daq.db"
        self.broker = Mosquitto(broker_folder, extra=broker, own_persistence="persistence" in broker).start()
        self.proxy = Proxy(self.broker.port)
        self.consumer = Consumer(self.broker.port, PASSWORD)
        self.daemon: subprocess.Popen[bytes] | None = None
        self.kills = 0
        self._began = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.consumer.close()
        if self.daemon is not None and self.daemon.poll() is None:
            self.daemon.kill()
            self.daemon.wait()
        self.proxy.close()
        if self.broker.process is not None:
            self.broker.process.send_signal(signal.SIGCONT)
        self.broker.stop()

    def start(self) -> None:
        """Start the daemon, or start it again."""
        settings = self.broker.settings(
            port=self.proxy.port, timeout_s=2.0, keepalive_s=5, repeat_after_loss_s=5.0, retry_first_s=0.2
        )
        order = {"path": str(self.path), "results": self.results, "pause_s": self.pause_s, "mqtt": asdict(settings)}
        with (self.folder / "daemon.log").open("ab") as log:
            self.daemon = subprocess.Popen(
                [sys.executable, "-m", "tests.campaigns.delivery.daemon", json.dumps(order)],
                stdout=log,
                stderr=log,
                cwd=REPO,
            )

    def kill_daemon(self) -> None:
        assert self.daemon is not None
        self.daemon.kill()
        self.daemon.wait()
        self.kills += 1

    def signal_daemon(self, number: signal.Signals) -> None:
        assert self.daemon is not None
        self.daemon.send_signal(number)

    def committed(self) -> int:
        """Return the number of results in the database."""
        if not self.path.exists():
            return 0
        try:
            with Reader(self.path) as reader:
                return sum(last_sequences(reader, reader.identity()[1]).values())
        except (StoreError, ValueError):
            return 0

    def delivered(self) -> bool:
        """Return True if all results are committed and the outbox is empty."""
        if self.committed() < self.results:
            return False
        with Reader(self.path) as reader:
            depth = reader.outbox_depth()
        return not (depth.waiting or depth.refused or depth.quarantined)

    def until(self, condition: Callable[[], bool], what: str, seconds: float = PATIENCE_S) -> None:
        end = time.monotonic() + seconds
        while not condition():
            if time.monotonic() > end:
                tail = (self.folder / "daemon.log").read_text("utf-8", "replace")[-2000:]
                raise AssertionError(
                    f"{what}: it did not happen in {seconds:g} s; the end of the daemon's log:\n{tail}"
                )
            assert self.daemon is None or self.daemon.poll() is None, (self.folder / "daemon.log").read_text()[-2000:]
            time.sleep(0.02)

    def until_committed(self, share: float) -> None:
        """Wait until this share of the results is in the database."""
        self.until(lambda: self.committed() >= share * self.results, f"{share:.0%} committed")

    def finish(self, case: str) -> Outcome:
        """Wait until the daemon has nothing to send, count, let the consumer ask, and count again."""
        self.until(self.delivered, "delivery")
        self._settle()
        committed, tops, again = self._truth()
        missing_first = self.consumer.judge(committed)["missing"]
        self.until(lambda: not self.consumer.ask(tops), "refill")
        self.until(self.delivered, "delivery of the requested results")
        self._settle()
        _, _, again = self._truth()
        found = self.consumer.judge(committed)
        return Outcome(
            case=case,
            results=len(committed),
            received=found["received"],
            duplicates=found["duplicates"],
            repeated=again,
            missing_first=missing_first,
            requests=self.consumer.asked,
            missing=found["missing"],
            foreign=found["foreign"],
            changed=found["changed"],
            last_right=self._last() == self._newest(),
            seconds=time.monotonic() - self._began,
        )

    def _settle(self) -> None:
        """Wait until the consumer has received nothing for a while."""
        before, since = -1, time.monotonic()
        while time.monotonic() - since < 1.5:
            now = self.consumer.received()
            if now != before:
                before, since = now, time.monotonic()
            time.sleep(0.05)

    def _truth(self) -> tuple[dict[tuple[str, str], bytes], dict[tuple[str, str], int], int]:
        with Reader(self.path) as reader:
            uuid, epoch = reader.identity()
            source = f"urn:uuid:{uuid}#{epoch}"
            messages = reader.outbox("NOT m.retain ORDER BY d.seq", [], -1)
            tops = {(source, stream): n for stream, n in last_sequences(reader, epoch).items()}
        return {(source, m.id): m.payload for m in messages}, tops, sum(m.again_utc_ns is not None for m in messages)

    def _newest(self) -> dict[str, bytes]:
        with Reader(self.path) as reader:
            return {m.topic: m.payload for m in reader.outbox("m.retain ORDER BY d.seq", [], -1)}

    def _last(self) -> dict[str, bytes]:
        """Return the retained messages under ``last/+``, as a new subscriber receives them."""
        import paho.mqtt.client as mqtt
        from paho.mqtt.enums import CallbackAPIVersion

        found: dict[str, bytes] = {}
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.username_pw_set("historian", PASSWORD)
        client.on_message = lambda _c, _u, m: found.__setitem__(m.topic, m.payload)
        client.connect("127.0.0.1", self.broker.port)
        client.loop_start()
        client.subscribe(TOPICS.last_of_all())
        end = time.monotonic() + 10
        newest = self._newest()
        while time.monotonic() < end and found != newest:
            time.sleep(0.05)
        client.loop_stop()
        client.disconnect()
        return found
