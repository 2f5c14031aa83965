"""A real Mosquitto on a free port with its own configuration, a subscriber that listens, and messages to publish."""

import asyncio
import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
import pytest

from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import Topics
from daq.adapters.outbox.publisher import Publisher
from daq.adapters.store.store import Store
from tests.support.runs.stored import T0, begin, builder, conclude, register

TOPICS = Topics(enterprise="glazeworks", cell="bench-1")
PASSWORD = "kiln-and-slip"  # noqa: S105 - of a broker that runs for one test

MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")

needs_mosquitto = pytest.mark.skipif(
    MOSQUITTO is None and not os.environ.get("CI"), reason="no mosquitto on this machine"
)


needs_openssl = pytest.mark.skipif(
    shutil.which("openssl") is None and not os.environ.get("CI"), reason="no openssl to make certificates"
)


def make_certificates(folder: Path) -> Path:
    """Make a new folder with a certificate authority (ca.pem) and certificates of a server and a client from it."""
    folder.mkdir()

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl(
        "req", "-x509", *curve, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=glaze works test CA"
    )
    for name in ("server", "client"):
        (folder / f"{name}.ext").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
        openssl("req", *curve, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        openssl(
            "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
            "-out", f"{name}.pem", "-days", "2", "-extfile", f"{name}.ext",
        )  # fmt: skip
    return folder


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@dataclass
class Mosquitto:
    """The broker as a separate process."""

    folder: Path
    extra: str = ""
    acl: str = ""
    own_persistence: bool = False
    """True if `extra` configures what the broker keeps; otherwise it keeps everything and saves every change."""
    port: int = field(default_factory=free_port)
    process: "subprocess.Popen[bytes] | None" = None

    def start(self) -> "Mosquitto":
        assert MOSQUITTO is not None, "in CI a mosquitto must be installed, and none was found"
        lines = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous false",
            f"password_file {self.folder / 'passwords'}",
            *([] if self.own_persistence else self._keeps_all()),
            f"log_dest file {self.folder / 'mosquitto.log'}",
            "log_type all",
            f"user {os.environ.get('USER', 'root') if os.getuid() else 'root'}",
            self.extra,
        ]
        passwords = self.folder / "passwords"
        if not passwords.exists():
            passwords.write_text(f"daq:{PASSWORD}\nhistorian:{PASSWORD}\n")
            passwords.chmod(0o600)
            subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
        if self.acl:
            (self.folder / "acl").write_text(self.acl)
            (self.folder / "acl").chmod(0o600)
            lines.append(f"acl_file {self.folder / 'acl'}")
        (self.folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
        self.process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self.folder / "mosquitto.conf")], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL
        )
        end = time.monotonic() + 10
        while time.monotonic() < end:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return self
            assert self.process.poll() is None, (self.folder / "mosquitto.log").read_text()
            time.sleep(0.02)
        raise AssertionError("mosquitto does not listen")

    def _keeps_all(self) -> list[str]:
        return [
            "persistence true",
            f"persistence_location {self.folder}/",
            "autosave_interval 1",
            "autosave_on_changes true",
        ]

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(10)

    def settings(self, **changes: object) -> MqttSettings:
        values: dict[str, object] = {
            "host": "127.0.0.1",
            "port": self.port,
            "user": "daq",
            "password": PASSWORD,
            "backoff_first_s": 0.05,
            "backoff_most_s": 0.2,
            "retry_first_s": 0.2,
            "retry_most_s": 0.4,
            "timeout_s": 5.0,
            "repeat_after_loss_s": 0.0,
        }
        return MqttSettings(**{**values, **changes})  # type: ignore[arg-type]


class FixedClock:
    def utc_ns(self) -> int:
        return T0


def fill(store: Store, names: list[str], *, instrument: str = "rotor-1", last: bool = False) -> None:
    """Commit a finished run for each name; the name is the id of its result."""
    topics = [(TOPICS.result(instrument), False)] + ([(TOPICS.last(instrument), True)] if last else [])
    store.submit(register()).result(10)
    for name in names:
        store.submit(begin(name, instrument)).result(10)
        store.submit(conclude(name, result_id=name, build=builder(name, topics=topics))).result(10)


@contextlib.asynccontextmanager
async def publishing(store: Store, settings: MqttSettings, **options: object) -> AsyncIterator[Publisher]:
    publisher = Publisher(store, settings, FixedClock(), topics=TOPICS, seed=1, **options)  # type: ignore[arg-type]
    task = asyncio.create_task(publisher.run())
    try:
        yield publisher
    finally:
        publisher.stop()
        await asyncio.wait_for(task, 20)


@dataclass
class Listener:
    """Messages that a subscriber received, in order: (topic, decoded payload, retained)."""

    received: list[tuple[str, dict, bool]] = field(default_factory=list)
    news: asyncio.Event = field(default_factory=asyncio.Event)

    def runs(self) -> list[str]:
        return [payload["run"] for topic, payload, _ in self.received if "/result/" in topic]

    async def until(self, condition: Callable[[], bool], seconds: float = 90.0) -> None:
        async def wait() -> None:
            while not condition():
                self.news.clear()
                await self.news.wait()

        await asyncio.wait_for(wait(), seconds)


@contextlib.asynccontextmanager
async def listening(port: int, password: str = PASSWORD, topic: str = "#", identifier: str | None = None, **options):
    """Subscribe as the historian, with a separate session on MQTT 3.1.1."""
    historian = Listener()
    client = aiomqtt.Client(
        "127.0.0.1", port, username="historian", password=password, identifier=identifier, **options
    )
    async with client:
        await client.subscribe(topic, qos=1)

        async def listen() -> None:
            with contextlib.suppress(aiomqtt.MqttError):
                async for message in client.messages:
                    payload = json.loads(message.payload or b"{}")
                    historian.received.append((message.topic.value, payload, message.retain))
                    historian.news.set()

        task = asyncio.create_task(listen())
        try:
            yield historian
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def eventually(condition: Callable[[], bool], seconds: float = 90.0) -> None:
    """Wait until a condition on another process or thread is true, by polling every 10 ms."""
    end = asyncio.get_running_loop().time() + seconds
    while not condition():
        assert asyncio.get_running_loop().time() < end, "it did not happen in time"
        await asyncio.sleep(0.01)
