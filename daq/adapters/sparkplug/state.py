"""Life cycle of an edge node and its devices, as pure state: events go in, messages come out.

This module alone applies the specification's rules of order:

* the node's birth is first and has number 0; numbers run from 0 to 255 and start again;
* a device's birth precedes its data, and no data follow a death;
* data hold only metrics that a birth has defined;
* after a request for a rebirth no data are sent before the births;
* birth and will of a session have the same birth/death number;
* the node is silent until the primary host is online, and ends when that goes offline.

A call that would break a rule raises `LifecycleError` and changes nothing.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from daq.adapters.sparkplug.encode import command, payload
from daq.adapters.sparkplug.metrics import NUMBERS, DataType, Metric
from daq.adapters.sparkplug.names import Names
from daq.adapters.sparkplug.phase import Phase

BIRTH_DEATH: Final = "bdSeq"
REBIRTH: Final = "Node Control/Rebirth"
REBIRTH_EVERY_NS: Final = 5_000_000_000
"""Shortest time (ns) from a birth to the next rebirth; an earlier request waits until then.

The births of a large node are many messages, and several hosts that return together each ask for them.
"""


class LifecycleError(Exception):
    """The node's present phase does not allow the message: a programming error.  Example: data before a birth."""


@dataclass(frozen=True, slots=True)
class Publication:
    """A message to send.  None of them is retained."""

    topic: str
    payload: bytes
    qos: int = 0


@dataclass(slots=True)
class IgnoredMessages:
    """Numbers of received messages that had no effect."""

    commands: int = 0
    """Commands that cannot be read, or that ask for something other than a rebirth."""
    states: int = 0
    """States of the host that cannot be read."""
    old_states: int = 0
    """States of the host that are older than a known one."""


@dataclass(slots=True)
class _Host:
    """State of the primary host, as received over the present connection."""

    online: bool = False
    newest_ms: int | None = None


