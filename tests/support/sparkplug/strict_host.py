"""A strict host application: it checks every message against the rules of the specification.

Rules: Sparkplug specification 3.0, chapters 4 to 6, named by the specification's own identifiers (tck-id-...), which
stand in the messages of the assertions.
"""

from dataclasses import dataclass, field

from tests.support.sparkplug.decoder import CODES, Payload, decode

BOOLEAN, INT64 = 11, 4


class Broken(AssertionError):
    """A rule was broken; the text starts with its identifier."""


def rule(holds: object, identifier: str, what: object = "") -> None:
    if not holds:
        raise Broken(f"{identifier}: {what}")


@dataclass
class Device:
    types: dict
    """Type code by name, and by alias where there are aliases."""
    names: dict
    """Name by alias."""
    values: dict
    history: list = field(default_factory=list)
    """Values of data messages in order: (historical, {name: (value, timestamp, properties)})."""


@dataclass
class StrictHost:
    """Checks of all messages, passed in the order of the broker.

    Attributes:
        aliases: whether the node is expected to use them.
        alive: whether the node is.
        log: kinds of messages in order.
    """

    group: str
    node: str
    aliases: bool = False
    alive: bool = False
    bd_seq: int | None = None
    will_bd_seq: int | None = None
    seq: int | None = None
    devices: dict = field(default_factory=dict)
    birth: Payload | None = None
    births: int = 0
    log: list = field(default_factory=list)
    all_aliases: dict = field(default_factory=dict)
    data_since_birth: bool = False
    results: list = field(default_factory=list)
    """(device, historical, id) of every data message that has a result, over all lives."""

    def registered(self, topic: str, payload: bytes, qos: int, *, retain: bool) -> None:
        """Note the start of a connection with this will."""
        rule(
            topic == f"spBv1.0/{self.group}/NDEATH/{self.node}",
            "message-flow-edge-node-birth-publish-will-message-topic",
            topic,
        )
        rule(qos == 1, "payloads-ndeath-will-message-qos", qos)
        rule(not retain, "payloads-ndeath-will-message-retain")
        self.expect(self._death(payload))

    def birth_number(self, payload: bytes) -> int:
        """Return the birth/death number in a node's birth."""
        return decode(payload).value("bdSeq")

    def expect(self, number: int) -> None:
        """Note a new session, whose will only the broker has: its number must be the next one."""
        if self.will_bd_seq is not None:
            rule(number == (self.will_bd_seq + 1) % 256, "topics-nbirth-bdseq-increment", (self.will_bd_seq, number))
        self.will_bd_seq = number

    def receive(self, topic: str, payload: bytes, qos: int = 0, *, retain: bool = False) -> str:
        """Check one message and return its kind."""
        levels = topic.split("/")
        rule(levels[:2] == ["spBv1.0", self.group] and levels[3] == self.node, "topic-structure", topic)
        kind = levels[2]
        self.log.append(kind)
        rule(not retain, f"topics-{kind.lower()}-mqtt", "retained")
        if kind == "NDEATH":
            rule(len(levels) == 4, "topic-structure-namespace-device-id-non-associated-message-types")
            rule(qos == 1, "payloads-ndeath-will-message-qos")
            if self._death(payload) == self.bd_seq:
                self.alive = False
                self.devices.clear()
            return kind
        rule(qos == 0, f"topics-{kind.lower()}-mqtt", f"qos {qos}")
        rule((len(levels) == 5) == kind.startswith("D"), "topic-structure-namespace-device-id-associated-message-types")
        getattr(self, f"_{kind.lower()}")(payload, *levels[4:])
        return kind

    def _death(self, payload: bytes) -> int:
        death = decode(payload)
        rule(death.seq is None, "topics-ndeath-seq")
        rule([m.name for m in death.metrics] == ["bdSeq"], "topics-ndeath-payload")
        (number,) = death.metrics
        rule(number.datatype == INT64 and 0 <= number.value <= 255, "payloads-nbirth-bdseq-inc", number)
        return number.value

    def _next(self, payload: Payload, kind: str) -> None:
        rule(payload.timestamp, f"payloads-{kind}-timestamp")
        rule(self.alive, "operational-behavior-data-publish", f"{kind} of a node that is not alive")
        rule(payload.seq == (self.seq + 1) % 256, f"topics-{kind}-seq-num", (self.seq, payload.seq))
        self.seq = payload.seq

    def _defined(self, payload: Payload, kind: str, device: str) -> Device:
        found = Device({}, {}, {})
        for m in payload.metrics:
            rule(m.name, "payloads-name-requirement")
            rule(m.name not in found.values, f"topics-{kind}-metrics", f"{m.name} twice")
            rule(m.datatype in CODES, "payloads-metric-datatype-req", m)
            rule(m.timestamp is not None, "payloads-name-birth-data-requirement", m)
            rule(not m.historical, "payloads: births hold current values", m)
            if m.name == "Node Control/Rebirth":
                rule(m.alias is None, "operational-behavior-data-commands-rebirth-name-aliases", m)
            else:
                rule((m.alias is not None) == self.aliases, "payloads-alias-birth-requirement", m)
            if m.alias is not None:
                owner = self.all_aliases.setdefault(m.alias, (device, m.name))
                rule(owner == (device, m.name), "payloads-alias-uniqueness", (owner, device, m))
                found.names[m.alias] = m.name
                found.types[m.alias] = m.datatype
            found.types[m.name] = m.datatype
            found.values[m.name] = m.value
            self._properties(m)
        return found

    def _properties(self, m: object) -> None:
        for key, (code, value) in m.properties.items():
            rule(code in CODES, "payloads-metric-propertyvalue-type-req", m)
            if key == "Quality":
                rule(code == 3, "payloads-propertyset-quality-value-type", m)
                rule(value in (0, 192, 500), "payloads-propertyset-quality-value-value", m)

    def _nbirth(self, data: bytes) -> None:
        birth = decode(data)
        rule(birth.seq == 0, "topics-nbirth-seq-num", birth.seq)
        rule(birth.timestamp, "topics-nbirth-timestamp")
        self.all_aliases.clear()
        self._defined(birth, "nbirth", "")
        named = birth.by_name()
        rule("bdSeq" in named and named["bdSeq"].datatype == INT64, "topics-nbirth-bdseq-included")
        rule(
            named["bdSeq"].value == self.will_bd_seq,
            "topics-nbirth-bdseq-matching",
            (named["bdSeq"].value, self.will_bd_seq),
        )
        rebirth = named.get("Node Control/Rebirth")
        rule(rebirth is not None and rebirth.datatype == BOOLEAN, "topics-nbirth-rebirth-metric")
        rule(rebirth.value is False, "operational-behavior-data-commands-rebirth-value")
        self.alive, self.bd_seq, self.seq, self.birth = True, named["bdSeq"].value, 0, birth
        self.births += 1
        self.devices.clear()
        self.data_since_birth = False

    def _dbirth(self, data: bytes, device: str) -> None:
        birth = decode(data)
        self._next(birth, "dbirth")
        rule(device not in self.devices, "topics-dbirth", f"{device} is alive already")
        self.devices[device] = self._defined(birth, "dbirth", device)

    def _ddata(self, data: bytes, device: str) -> None:
        rule(device in self.devices, "payloads-ddata-order", f"{device} is not alive")
        known = self.devices[device]
        got = decode(data, known.types)
        self._next(got, "ddata")
        rule(got.metrics, "topics-ddata-payload", "nothing in it")
        self.data_since_birth = True
        now, newest = {}, 0
        for m in got.metrics:
            if self.aliases:
                rule(m.alias in known.names and m.name is None, "payloads-alias-data-cmd-requirement", m)
                m.name = known.names[m.alias]
            rule(m.alias is None or self.aliases, "payloads-name-requirement", m)
            rule(m.name in known.types, "operational-behavior-data-publish-dbirth", m)
            rule(m.datatype is None, "payloads-metric-datatype-not-req", m)
            rule(m.timestamp is not None, "payloads-name-birth-data-requirement", m)
            self._properties(m)
            now[m.name] = (m.value, m.timestamp, m.properties)
            if not m.historical:
                rule(m.timestamp >= newest, "operational-behavior-data-publish-dbirth-order", m)
                newest = m.timestamp
                known.values[m.name] = m.value
        historical = {m.historical for m in got.metrics}
        rule(len(historical) == 1, "is_historical: mixed in one message")
        known.history.append((historical.pop(), now))
        if "result/id" in now:
            self.results.append((device, known.history[-1][0], now["result/id"][0]))

    def _ddeath(self, data: bytes, device: str) -> None:
        rule(device in self.devices, "topics-ddeath", f"{device} is not alive")
        death = decode(data)
        self._next(death, "ddeath")
        rule(not death.metrics, "topics-ddeath", "metrics in it")
        del self.devices[device]
