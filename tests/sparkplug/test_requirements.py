"""The table of requirements: every check exists and can fail; and the checks that no other test of this folder has."""

import ast
import asyncio
import contextlib
import re
import struct
from collections import Counter
from pathlib import Path

import pytest

from daq.adapters.sparkplug.encode import payload
from daq.adapters.sparkplug.metrics import DataType, Metric, Property
from daq.adapters.sparkplug.names import Names
from daq.adapters.sparkplug.state import REBIRTH, EdgeNode
from daq.adapters.sparkplug.wire import Payload
from tests.sparkplug.requirements import REQUIREMENTS, NotOurs, Rule, Test
from tests.sparkplug.requirements_of_others import BROKERS, HOSTS
from tests.support.processes.mosquitto import Mosquitto, eventually, needs_mosquitto
from tests.support.sparkplug.link import AdvancedClock, Content, linked, watching
from tests.support.sparkplug.strict_host import Broken, StrictHost

FOLDER = Path(__file__).parent
T0 = 1_790_000_000_000
RULES = {check.identifier for _, _, check in REQUIREMENTS if isinstance(check, Rule)}


def test_each_requirement_is_there_once_in_own_words():
    identifiers = [identifier for identifier, _, _ in REQUIREMENTS]
    assert len(identifiers) == len(set(identifiers))
    assert all(re.fullmatch(r"[A-Za-z0-9-]+", i) and words for i, words, _ in REQUIREMENTS)
    assert all(check.reason for _, _, check in REQUIREMENTS if isinstance(check, NotOurs))


STATEMENTS = {1: 8, 2: 4, 3: 1, 4: 67, 5: 99, 6: 108, 10: 12}
"""Number of numbered statements by chapter.

Source: report of the coverage in the compatibility tests published with the specification 3.0.0
(coverage-sparkplug.html): 300 statements.  Chapter 5 has 100 there; one of these, about hosts, has no identifier.
"""
CHAPTERS = {
    "intro": 1, "principles": 2, "components": 3, "topic": 4, "topics": 4, "host": 4, "case": 5, "message": 5,
    "operational": 5, "payloads": 6, "conformance": 10,
}  # fmt: skip
"""Chapter by the first word of an identifier."""


def test_the_two_tables_have_every_numbered_statement_of_each_chapter():
    ours = [identifier for identifier, _, _ in REQUIREMENTS]
    others = [*HOSTS, *BROKERS]
    assert not set(ours) & set(others)
    assert Counter(CHAPTERS[i.partition("-")[0]] for i in (*ours, *others)) == STATEMENTS


@pytest.mark.parametrize("check", sorted({c for _, _, c in REQUIREMENTS if isinstance(c, Test)}, key=str), ids=str)
def test_every_named_test_is_there(check):
    tree = ast.parse((FOLDER / check.file).read_text())
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    names = {n.name for n in ast.walk(tree) if isinstance(n, kinds)}
    names |= {t.id for n in ast.walk(tree) if isinstance(n, ast.Assign) for t in n.targets if isinstance(t, ast.Name)}
    assert check.name in names


def metrics(value=1.0, time=T0):
    quality = (Property("unit", DataType.STRING, "Pa"), Property("Quality", DataType.INT32, 192))
    return (
        Metric("result/id", DataType.STRING, "a", time), Metric("result/value", DataType.DOUBLE, value, time, quality),
    )  # fmt: skip


def life(aliases):
    """Return the messages of a short life: topic, payload, QoS and retained flag; the first is the will."""
    node = EdgeNode(Names("g", "n"), with_aliases=aliases)
    will = node.will(7, T0)
    node.connected()
    sent = [will, *node.birth((), {"d": metrics(), "e": metrics()}, T0, 1)]
    sent += [node.data("d", metrics(2.0), T0), node.data("e", metrics(3.0), T0), node.device_death("e", T0)]
    sent.append(node.farewell(T0))
    return [[p.topic, p.payload, p.qos, False] for p in sent]


def received(messages, aliases):
    host = StrictHost("g", "n", aliases=aliases)
    host.will_bd_seq = 6
    topic, data, qos, retain = messages[0]
    host.registered(topic, data, qos, retain=retain)
    for topic, data, qos, retain in messages[1:]:
        host.receive(topic, data, qos, retain=retain)


