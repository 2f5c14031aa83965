"""The connection of an edge node: carries what `EdgeNode` gives, and tells it what comes in.

Data messages have quality of service 0, as the specification wants, so no acknowledgement says that one arrived.
After each batch of results the broker is asked for an answer instead; only then are they taken as sent, and what was
not is sent as historical data after the next birth.
"""

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import structlog

from daq.adapters.mqtt.client import BrokerDownError
from daq.adapters.mqtt.connection import Connection, Version, Will, connect
from daq.adapters.mqtt.settings import MqttSettings, tls_context
from daq.adapters.outbox.flight import Backoff, in_thread
from daq.adapters.sparkplug.content import Content
from daq.adapters.sparkplug.memory import Memory
from daq.adapters.sparkplug.metrics import Metric
from daq.adapters.sparkplug.phase import Phase
from daq.adapters.sparkplug.state import EdgeNode, Publication
from daq.core.errors import DaqError, StoreError

log = structlog.get_logger()

PULSE_S: Final = 1.0
BATCH: Final = 50
"""Results between two answers of the broker."""
REPEAT_NS: Final = 120_000_000_000
"""A host that goes away or asks for a rebirth may have missed what was sent shortly before, and so may all when the
broker dies: a host that freezes is declared dead by the broker after one and a half times its keep-alive (MQTT, section
3.1.2.10), usually 90 s.  So much is sent once more, as historical data with the same ids."""


class Clock(Protocol):
    """What a link needs of a clock."""

    def utc_ns(self) -> int:
        """UTC now, ns since 1970."""
        ...

    def mono_ns(self) -> int:
        """Monotonic time, ns."""
        ...


@dataclass(slots=True)
class LinkState:
    """How the link stands, for screens."""

    protocol: str = ""
    trouble: str = ""
    results: int = 0
    """Sent and seen by the broker since the start."""
    late: int = 0
    """Of these, sent as historical data."""


