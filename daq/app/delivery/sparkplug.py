"""The daemon as a Sparkplug B edge node, if its file asks for it."""

import asyncio
import contextlib
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.sparkplug.memory import Memory
from daq.adapters.sparkplug.names import Names
from daq.adapters.sparkplug.phase import Phase
from daq.adapters.store.reading import Reader
from daq.app.delivery.node_standing import NodeStanding
from daq.app.delivery.sparkplug_content import Bench, StoredContent, position
from daq.core.errors import SettingError, StoreError
from daq.methods.files.daemon import Daemon
from daq.methods.files.sparkplug import Sparkplug as Table
from daq.process.brokers import broker_settings
from daq.process.extras import need

if TYPE_CHECKING:
    from daq.adapters.sparkplug.link import Link

LAST_DELIVERY_S: Final = 5.0
"""Longest time in seconds that the shutdown waits to send the last results to a connected broker."""


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
        self._content: StoredContent | None = None
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
        from daq.adapters.sparkplug.link import PULSE_S, Link
        from daq.adapters.sparkplug.state import EdgeNode

        store = bench.store
        self._reader = store.reader()
        self._memory = Memory.open(bench.state, position(self._reader))
        self._content = StoredContent(bench, self._reader, self._memory, self._table.channels)
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