WILL, NBIRTH, DBIRTH, SECOND, DDATA, DDATA_E, DDEATH, NDEATH = range(8)


def changed(at, change):
    """Return a change of one message's payload."""

    def apply(messages):
        message = Payload()
        message.ParseFromString(messages[at][1])
        change(message)
        messages[at][1] = message.SerializeToString()

    return apply


def set_to(at, what, value):
    """Return a change of one message: 0 topic, 2 QoS, 3 retained."""
    return lambda messages: messages[at].__setitem__(what, value)


def metric(name, **values):
    def change(message):
        (found,) = (m for m in message.metrics if m.name == name)
        for key, value in values.items():
            if value is None:
                found.ClearField(key)
            else:
                setattr(found, key, value)

    return change


def first(**values):
    def change(message):
        for key, value in values.items():
            if value is None:
                message.metrics[0].ClearField(key)
            else:
                setattr(message.metrics[0], key, value)

    return change


def without(name):
    def change(message):
        kept = [m for m in message.metrics if m.name != name]
        del message.metrics[:]
        message.metrics.extend(kept)

    return change


def quality(**values):
    def change(message):
        found = message.metrics[1].properties.values[1]
        for key, value in values.items():
            setattr(found, key, value)

    return change


BREAKS = {
    "topic-structure": (set_to(DBIRTH, 0, "spBv1.0/g/DBIRTH/other/d"), False),
    "topic-structure-namespace-device-id-associated-message-types": (set_to(DDATA, 0, "spBv1.0/g/DDATA/n"), False),
    "topics-nbirth-mqtt": (set_to(NBIRTH, 2, 1), False),
    "topics-dbirth-mqtt": (set_to(DBIRTH, 3, True), False),
    "topics-ddata-mqtt": (set_to(DDATA, 2, 1), False),
    "topics-ddeath-mqtt": (set_to(DDEATH, 3, True), False),
    "topics-nbirth-seq-num": (changed(NBIRTH, lambda m: setattr(m, "seq", 1)), False),
    "topics-dbirth-seq-num": (changed(DBIRTH, lambda m: setattr(m, "seq", 7)), False),
    "topics-ddata-seq-num": (changed(DDATA, lambda m: m.ClearField("seq")), False),
    "topics-ddeath-seq-num": (changed(DDEATH, lambda m: setattr(m, "seq", 0)), False),
    "topics-nbirth-timestamp": (changed(NBIRTH, lambda m: m.ClearField("timestamp")), False),
    "payloads-dbirth-timestamp": (changed(DBIRTH, lambda m: m.ClearField("timestamp")), False),
    "payloads-ddata-timestamp": (changed(DDATA, lambda m: m.ClearField("timestamp")), False),
    "payloads-ddeath-timestamp": (changed(DDEATH, lambda m: m.ClearField("timestamp")), False),
    "payloads-metric-datatype-req": (changed(DBIRTH, first(datatype=None)), False),
    "topics-nbirth-bdseq-included": (changed(NBIRTH, without("bdSeq")), False),
    "topics-nbirth-bdseq-matching": (changed(NBIRTH, metric("bdSeq", long_value=8)), False),
    "topics-nbirth-bdseq-increment": (changed(WILL, first(long_value=9)), False),
    "topics-nbirth-rebirth-metric": (changed(NBIRTH, without(REBIRTH)), False),
    "operational-behavior-data-commands-rebirth-value": (changed(NBIRTH, metric(REBIRTH, boolean_value=True)), False),
    "operational-behavior-data-commands-rebirth-name-aliases": (changed(NBIRTH, metric(REBIRTH, alias=99)), True),
    "topics-ndeath-payload": (changed(NDEATH, lambda m: m.metrics.add(name="x", is_null=True, datatype=10)), False),
    "topics-ndeath-seq": (changed(WILL, lambda m: setattr(m, "seq", 1)), False),
    "message-flow-edge-node-birth-publish-will-message-topic": (set_to(WILL, 0, "spBv1.0/g/NDEATH/n/d"), False),
    "payloads-ndeath-will-message-qos": (set_to(WILL, 2, 0), False),
    "payloads-ndeath-will-message-retain": (set_to(WILL, 3, True), False),
    "operational-behavior-data-publish-dbirth": (changed(DDATA, first(name="not in the birth")), False),
    "operational-behavior-data-publish-dbirth-order": (
        changed(DDATA, lambda m: setattr(m.metrics[1], "timestamp", T0 - 1)), False),
    "payloads-name-requirement": (changed(DBIRTH, first(name=None)), False),
    "payloads-alias-uniqueness": (changed(DBIRTH, first(alias=0)), True),
    "payloads-alias-birth-requirement": (changed(DBIRTH, first(alias=None)), True),
    "payloads-alias-data-cmd-requirement": (changed(DDATA, first(name="result/id")), True),
    "payloads-name-birth-data-requirement": (changed(DDATA, first(timestamp=None)), False),
    "payloads-metric-propertyvalue-type-req": (
        changed(DBIRTH, lambda m: m.metrics[1].properties.values[0].ClearField("type")), False),
    "payloads-metric-datatype-not-req": (changed(DDATA, first(datatype=12)), False),
    "payloads-propertyset-quality-value-type": (changed(DBIRTH, quality(type=7)), False),
    "payloads-propertyset-quality-value-value": (changed(DBIRTH, quality(int_value=1)), False),
    "payloads-ddata-order": (lambda messages: messages.insert(DBIRTH, messages.pop(DDATA)), False),
}  # fmt: skip