class Link:
    """Runs until it is stopped; a broker or a host that is away never stops it."""

    def __init__(
        self,
        settings: MqttSettings,
        node: EdgeNode,
        content: Content,
        memory: Memory,
        clock: Clock,
        *,
        client_id: str,
        pulse_s: float = PULSE_S,
        seed: int | None = None,
    ) -> None:
        """Make a link; `pulse_s` is how often (s) it looks for changes of the devices.

        Raises:
            SettingError: a certificate file is wrong.
        """
        tls_context(settings)  # a wrong file is said now, not with every attempt to connect
        self._settings, self._content, self._memory, self._clock = settings, content, memory, clock
        self._client_id, self._pulse = client_id, min(pulse_s, PULSE_S)
        self._rng = random.Random(seed)  # noqa: S311 - spreads reconnects, protects nothing
        self._wake = asyncio.Event()
        self._stopping = asyncio.Event()
        self._birth_marks: dict[str, int] = {}
        """Marks up to which results were made before the devices' last birth: these are late."""
        self._sent_values: dict[str, dict[str, object]] = {}
        self._recent: deque[tuple[int, str, int]] = deque()
        """Of what was sent lately: when, of which device, and the mark before it."""
        self.node = node
        self.state = LinkState()

    def wake(self) -> None:
        """Something changed: look at once.  To be called from the loop's thread."""
        self._wake.set()

    def stop(self) -> None:
        """Publish the node's death and end `run`."""
        self._stopping.set()
        self._wake.set()

    async def run(self) -> None:
        """Connect, be born, send, reconnect, until `stop`."""
        backoff = Backoff(self._settings.backoff_first_s, self._settings.backoff_most_s, self._rng)
        while not self._stopping.is_set():
            try:
                await self._session(backoff)
            except (DaqError, OSError) as error:
                self._trouble(str(error))
            except Exception as error:
                # A mistake here must not end the daemon's other work: say it, and begin anew.
                log.exception("the Sparkplug node failed")
                self._trouble(f"{type(error).__name__}: {error}")
            self.node.lost()
            await self._pause(backoff.next())

    async def _session(self, backoff: Backoff) -> None:
        try:
            bd_seq = await in_thread(self._memory.next_bd_seq)
        except OSError as error:
            raise DaqError(f"{self._memory.path} cannot be written: {error.strerror}; nothing is sent") from error
        death = self.node.will(bd_seq, self._now_ms())
        will = Will(death.topic, death.payload, retain=False)
        wills: dict[Version, Will] = {"5": will, "3.1.1": will}
        async with connect(self._settings, self._client_id, wills) as connection:
            self.state.protocol = connection.version
            await connection.subscribe(self.node.names.node_topic("NCMD"))
            if self.node.names.host:
                await connection.subscribe(self.node.names.state_topic)
            self.node.connected()
            backoff.reset()
            self._trouble("")
            listening = asyncio.create_task(self._listen(connection))
            try:
                await self._live(connection)
            except BrokerDownError:
                # To a polite disconnect the broker, should it still listen, would add no will.
                connection.hang_up()
                await self._repeat_recent()
                raise
            finally:
                listening.cancel()
                await asyncio.gather(listening, return_exceptions=True)
                await self._send_death(connection)

    async def _live(self, connection: Connection) -> None:
        """Until `stop`, or until the primary host goes.

        Raises:
            BrokerDownError: the connection was lost.
        """
        while not self._stopping.is_set():
            self._wake.clear()
            more = False
            try:
                if self.node.host_gone:
                    log.info("the primary host went offline", host=self.node.names.host)
                    await self._repeat_recent()
                    return
                if self.node.birth_due(self._clock.mono_ns()):
                    await self._birth(connection)
                if self.node.phase is Phase.ALIVE:
                    await self._changes(connection)
                    more = await self._results(connection)
                self._trouble("")
            except StoreError as error:
                self._trouble(str(error))
            if not more:
                await self._wait(connection)
            if connection.lost.done():
                raise BrokerDownError(connection.lost.result())

    async def _send_death(self, connection: Connection) -> None:
        """Say that the node is gone, whatever ended the session, where somebody still listens."""
        if not connection.lost.done() and self.node.phase in (Phase.WAITING, Phase.ALIVE):
            with contextlib.suppress(DaqError):
                await self._send(connection, [self.node.farewell(self._now_ms())])

    async def _listen(self, connection: Connection) -> None:
        command, host = self.node.names.node_topic("NCMD"), self.node.names.state_topic
        with contextlib.suppress(BrokerDownError):
            while True:
                message = await connection.receive()
                # A command that the broker kept was meant for somebody else, long ago.
                if message.topic == command and not message.retain:
                    self.node.receive_command(message.payload)
                elif message.topic == host and self.node.names.host:
                    self.node.receive_host_state(message.payload)
                self._wake.set()

    # births, changes, results

    async def _birth(self, connection: Connection) -> None:
        again = self.node.phase is Phase.ALIVE
        if again:
            await self._repeat_recent()
        present = self._content.present()
        newest = await in_thread(self._content.newest, tuple(present))
        if not self.node.birth_due(self._clock.mono_ns()):
            return  # the host went meanwhile
        devices = {s.device: (*present[s.device], *s.metrics) for s in newest}
        births = self.node.birth(self._content.node(), devices, self._now_ms(), self._clock.mono_ns())
        self._birth_marks = {s.device: s.mark for s in newest}
        self._sent_values = {device: _values_of(present[device]) for device in devices}
        await self._send(connection, births)
        log.info("the Sparkplug node was born", devices=sorted(devices), again=again)

    async def _changes(self, connection: Connection) -> None:
        """Devices that came or went, and what changed of those that are there."""
        present = self._content.present()
        gone = [d for d in self.node.devices if d not in present]
        await self._send(connection, [self.node.device_death(d, self._now_ms()) for d in sorted(gone)])
        come = [d for d in present if d not in self.node.devices]
        for shown in await in_thread(self._content.newest, tuple(come)) if come else ():
            metrics = (*present[shown.device], *shown.metrics)
            self._birth_marks[shown.device] = shown.mark
            self._sent_values[shown.device] = _values_of(present[shown.device])
            await self._send(connection, [self.node.device_birth(shown.device, metrics, self._now_ms())])
        for device in sorted(self.node.devices - set(come)):
            sent_values = self._sent_values[device]
            changed = [m for m in present[device] if sent_values.get(m.name) != (m.value, m.properties)]
            if changed:
                sent_values |= _values_of(changed)
                await self._send(connection, [self.node.data(device, changed, self._now_ms())])

    async def _results(self, connection: Connection) -> bool:
        """Send a batch of results; whether there may be more."""
        marks = {device: self._memory.sent.get(device, 0) for device in sorted(self.node.devices)}
        found = await in_thread(self._content.after, marks, BATCH) if marks else ()
        if not found:
            return False
        # No device dies or is born meanwhile: this task alone decides.
        sent = [(r, r.mark <= self._birth_marks[r.device]) for r in found]
        for result, late in sent:
            data = self.node.data(result.device, result.metrics, self._now_ms(), historical=late)
            await self._send(connection, [data])
        await self._answered(connection)
        now = self._clock.mono_ns()
        for result, late in sent:
            self._recent.append((now, result.device, marks[result.device]))
            marks[result.device] = result.mark
            self.state.results += 1
            self.state.late += late
        self._memory.sent |= marks
        while self._recent and self._recent[0][0] < now - REPEAT_NS:
            self._recent.popleft()
        await self._save()
        return len(found) == BATCH

    async def _answered(self, connection: Connection) -> None:
        """Wait for the broker's answer, no longer than the connection lasts: what may be lost with it is noted at once.

        Raises:
            BrokerDownError: there is none.
        """
        asking = asyncio.create_task(connection.round_trip())
        waiting: set[asyncio.Future[Any]] = {asking, connection.lost}
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            if not asking.done():
                raise BrokerDownError(connection.lost.result())
            asking.result()
        finally:
            asking.cancel()
            await asyncio.gather(asking, return_exceptions=True)

    async def _repeat_recent(self) -> None:
        """Take back what was sent shortly before, so that it is sent once more, as historical data."""
        since = self._clock.mono_ns() - REPEAT_NS
        for when, device, before in reversed(self._recent):
            if when >= since:
                self._memory.sent[device] = min(before, self._memory.sent[device])
        self._recent.clear()
        await self._save()

    async def _save(self) -> None:
        try:
            await in_thread(self._memory.save)
        except OSError as error:
            # Sent all the same; after a new start it would be sent once more.
            log.warning("how far results were sent cannot be stored", reason=str(error))

    # parts

    async def _send(self, connection: Connection, publications: Sequence[Publication]) -> None:
        for p in publications:
            await connection.publish(p.topic, p.payload, qos=p.qos)

    async def _wait(self, connection: Connection) -> None:
        waking = asyncio.create_task(self._wake.wait())
        try:
            await asyncio.wait((waking, connection.lost), timeout=self._pulse, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waking.cancel()

    def _now_ms(self) -> int:
        return self._clock.utc_ns() // 1_000_000

    def _trouble(self, text: str) -> None:
        """Note or clear what is amiss; each is logged once."""
        if text and text != self.state.trouble:
            log.warning("the Sparkplug node does not send", broker=self._settings.place, reason=text)
        self.state.trouble = text

    async def _pause(self, seconds: float) -> None:
        """Wait, and no longer than until `stop`."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._stopping.wait()


def _values_of(metrics: Sequence[Metric]) -> dict[str, object]:
    return {m.name: (m.value, m.properties) for m in metrics}
