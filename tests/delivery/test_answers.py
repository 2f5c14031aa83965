"""Answers to requests: what will come or why not, on the response topic, below the own answers only."""

import asyncio
import contextlib
import json

import aiomqtt
import jsonschema
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from daq.adapters.mqtt.client import Reply
from daq.adapters.outbox.answers import NotGranted, answer, answer_topic
from daq.adapters.outbox.publisher import LIVE_EXPIRY_S
from daq.adapters.store.outgoing.delivery import SendAgain
from daq.app.delivery.contract import SCHEMAS
from tests.delivery.parts import delivering
from tests.support.processes.mosquitto import PASSWORD, TOPICS, eventually, fill, needs_mosquitto

SCHEMA = next(s.make() for s in SCHEMAS if s.name == "refill-answer")
OWN = f"{TOPICS.answers}/historian-7"


@pytest.mark.parametrize(
    ("topic", "correlation", "wanted"),
    [
        (OWN, b"\x00\xff", OWN),
        (OWN, None, OWN),
        (f"{OWN}/a/b", b"", f"{OWN}/a/b"),
        (TOPICS.answers, b"", None),
        (f"{TOPICS.answers}/", b"", None),
        (TOPICS.refill(), b"", None),
        (TOPICS.status(), b"", None),
        (TOPICS.result("bench-1"), b"", None),
        (f"{TOPICS.answers}x/a", b"", None),
        ("other-works/lab/v1/answer/a", b"", None),
        ("/" + OWN, b"", None),
        ("$SYS/a", b"", None),
        (f"{OWN}/+", b"", None),
        (f"{OWN}/#", b"", None),
        (f"{OWN}/a\x00", b"", None),
        (f"{OWN}//a", b"", None),
        (f"{OWN}/../status", b"", f"{OWN}/../status"),
        (f"{OWN}/{'a' * 70_000}", b"", None),
        (OWN, b"a" * 257, None),
    ],
)
def test_an_answer_goes_below_the_own_answers_only(topic, correlation, wanted):
    assert answer_topic(TOPICS, Reply(topic, correlation)) == wanted


def test_without_a_response_topic_there_is_no_answer():
    assert answer_topic(TOPICS, None) is None


@pytest.mark.parametrize(
    ("judged", "messages"),
    [
        (NotGranted("the request is not JSON"), 0),
        (SendAgain(stream="bench-1", epoch=1, sequences=(1, 5), utc_ns=0, who=None), 0),
        (SendAgain(stream="bench-1", epoch=1, sequences=(1, 5), utc_ns=0, who=None), 10),
    ],
)
def test_answers_fit_their_schema_and_give_a_reason_where_nothing_comes(judged, messages):
    content = json.loads(answer("urn:uuid:x#1", judged, messages))
    jsonschema.validate(content, SCHEMA)
    assert ("reason" in content) == (messages == 0)
    assert content["granted"] == isinstance(judged, SendAgain)


async def asking(broker, payloads, topic=OWN, correlation=b"\x01\x02"):
    """Publish requests as an MQTT 5 client does; return the answers and everything published meanwhile."""
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, username="historian", password=PASSWORD, protocol=aiomqtt.ProtocolVersion.V5
    ) as client:
        await client.subscribe(f"{TOPICS.prefix}/#", 1)
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic, properties.CorrelationData = topic, correlation
        for payload in payloads:
            await client.publish(TOPICS.refill(), payload, 1, properties=properties)
        found = []
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(3):
                while True:
                    found.append(await anext(client.messages))
        return [m for m in found if not m.retain]


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_a_request_is_answered_with_what_will_come_and_a_refused_one_with_the_reason(store, broker, clock):
    fill(store, ["a", "b", "c", "d"])
    async with delivering(store, broker.settings(), clock) as publisher:
        await eventually(lambda: publisher.state.delivered >= 4)
        wanted = json.dumps({"source": store.source, "stream": "rotor-1", "first": 2, "last": 3}).encode()
        found = await asking(broker, [wanted, wanted, b"nonsense"])
        answers = [m for m in found if m.topic.value == OWN]
        contents = [json.loads(m.payload) for m in answers]
        assert [c["granted"] for c in contents] == [True, False, False]
        assert (contents[0]["first"], contents[0]["last"], contents[0]["messages"]) == (2, 3, 2)
        assert "less than 5 s ago" in contents[1]["reason"]
        assert "not JSON" in contents[2]["reason"]
        assert {m.properties.CorrelationData for m in answers} == {b"\x01\x02"}
        assert all(0 < m.properties.MessageExpiryInterval <= 60 for m in answers)
        assert len([m for m in found if m.topic.value.startswith(f"{TOPICS.prefix}/result/")]) == 2


@needs_mosquitto
@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_flood_of_requests_gets_few_answers_and_no_foreign_topic_any(store, broker, clock):
    async with delivering(store, broker.settings(), clock) as publisher:
        await eventually(lambda: publisher.state.connected)
        found = await asking(broker, [b"x"] * 90)
        assert 1 <= len([m for m in found if m.topic.value == OWN]) <= 20
        for topic in (TOPICS.refill(), TOPICS.status(), TOPICS.result("rotor-1")):
            clock.pass_s(60)
            before = publisher.state.requests
            found = await asking(broker, [b"x"], topic)
            assert [m.payload for m in found if m.topic.value == topic] == ([b"x"] if topic == TOPICS.refill() else [])
            assert publisher.state.requests == before + 1


@needs_mosquitto
@pytest.mark.asyncio
async def test_a_live_message_expires_at_the_broker(store, broker, clock):
    async with (
        delivering(store, broker.settings(), clock) as publisher,
        aiomqtt.Client(
            "127.0.0.1", broker.port, username="historian", password=PASSWORD, protocol=aiomqtt.ProtocolVersion.V5
        ) as client,
    ):
        await eventually(lambda: publisher.state.connected)
        await client.subscribe(TOPICS.live("rotor-1"))
        assert publisher.publish_live("rotor-1", b"{}")
        async with asyncio.timeout(10):
            message = await anext(client.messages)
        assert 0 < message.properties.MessageExpiryInterval <= LIVE_EXPIRY_S