UNREADABLE = {
    "operational-behavior-data-publish-dbirth", "payloads-metric-datatype-req", "payloads-metric-propertyvalue-type-req",
}  # fmt: skip
"""Breaks that the tests' decoder finds before the rule, because it cannot read a value without its type."""


@pytest.mark.parametrize("aliases", [False, True])
def test_the_node_breaks_no_rule(aliases):
    received(life(aliases), aliases)


def test_every_rule_of_the_table_is_broken_by_one_of_the_changes():
    assert BREAKS.keys() == RULES


@pytest.mark.parametrize("identifier", sorted(BREAKS))
def test_the_strict_host_finds_the_break(identifier):
    change, aliases = BREAKS[identifier]
    messages = life(aliases)
    change(messages)
    if identifier in UNREADABLE:
        with pytest.raises((AssertionError, KeyError)):
            received(messages, aliases)
        return
    with pytest.raises(Broken, match=f"^{identifier}:"):
        received(messages, aliases)


def test_times_are_milliseconds_since_1970_in_utc():
    message = Payload()
    message.ParseFromString(payload((Metric("a", DataType.DOUBLE, 1.0, T0 + 5),), T0, 0))
    assert (message.timestamp, message.metrics[0].timestamp) == (T0, T0 + 5)


# the connection: bytes of MQTT, read by its specification (3.1.1 and 5, chapter 3)


def packets(data):
    """Yield type, flags and content of each packet."""
    at = 0
    while at < len(data):
        first_byte, length, shift, at = data[at], 0, 0, at + 1
        while True:
            length |= (data[at] & 0x7F) << shift
            shift, at = shift + 7, at + 1
            if not data[at - 1] & 0x80:
                break
        yield first_byte >> 4, first_byte & 0xF, data[at : at + length]
        at += length


class Tap:
    """A forwarded connection that keeps the bytes of the client."""

    def __init__(self, port):
        self._to, self.sent = port, bytearray()

    async def __aenter__(self):
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_):
        self._server.close()

    async def _serve(self, reader, writer):
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self._to)
        await asyncio.gather(
            self._carry(reader, there_writer, self.sent), self._carry(there_reader, writer, bytearray())
        )

    async def _carry(self, reader, writer, kept):
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(65536):
                kept += data
                writer.write(data)
                await writer.drain()
        writer.close()


@pytest.fixture
def broker(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder).start()
    yield running
    running.stop()


CONNECT, PUBLISH, SUBSCRIBE, DISCONNECT = 1, 3, 8, 14


async def session(tmp_path, broker, protocol, host=""):
    """Return the packets of a node's session from its CONNECT to its DISCONNECT."""
    async with Tap(broker.port) as tap:
        through = broker.settings(protocol=protocol)
        through = type(through)(**{**{k: getattr(through, k) for k in through.__dataclass_fields__}, "port": tap.port})
        async with linked(tmp_path, through, Content(), host=host) as link:
            await eventually(lambda: link.node.phase.value in ("alive", "waiting"))
        await eventually(lambda: any(kind == DISCONNECT for kind, _, _ in packets(bytes(tap.sent))))
        return list(packets(bytes(tap.sent)))


