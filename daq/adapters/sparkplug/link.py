"""The connection of an edge node: sends the messages of `EdgeNode` and passes received ones to it.

Data messages have quality of service 0, as the specification demands, so the broker does not acknowledge them.  After
each batch of results the link waits for an answer of the broker instead (`Connection.round_trip`).  Only then do the
results count as sent.  Results that do not are sent as historical data after the next birth.
"""

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import structlog

from daq.adapters.clock import TimeSource
from daq.adapters.mqtt.client import BrokerDownError
from daq.adapters.mqtt.connection import Connection, Will, connect
from daq.adapters.mqtt.settings import MqttSettings, tls_context
from daq.adapters.mqtt.versions import SpokenVersion, Version
from daq.adapters.outbox.flight import Backoff, in_thread
from daq.adapters.sparkplug.content import Content, DeviceResult
from daq.adapters.sparkplug.memory import Memory
from daq.adapters.sparkplug.metrics import Metric
from daq.adapters.sparkplug.phase import Phase
from daq.adapters.sparkplug.state import EdgeNode, Publication
from daq.core.errors import DaqError, StoreError

log = structlog.get_logger()

PULSE_S: Final = 1.0
"""Longest time (s) between two looks at the devices."""
BATCH: Final = 50
"""Maximum number of results between two answers of the broker."""
REPEAT_NS: Final = 120_000_000_000
"""Age (ns) of the results that are sent once more, as historical data with the same ids, after a possible loss.

A host that goes away or asks for a rebirth may have missed the newest data, and every host may have when the broker
dies.  The broker declares a frozen host dead after 1.5 times its keep-alive (MQTT, section 3.1.2.10), usually 90 s.
"""


@dataclass(slots=True)
class LinkState:
    """State of the link, for screens."""

    protocol: str = ""
    trouble: str = ""
    results: int = 0
    """Number of results sent and handled by the broker since the start."""
    late: int = 0
    """Number of these sent as historical data."""


