"""A link to a real broker, with made-up devices and results, and a host application that listens."""

import asyncio
import contextlib
import json
from dataclasses import dataclass, field

import aiomqtt

from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.sparkplug.content import DeviceResult
from daq.adapters.sparkplug.link import Link
from daq.adapters.sparkplug.memory import Memory, Position
from daq.adapters.sparkplug.metrics import DataType, Metric
from daq.adapters.sparkplug.names import Names
from daq.adapters.sparkplug.state import EdgeNode
from daq.app.delivery.sparkplug_content import StoredContent
from tests.support.processes.mosquitto import PASSWORD, eventually
from tests.support.sparkplug.strict_host import StrictHost

GROUP, NODE = "glaze-works", "kiln-street"
COMMANDS = f"spBv1.0/{GROUP}/NCMD/{NODE}"


class AdvancedClock:
    """The machine's time, with a monotonic clock that a test can advance."""

    def __init__(self):
        self.ahead = 0

    def utc_ns(self):
        return 1_790_000_000_000_000_000 + self.mono_ns()

    def mono_ns(self):
        return round(asyncio.get_running_loop().time() * 1e9) + self.ahead


@dataclass
class Content:
    """Made-up devices and results of a test."""

    states: dict = field(default_factory=lambda: {"bench-1": "ready"})
    results: list = field(default_factory=list)
    """(device, mark)."""

    def node(self):
        return (Metric("source", DataType.STRING, "urn:uuid:0#1", 1),)

    def present(self):
        return {d: (Metric("instrument/state", DataType.STRING, s, 1),) for d, s in self.states.items()}

    def newest(self, devices):
        return [self._shown(d, max((m for x, m in self.results if x == d), default=0)) for d in devices]

    def after(self, marks, limit):
        found = sorted((m, d) for d, m in self.results if d in marks and m > marks[d])
        return [self._shown(d, m) for m, d in found[:limit]]

    def position(self, _epoch):
        return None

    def add(self, device="bench-1", count=1):
        for _ in range(count):
            self.results.append((device, len(self.results) + 1))

    def _shown(self, device, mark):
        identity = f"{device}/{mark}" if mark else None
        return DeviceResult(device, mark, (
            Metric("result/id", DataType.STRING, identity, mark),
            Metric("result/value", DataType.DOUBLE, float(mark) if mark else None, mark),
        ))  # fmt: skip


@dataclass
class Watcher:
    """A host application: it subscribes, and the strict host checks every message."""

    host: StrictHost
    news: asyncio.Event = field(default_factory=asyncio.Event)
    fault: BaseException | None = None
    client: aiomqtt.Client | None = None

    def ids(self, *, historical=None):
        return [i for _, h, i in self.host.results if historical is None or h == historical]

    async def until(self, condition, seconds=90.0):
        def met():
            if self.fault is not None:
                raise self.fault
            return condition()

        await eventually(met, seconds)

    async def publish_state(self, online, time_ms, host="tower"):
        state = json.dumps({"online": online, "timestamp": time_ms})
        await self.client.publish(f"spBv1.0/STATE/{host}", state, qos=1, retain=True)

    async def ask(self, data, *, retain=False):
        await self.client.publish(COMMANDS, data, qos=0, retain=retain)


class Cable:
    """A forwarded connection between a link and its broker that can be cut."""

    def __init__(self, port):
        self._to = port
        self._writers = []
        self.blocked = False
        """True while new connections are closed at once."""

    async def __aenter__(self):
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_):
        self._server.close()
        self.cut()
        await self._server.wait_closed()

    def cut(self):
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    async def _serve(self, reader, writer):
        if self.blocked:
            writer.close()
            return
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self._to)
        self._writers += [writer, there_writer]
        await asyncio.gather(self._carry(reader, there_writer), self._carry(there_reader, writer))

    async def _carry(self, reader, writer):
        with contextlib.suppress(ConnectionError, asyncio.CancelledError):
            while data := await reader.read(65536):
                writer.write(data)
                await writer.drain()
        writer.close()


@contextlib.asynccontextmanager
async def watching(port, *, aliases=False, first=False):
    """Yield a watcher that is subscribed to the node; it takes the number of each session's will from the birth.

    The number must increase by one with each birth.

    Arguments:
        first: ignore the messages before the first birth, as a host that starts while the node runs, and allow a missing
            number, that of a session that ended before its birth.
    """
    watcher = Watcher(StrictHost(GROUP, NODE, aliases=aliases))
    client = aiomqtt.Client("127.0.0.1", port, username="historian", password=PASSWORD)
    async with client:
        watcher.client = client
        await client.subscribe(f"spBv1.0/{GROUP}/#", qos=1)

        async def listen():
            try:
                async for message in client.messages:
                    topic = message.topic.value
                    if "/NCMD/" in topic:
                        continue
                    if first and not watcher.host.births and "/NBIRTH/" not in topic:
                        continue
                    if "/NBIRTH/" in topic:
                        number = watcher.host.birth_number(message.payload)
                        if first:
                            watcher.host.will_bd_seq = number
                        elif number != watcher.host.will_bd_seq:
                            watcher.host.expect(number)
                    watcher.host.receive(topic, message.payload, message.qos, retain=message.retain)
                    watcher.news.set()
            except aiomqtt.MqttError:
                pass
            except BaseException as error:
                watcher.fault = error
                raise

        task = asyncio.create_task(listen())
        try:
            yield watcher
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
    if watcher.fault is not None and not isinstance(watcher.fault, asyncio.CancelledError):
        raise watcher.fault


def settings_for(port, password):
    return MqttSettings(
        host="127.0.0.1",
        port=port,
        user="daq",
        password=password,
        backoff_first_s=0.05,
        backoff_most_s=0.2,
        timeout_s=5.0,
    )


@contextlib.asynccontextmanager
async def linked(folder, settings: MqttSettings, content, *, host="", aliases=False, clock=None, position=None):
    """Run a link for the time of the context."""
    memory = Memory.open(folder, position or Position("db-1", 1, {}, {}))
    if isinstance(content, StoredContent):
        content.memory = memory
    node = EdgeNode(Names(GROUP, NODE, host), with_aliases=aliases)
    link = Link(
        settings, node, content, memory, clock or AdvancedClock(), client_id="daq-test-spb", pulse_s=0.1, seed=1
    )
    task = asyncio.create_task(link.run())
    try:
        yield link
    finally:
        link.stop()
        await asyncio.wait_for(task, 20)