@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_the_connect_packet_and_the_subscriptions(tmp_path, broker, protocol):
    found = await session(tmp_path, broker, protocol, host="tower")
    kind, _, connect = found[0]
    flags = connect[7]
    assert (kind, connect[:6], connect[6]) == (CONNECT, b"\x00\x04MQTT", 5 if protocol == "5" else 4)
    assert flags & 0x02, "clean session, or clean start"
    assert (flags & 0x04, flags >> 3 & 3, flags & 0x20) == (0x04, 1, 0), "a will of QoS 1, not retained"
    assert b"spBv1.0/glaze-works/NDEATH/kiln-street" in connect
    if protocol == "5":
        length = connect[10]
        assert b"\x11" not in connect[11 : 11 + length : 5] or struct.unpack(">I", connect[12:16])[0] == 0
    subscribed = b"".join(content for kind, _, content in found if kind == SUBSCRIBE)
    for topic in (b"spBv1.0/glaze-works/NCMD/kiln-street", b"spBv1.0/STATE/tower"):
        assert topic in subscribed
        assert subscribed[subscribed.index(topic) + len(topic)] & 3 == 1, "QoS 1"


@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_an_intended_end_publishes_the_death_and_then_disconnects(tmp_path, broker, protocol):
    found = await session(tmp_path, broker, protocol)
    published = [i for i, (kind, _, content) in enumerate(found) if kind == PUBLISH and b"NDEATH" in content]
    ended = [i for i, (kind, _, _) in enumerate(found) if kind == DISCONNECT]
    assert (len(published), len(ended)) == (1, 1)
    assert published[0] < ended[0]
    assert all(kind != PUBLISH for kind, _, _ in found[published[0] + 1 :])
    content = found[ended[0]][2]
    assert content[:1] == (b"\x04" if protocol == "5" else b""), (
        "disconnect with will message (MQTT 5, section 3.14.2.1)"
    )


@needs_mosquitto
@pytest.mark.asyncio
async def test_only_values_that_changed_are_sent(tmp_path, broker):
    content = Content({"bench-1": "ready", "bench-2": "ready"})
    async with watching(broker.port) as watcher, linked(tmp_path, broker.settings(), content) as link:
        await watcher.until(lambda: set(watcher.host.devices) == {"bench-1", "bench-2"})
        before = len(watcher.host.log)
        for _ in range(10):
            link.wake()
            await asyncio.sleep(0.03)
        assert watcher.host.log[before:] == []
        content.states["bench-2"] = "in_run"
        link.wake()
        await watcher.until(lambda: watcher.host.log[before:] == ["DDATA"])
        for _ in range(10):
            link.wake()
            await asyncio.sleep(0.03)
        assert watcher.host.log[before:] == ["DDATA"]
        ((_, values),) = watcher.host.devices["bench-2"].history
        assert {name: value for name, (value, *_) in values.items()} == {"instrument/state": "in_run"}


@needs_mosquitto
@pytest.mark.asyncio
async def test_no_data_between_a_request_for_a_rebirth_and_the_birth(tmp_path, broker):
    ask = payload((Metric(REBIRTH, DataType.BOOLEAN, True, 1),), 1, None, birth=True)
    clock, content = AdvancedClock(), Content()
    async with watching(broker.port) as watcher, linked(tmp_path, broker.settings(), content, clock=clock) as link:
        await watcher.until(lambda: "bench-1" in watcher.host.devices)
        await watcher.ask(ask)
        await eventually(lambda: link.node.rebirth_pending)
        before = len(watcher.host.log)
        content.add()
        content.states["bench-1"] = "in_run"
        for _ in range(10):
            link.wake()
            await asyncio.sleep(0.05)
        assert watcher.host.log[before:] == []
        clock.ahead += 6_000_000_000
        link.wake()
        await watcher.until(lambda: watcher.ids() == ["bench-1/1"])
        assert watcher.host.log[before : before + 2] == ["NBIRTH", "DBIRTH"]