@dataclass(slots=True)
class EdgeNode:
    """State of one edge node.

    Attributes:
        names: identifiers and topics.
        with_aliases: births give every metric an alias, and data messages have only the alias.
        phase: see `Phase`.
        host_gone: the primary host went offline while the node was alive: publish `farewell` and disconnect.  This
            holds even if the host is back, because it has forgotten the node's births.
        ignored: received messages without effect.
    """

    names: Names
    with_aliases: bool = False
    phase: Phase = Phase.AWAY
    host_gone: bool = False
    ignored: IgnoredMessages = field(default_factory=IgnoredMessages)
    rebirths: int = 0
    """Number of rebirths published on request."""
    _bd_seq: int = 0
    _seq: int = 0
    _host: _Host = field(default_factory=_Host)
    _alive: dict[str, dict[str, DataType]] = field(default_factory=dict)
    """Metrics of each device with a birth, by name."""
    _aliases: dict[str, dict[str, int]] = field(default_factory=dict)
    """Alias by device ("" for the node itself) and metric; no alias is used twice."""
    _next_alias: int = 0
    _born_mono_ns: int = 0
    _asked: bool = False

    @property
    def devices(self) -> frozenset[str]:
        """Devices with a published birth and no death."""
        return frozenset(self._alive)

    @property
    def rebirth_pending(self) -> bool:
        """True from a request for a rebirth until the birth: the node sends no data meanwhile."""
        return self.phase is Phase.ALIVE and self._asked

    # the session

    def will(self, bd_seq: int, now_ms: int) -> Publication:
        """Start a new session and return its will: the death that the broker publishes when the connection breaks.

        Args:
            bd_seq: the last connection's number plus 1, and 0 after 255.
            now_ms: ms since 1970, UTC.
        """
        if not 0 <= bd_seq < NUMBERS:
            raise LifecycleError(f"the birth/death number {bd_seq} is not in 0 to 255")
        self.lost()
        self._bd_seq = bd_seq
        return self._death(now_ms)

    def connected(self) -> None:
        """Note that the broker has accepted the connection with the will."""
        if self.phase is not Phase.AWAY:
            raise LifecycleError(f"connected while {self.phase}")
        self.phase = Phase.WAITING

    def lost(self) -> None:
        """Note the end of the connection."""
        self.phase, self.host_gone, self._asked = Phase.AWAY, False, False
        self._alive.clear()
        # A state of the host counts within one session only.  In a new session the broker sends the newest again, and
        # the node does not wait for ever for a host whose clock was set back.
        self._host = _Host()

    def farewell(self, now_ms: int) -> Publication:
        """Return the node's death, to send before an orderly disconnection; it includes all devices."""
        if self.phase not in (Phase.WAITING, Phase.ALIVE):
            raise LifecycleError(f"a farewell while {self.phase}")
        self.phase, self.host_gone = Phase.LEAVING, False
        self._alive.clear()
        return self._death(now_ms)

    # received messages

    def receive_host_state(self, data: bytes) -> None:
        """Take the state of the primary host: JSON with ``online`` and ``timestamp`` (ms since 1970)."""
        try:
            state = json.loads(data)
            online, time_ms = state["online"], state["timestamp"]
        except (ValueError, KeyError, TypeError, RecursionError):
            online = time_ms = None
        if not isinstance(online, bool) or not isinstance(time_ms, int) or isinstance(time_ms, bool):
            self.ignored.states += 1
            return
        host = self._host
        if host.newest_ms is not None and time_ms < host.newest_ms:
            self.ignored.old_states += 1
            return
        host.online, host.newest_ms = online, time_ms
        if self.phase is Phase.ALIVE and not online and self.names.host:
            self.host_gone = True

    def receive_command(self, data: bytes) -> None:
        """Take a command to the node.  The only command with an effect is a rebirth."""
        asked = command(data)
        rebirth = False
        for key, value in asked.values.items() if asked is not None else ():
            rebirth |= value is True and key == REBIRTH
        if rebirth and self.phase is Phase.ALIVE:
            self._asked = True
        elif not rebirth:
            self.ignored.commands += 1

    def birth_due(self, mono_ns: int) -> bool:
        """Return whether the birth must be published now; `mono_ns` is the monotonic time."""
        if self.phase is Phase.WAITING:
            return self._host.online or not self.names.host
        return self.phase is Phase.ALIVE and self._asked and mono_ns - self._born_mono_ns >= REBIRTH_EVERY_NS

    # births, data, deaths

    def birth(
        self, node: Sequence[Metric], devices: Mapping[str, Sequence[Metric]], now_ms: int, mono_ns: int
    ) -> list[Publication]:
        """Return the births of the node and of all present devices.

        Args:
            node: metrics of the node besides its birth/death number and the rebirth command.
            devices: by name of the device, all metrics that its data may have, with their current values.
            now_ms: ms since 1970, UTC.
            mono_ns: the monotonic time, for the pace of rebirths.
        """
        if not self.birth_due(mono_ns):
            raise LifecycleError(f"a birth while {self.phase}, not due")
        own = (
            Metric(BIRTH_DEATH, DataType.INT64, self._bd_seq, now_ms),
            Metric(REBIRTH, DataType.BOOLEAN, False, now_ms),
        )
        metrics = (*own, *node)
        _require_unique_names("the node", metrics)
        for device, device_metrics in devices.items():
            _require_unique_names(device, device_metrics)
        self.rebirths += self.phase is Phase.ALIVE
        self.phase, self._asked, self._born_mono_ns = Phase.ALIVE, False, mono_ns
        self._alive.clear()
        self._seq = 0
        births = [
            self._numbered(
                self.names.node_topic("NBIRTH"), metrics, now_ms, self._assign_aliases("", metrics), birth=True
            )
        ]
        births += [self.device_birth(device, device_metrics, now_ms) for device, device_metrics in devices.items()]
        return births

    def device_birth(self, device: str, metrics: Sequence[Metric], now_ms: int) -> Publication:
        """Return the birth of a device with all its metrics and their current values."""
        self._require_alive()
        if device in self._alive:
            raise LifecycleError(f"{device} is born already")
        _require_unique_names(device, metrics)
        topic = self.names.device_topic("DBIRTH", device)
        born = self._numbered(topic, metrics, now_ms, self._assign_aliases(device, metrics), birth=True)
        self._alive[device] = {m.name: m.type for m in metrics}
        return born

    def device_death(self, device: str, now_ms: int) -> Publication:
        """Return the death of a device."""
        self._require_born(device)
        del self._alive[device]
        return self._numbered(self.names.device_topic("DDEATH", device), (), now_ms, None)

    def data(self, device: str, metrics: Sequence[Metric], now_ms: int, *, historical: bool = False) -> Publication:
        """Return new values of a device.  `historical`: they are not the current ones."""
        known = self._require_born(device)
        for metric in metrics:
            if known.get(metric.name) is not metric.type:
                raise LifecycleError(f"the birth of {device} did not define {metric.name} as {metric.type.name}")
        aliases = self._aliases[device] if self.with_aliases else None
        return self._numbered(self.names.device_topic("DDATA", device), metrics, now_ms, aliases, historical=historical)

    # parts

    def _death(self, now_ms: int) -> Publication:
        number = Metric(BIRTH_DEATH, DataType.INT64, self._bd_seq, now_ms)
        return Publication(self.names.node_topic("NDEATH"), payload((number,), now_ms, None, birth=True), qos=1)

    def _numbered(
        self,
        topic: str,
        metrics: Sequence[Metric],
        now_ms: int,
        aliases: Mapping[str, int] | None,
        *,
        birth: bool = False,
        historical: bool = False,
    ) -> Publication:
        """Return a message with the next number; an error in its payload does not use the number up."""
        data = payload(metrics, now_ms, self._seq, aliases=aliases, birth=birth, historical=historical)
        self._seq = (self._seq + 1) % NUMBERS
        return Publication(topic, data)

    def _assign_aliases(self, device: str, metrics: Sequence[Metric]) -> dict[str, int] | None:
        if not self.with_aliases:
            return None
        aliases = self._aliases.setdefault(device, {})
        for metric in metrics:
            # Hosts ask for a rebirth by name, also those that do not know the aliases yet, so the specification
            # forbids this alias (tck-id-operational-behavior-data-commands-rebirth-name-aliases).
            if metric.name not in aliases and metric.name != REBIRTH:
                aliases[metric.name] = self._next_alias
                self._next_alias += 1
        return aliases

    def _require_alive(self) -> None:
        if self.phase is not Phase.ALIVE:
            raise LifecycleError(f"data or births of devices while {self.phase}")

    def _require_born(self, device: str) -> dict[str, DataType]:
        self._require_alive()
        if device not in self._alive:
            raise LifecycleError(f"{device} is not born")
        return self._alive[device]


def _require_unique_names(whose: str, metrics: Sequence[Metric]) -> None:
    names = [m.name for m in metrics]
    if len(set(names)) != len(names):
        raise LifecycleError(f"two metrics of {whose} have one name")
