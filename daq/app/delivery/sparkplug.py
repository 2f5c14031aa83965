"""The daemon as a Sparkplug B edge node, if its file asks for it."""

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from daq.adapters.clock import Clock
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.sparkplug.content import DeviceResult
from daq.adapters.sparkplug.memory import Memory, Position
from daq.adapters.sparkplug.metrics import Metric
from daq.adapters.sparkplug.names import Names
from daq.adapters.sparkplug.phase import Phase
from daq.adapters.store.outbox_reading import last_audit_numbers
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import ResultRecord
from daq.adapters.store.store import Store
from daq.app.delivery.sparkplug_metrics import (
    channel_metrics,
    instrument_metrics,
    no_result,
    node_metrics,
    result_metrics,
)
from daq.app.run.active import Active
from daq.app.run.current import newest_reading
from daq.app.run.session import Session
from daq.core.errors import SettingError, StoreError
from daq.core.linkstates import LinkState
from daq.methods.files.daemon import Daemon
from daq.methods.files.sparkplug import Sparkplug as Table
from daq.process.brokers import broker_settings
from daq.process.extras import need

if TYPE_CHECKING:
    from daq.adapters.sparkplug.link import Link

THERE: Final = (LinkState.READY, LinkState.LENT)
"""States of an instrument's session in which its device is alive."""
PASSING: Final = (LinkState.LENDING, LinkState.IDENTIFYING, LinkState.HALTING)
"""States that an instrument passes through before and after a run; a device that is alive stays alive in them."""
LAST_DELIVERY_S: Final = 5.0
"""Longest time in seconds that the shutdown waits to send the last results to a connected broker."""


class Bench(Protocol):
    """The part of the supervisor that the node publishes."""

    state: Path
    store: Store
    clock: Clock
    sessions: dict[str, Session]
    runs: dict[str, Active]


@dataclass(slots=True)
class NodeStanding:
    """State of the node, for screens and metrics."""

    alive: bool = False
    state: str = "not started"
    trouble: str = ""
    devices: list[str] = field(default_factory=list)
    results: int = 0
    """Number of results that the broker has received, repeated ones included."""
    late: int = 0
    """Number of these that were sent as historical data."""
    rebirths: int = 0
    not_followed: int = 0
    """Number of messages to the node that it does not follow: unknown commands and states."""


class Sparkplug:
    """Publishes results to Sparkplug hosts, in addition to the JSON messages, which stay authoritative."""

    def __init__(self, table: Table, settings: MqttSettings) -> None:
        """Take the table ``[sparkplug]`` and the settings of its broker.

        Raises:
            SettingError: the library for its payloads is not installed.
        """
        need("google.protobuf", "an edge node", key="sparkplug")
        self.settings = settings
        self.names = Names(table.group, table.node, table.host or "")
        self._table = table
        self._link: Link | None = None
        self._task: asyncio.Task[None] | None = None
        self._reader: Reader | None = None
        self._content: _Content | None = None
        self._memory: Memory | None = None

    @classmethod
    def from_settings(cls, daemon: Daemon) -> "Sparkplug | None":
        """Return the edge node of a daemon's file; None if it has no ``[sparkplug]``.

        Raises:
            SettingError: the password cannot be read from the place that the file names, or a library is missing.
        """
        table = daemon.sparkplug
        if table is None:
            return None
        if table.broker is not None:
            return cls(table, broker_settings(table.broker, daemon.source, "sparkplug.broker"))
        if daemon.mqtt is None:
            raise SettingError("names no broker", file=daemon.source, key="sparkplug")
        # A broker closes the older of two connections with the same client id, so the node needs another id.
        return cls(table, replace(broker_settings(daemon.mqtt, daemon.source), client_id=""))

    def start(self, bench: Bench) -> "asyncio.Task[None]":
        """Start to connect and publish births; return the task."""
        from daq.adapters.sparkplug.link import PULSE_S, Link  # noqa: PLC0415 - protobuf, only where it is wanted
        from daq.adapters.sparkplug.state import EdgeNode  # noqa: PLC0415

        store = bench.store
        self._reader = store.reader()
        self._memory = Memory.open(bench.state, position(self._reader))
        self._content = _Content(bench, self._reader, self._table.channels)
        self._link = Link(
            self.settings,
            EdgeNode(self.names, with_aliases=self._table.aliases),
            self._content,
            self._memory,
            bench.clock,
            client_id=f"daq-{store.uuid[:13]}-{store.epoch}-spb",
            pulse_s=PULSE_S if self._table.channels is None else self._table.channels / 1e9,
        )
        self._task = asyncio.create_task(self._link.run(), name="sparkplug")
        return self._task

    def wake(self) -> None:
        """Look for changes; called after a commit of a result or a change of an instrument's state."""
        if self._link is not None:
            self._link.wake()

    async def stop(self) -> None:
        """Publish the node's death; results that are not sent yet are sent after the next start."""
        if self._link is not None and self._task is not None:
            with contextlib.suppress(TimeoutError, StoreError):
                async with asyncio.timeout(LAST_DELIVERY_S):
                    await self._deliver_rest(self._link)
            self._link.stop()
            await asyncio.gather(self._task, return_exceptions=True)
        if self._reader is not None:
            self._reader.close()

    async def _deliver_rest(self, link: "Link") -> None:
        while link.node.devices and self._content is not None and self._memory is not None:
            marks = {device: self._memory.sent.get(device, 0) for device in link.node.devices}
            if not await asyncio.to_thread(self._content.after, marks, 1):
                return
            link.wake()
            await asyncio.sleep(0.02)

    @property
    def standing(self) -> NodeStanding:
        """State of the node now."""
        if self._link is None:
            return NodeStanding()
        node, state = self._link.node, self._link.state
        phase = str(node.phase)
        if node.phase is Phase.WAITING and self.names.host:
            phase = f"waiting for the primary host {self.names.host}"
        return NodeStanding(
            alive=node.phase is Phase.ALIVE,
            state=phase,
            trouble=state.trouble,
            devices=sorted(node.devices),
            results=state.results,
            late=state.late,
            rebirths=node.rebirths,
            not_followed=node.ignored.commands + node.ignored.states,
        )