class Link:
    """Connection of an edge node.  It runs until it is stopped; an absent broker or host does not stop it."""

    def __init__(
        self,
        settings: MqttSettings,
        node: EdgeNode,
        content: Content,
        memory: Memory,
        clock: TimeSource,
        *,
        client_id: str,
        pulse_s: float = PULSE_S,
        seed: int | None = None,
    ) -> None:
        """Make a link; `pulse_s` is the longest time (s) between two looks for changes of the devices.

        Raises:
            SettingError: a certificate file is wrong.
        """
        tls_context(settings)  # report a wrong file now, not at every attempt to connect
        self._settings, self._content, self._memory, self._clock = settings, content, memory, clock
        self._client_id, self._pulse = client_id, min(pulse_s, PULSE_S)
        self._spoken = SpokenVersion()
        self._rng = random.Random(seed)  # noqa: S311 - spreads reconnects, protects nothing
        self._wake = asyncio.Event()
        self._stopping = asyncio.Event()
        self._birth_marks: dict[str, int] = {}
        """Mark of the newest result at each device's birth; results up to it are sent as historical data."""
        self._sent_values: dict[str, dict[str, object]] = {}
        self._recent: deque[tuple[int, str, int]] = deque()
        """Results sent recently: monotonic time (ns), device, and the device's mark before the result."""
        self.node = node
        self.state = LinkState()

    def wake(self) -> None:
        """Look for changes and results at once.  Call it from the event loop's thread."""
        self._wake.set()

    def stop(self) -> None:
        """Publish the node's death and end `run`."""
        self._stopping.set()
        self._wake.set()

    async def run(self) -> None:
        """Connect, publish births, send, reconnect, until `stop`."""
        backoff = Backoff(self._settings.backoff_first_s, self._settings.backoff_most_s, self._rng)
        while not self._stopping.is_set():
            try:
                await self._session(backoff)
            except (DaqError, OSError) as error:
                self._trouble(str(error))
            except Exception as error:
                # A programming error must not end the daemon's other work: log it and start a new session.
                log.exception("the Sparkplug node failed")
                self._trouble(f"{type(error).__name__}: {error}")
            self.node.lost()
            await self._pause(backoff.next())

    async def _session(self, backoff: Backoff) -> None:
        try:
            bd_seq = await in_thread(self._memory.next_bd_seq)
        except OSError as error:
            raise DaqError(
                f"{self._memory.path} cannot be written: {error.strerror}; the node sends nothing; check the disk"
            ) from error
        death = self.node.will(bd_seq, self._now_ms())
        will = Will(death.topic, death.payload, retain=False)
        wills: dict[Version, Will] = {"5": will, "3.1.1": will}
        async with connect(self._settings, self._client_id, wills, spoken=self._spoken) as connection:
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
                # After an orderly DISCONNECT the broker would not publish the will.
                connection.hang_up()
                await self._repeat_recent()
                raise
            finally:
                listening.cancel()
                await asyncio.gather(listening, return_exceptions=True)
                await self._send_death(connection)

    async def _live(self, connection: Connection) -> None:
        """Send changes and results until `stop`, until the primary host goes offline, or until a new epoch.

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
                if await self._new_epoch():
                    return
                if self.node.birth_due(self._clock.mono_ns()):
                    await self._birth(connection)
                # A rebirth that came too early waits, and the data wait with it.
                if self.node.phase is Phase.ALIVE and not self.node.rebirth_pending:
                    await self._changes(connection)
                    more = await self._results(connection)
                self._trouble("")
            except StoreError as error:
                self._trouble(str(error))
            if not more:
                await self._wait(connection)
            if connection.lost.done():
                raise BrokerDownError(connection.lost.result())

    async def _new_epoch(self) -> bool:
        """Adapt the marks where the database has started a new epoch; return whether it has.

        The births of a new session show the new source.
        """
        position = await in_thread(self._content.position, self._memory.epoch)
        if position is None:
            return False
        log.warning("the database was put back; the Sparkplug node is born again", epoch=position.epoch)
        self._memory.follow(position)
        self._recent.clear()
        await self._save()
        return True

    async def _send_death(self, connection: Connection) -> None:
        """Publish the node's death where the connection is still open."""
        if not connection.lost.done() and self.node.phase in (Phase.WAITING, Phase.ALIVE):
            with contextlib.suppress(DaqError):
                await self._send(connection, [self.node.farewell(self._now_ms())])
                connection.leave_with_will()

    async def _listen(self, connection: Connection) -> None:
        command, host = self.node.names.node_topic("NCMD"), self.node.names.state_topic
        with contextlib.suppress(BrokerDownError):
            while True:
                message = await connection.receive()
                # A retained command is old, and may have been meant for an earlier session.
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
        newest = await self._newest(tuple(present))
        if not self.node.birth_due(self._clock.mono_ns()):
            return  # the host went offline during the query
        devices = {s.device: (*present[s.device], *s.metrics) for s in newest}
        births = self.node.birth(self._content.node(), devices, self._now_ms(), self._clock.mono_ns())
        self._birth_marks = {s.device: s.mark for s in newest}
        self._sent_values = {device: _values_of(present[device]) for device in devices}
        await self._send(connection, births)
        log.info("the Sparkplug node was born", devices=sorted(devices), again=again)

    async def _changes(self, connection: Connection) -> None:
        """Send births and deaths of devices, and changed values of the others."""
        present = self._content.present()
        gone = [d for d in self.node.devices if d not in present]
        await self._send(connection, [self.node.device_death(d, self._now_ms()) for d in sorted(gone)])
        come = [d for d in present if d not in self.node.devices]
        for shown in await self._newest(tuple(come)) if come else ():
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
        """Send a batch of results; return whether there may be more."""
        marks = {device: self._memory.sent.get(device, 0) for device in sorted(self.node.devices)}
        found = await in_thread(self._content.after, marks, BATCH) if marks else ()
        await self._save_changed()
        if not found:
            return False
        # No device is born or dies during the loop: only this task publishes births and deaths.
        sent = [(r, r.mark <= self._birth_marks[r.device] or not r.is_present) for r in found]
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
        """Wait for the broker's answer, or for the end of the connection, so that a loss is noted at once.

        Raises:
            BrokerDownError: the connection was lost, or no answer arrived.
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
        """Set the marks back, so that the results sent within `REPEAT_NS` are sent again as historical data."""
        since = self._clock.mono_ns() - REPEAT_NS
        for when, device, before in reversed(self._recent):
            if when >= since:
                self._memory.sent[device] = min(before, self._memory.sent[device])
        self._recent.clear()
        await self._save()

    async def _newest(self, devices: Sequence[str]) -> Sequence[DeviceResult]:
        newest = await in_thread(self._content.newest, devices)
        await self._save_changed()
        return newest

    async def _save_changed(self) -> None:
        """Write the names of changed results to the disk, where a reading of the database has found new ones."""
        if self._memory.unsaved:
            await self._save()

    async def _save(self) -> None:
        try:
            await in_thread(self._memory.save)
        except OSError as error:
            # The results are sent.  After a new start of the daemon they would be sent again.
            log.warning("the marks of sent results cannot be stored", file=str(self._memory.path), reason=str(error))

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
        """Set the present fault, or clear it with ""; each is logged once."""
        if text and text != self.state.trouble:
            log.warning("the Sparkplug node does not send", broker=self._settings.place, reason=text)
        self.state.trouble = text

    async def _pause(self, seconds: float) -> None:
        """Wait until the time is over or `stop` is called."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._stopping.wait()


def _values_of(metrics: Sequence[Metric]) -> dict[str, object]:
    return {m.name: (m.value, m.properties) for m in metrics}