def position(reader: Reader) -> Position:
    """Return the identity of a database and the newest results in it."""
    source, epoch = reader.identity()
    return Position(source, epoch, last_audit_numbers(reader, epoch + 1), last_audit_numbers(reader, epoch))


@dataclass(slots=True)
class _Content:
    """Supplies the metrics that the link publishes."""

    bench: Bench
    reader: Reader
    channels_ns: int | None
    """Interval of readings; None: no readings."""
    _readings: dict[str, tuple[int, tuple[Metric, ...]]] = field(default_factory=dict)
    """By instrument: the time of its reading (monotonic ns) and the metrics."""
    _living: set[str] = field(default_factory=set)

    def node(self) -> Sequence[Metric]:
        return node_metrics(self.bench.store.source, self._now_ms())

    def present(self) -> Mapping[str, Sequence[Metric]]:
        return {
            name: (*self._instrument(session), *self._channels(name, session))
            for name, session in self.bench.sessions.items()
            if self._lives(name, session)
        }

    def _lives(self, name: str, session: Session) -> bool:
        state = session.standing.state
        if state in THERE or (state in PASSING and name in self._living):
            self._living.add(name)
        else:
            self._living.discard(name)
        return name in self._living

    def newest(self, devices: Sequence[str]) -> Sequence[DeviceResult]:
        return [self._shown(device, self.reader.last_result(device)) for device in devices]

    def after(self, marks: Mapping[str, int], limit: int) -> Sequence[DeviceResult]:
        found = [record for device, mark in marks.items() for record in self._records(device, mark, limit)]
        found.sort(key=lambda record: record.audit_seq)
        return [self._shown(record.stream, record) for record in found[:limit]]

    def _records(self, device: str, mark: int, limit: int) -> list[ResultRecord]:
        rows = self.reader.query(
            "SELECT * FROM results WHERE stream = ? AND audit_seq > ? ORDER BY audit_seq LIMIT ?",
            [device, mark, limit],
        )
        return [ResultRecord(**row) for row in rows]

    def _shown(self, device: str, record: ResultRecord | None) -> DeviceResult:
        if record is None:
            return DeviceResult(device, 0, no_result(self._now_ms()))
        return DeviceResult(device, record.audit_seq, result_metrics(record, self.bench.store.uuid))

    def _instrument(self, session: Session) -> tuple[Metric, ...]:
        standing = session.standing
        serial = standing.identity.serial if standing.identity is not None else None
        return instrument_metrics(standing.state, session.driver.kind, serial, self._now_ms())

    def _channels(self, name: str, session: Session) -> tuple[Metric, ...]:
        if self.channels_ns is None:
            return ()
        now = self.bench.clock.mono_ns()
        taken = self._readings.get(name)
        if taken is None or now - taken[0] >= self.channels_ns:
            values, faults = newest_reading(name, session, self.bench.runs)
            taken = (now, tuple(channel_metrics(session.driver.channels, values, faults, self._now_ms())))
            self._readings[name] = taken
        return taken[1]

    def _now_ms(self) -> int:
        return self.bench.clock.utc_ns() // 1_000_000
