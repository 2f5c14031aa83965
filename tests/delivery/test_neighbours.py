"""Two daemons under one prefix notice each other, and a false "offline" is put right at once."""

import asyncio
import contextlib
import json
import socket

import aiomqtt
import pytest

from daq.adapters.outbox.neighbours import MOST_OTHERS, Neighbours
from daq.adapters.outbox.publisher_state import PublisherState
from daq.adapters.store.store import Store
from tests.delivery.parts import delivering
from tests.support.processes.mosquitto import PASSWORD, TOPICS, Mosquitto, eventually, listening, needs_mosquitto
from tests.support.runs.stored import T0

SOURCE = "urn:uuid:00000000-7dec-41d0-a765-00a0c91e6bf6#1"


def message(state="online", instance="other", source=SOURCE):
    return json.dumps({"state": state, "source": source, "instance": instance}).encode()


ARRIVALS = {
    # messages: (others that are named, whether the own status is published again)
    "own online": ([message(instance="own")], 0, False),
    "own offline": ([message("offline", instance="own")], 0, True),
    "another online": ([message()], 1, True),
    "another offline": ([message("offline")], 0, True),
    "another online, then offline": ([message(), message("offline")], 0, True),
    "two others": ([message(instance="a"), message(instance="b")], 2, True),
    "emptied": ([b""], 0, True),
    "not JSON": ([b"\xff"], 0, True),
    "a list": ([b"[]"], 0, True),
    "nested deeply": ([b"[" * 20_000], 0, True),
    "huge": ([b'"' + b"x" * 10**6 + b'"'], 0, True),
    "wrong kinds": ([b'{"state": 1, "source": [], "instance": {}}'], 0, True),
}


@pytest.mark.parametrize("case", ARRIVALS)
def test_what_a_message_on_the_own_status_topic_means(case):
    payloads, others, is_false = ARRIVALS[case]
    state = PublisherState()
    found = Neighbours("own", state)
    for payload in payloads:
        found.arrived(payload)
    assert (len(state.others), found.is_false) == (others, is_false)


def test_each_other_instance_is_answered_once_and_there_are_not_more_than_can_be_named():
    state = PublisherState()
    found = Neighbours("own", state)
    answers = 0
    for n in range(3 * MOST_OTHERS):
        for _ in range(2):
            found.arrived(message(instance=str(n)))
            answers += found.is_false
            found.is_false = False
    assert answers == len(state.others) == MOST_OTHERS


async def publish(port, payload, *, retain=True):
    async with aiomqtt.Client("127.0.0.1", port, username="historian", password=PASSWORD) as client:
        await client.publish(TOPICS.status(), payload, qos=1, retain=retain)


async def shown(port):
    """Return the retained status that a late consumer gets."""
    async with listening(port, topic=TOPICS.status()) as late:
        await late.until(lambda: late.received)
        return late.received[0][1]


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_two_daemons_under_one_prefix_name_each_other_and_the_one_that_stays_is_shown_online(
    store, broker, clock, tmp_path
):
    (tmp_path / "second").mkdir()
    settings = broker.settings(status_every_s=3600)
    with Store(tmp_path / "second" / "daq.sqlite", utc_ns=T0) as second:
        async with (
            listening(broker.port, topic=TOPICS.status()) as historian,
            delivering(store, settings, clock) as first_daemon,
        ):
            await eventually(lambda: first_daemon.state.connected)
            async with delivering(second, settings, clock) as second_daemon:
                await eventually(lambda: first_daemon.state.others and second_daemon.state.others)
                assert first_daemon.state.broker_state.others == (second.source,)
                assert second_daemon.state.broker_state.others == (store.source,)
                await asyncio.sleep(0.5)
                count = len(historian.received)
                await asyncio.sleep(1.0)
                assert len(historian.received) == count <= 5  # no exchange without end
            await eventually(lambda: not first_daemon.state.others)
            await historian.until(lambda: historian.received[-1][1]["source"] == store.source)
            await asyncio.sleep(0.3)
            assert [(p["state"], p["source"]) for p in [await shown(broker.port)]] == [("online", store.source)]


@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize(
    "payload", [message("offline"), b"", b"\xff\xfe", b"offline"], ids=["will", "emptied", "bytes", "word"]
)
@pytest.mark.parametrize("retain", [True, False])
async def test_a_false_status_is_put_right_at_once(store, broker, clock, payload, retain):
    settings = broker.settings(status_every_s=3600)
    async with delivering(store, settings, clock) as publisher:
        await eventually(lambda: publisher.state.connected)
        before = await shown(broker.port)
        await publish(broker.port, payload, retain=retain)
        await asyncio.sleep(0.5)
        after = await shown(broker.port)
        assert (after["state"], after["source"], after["instance"]) == ("online", store.source, before["instance"])


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_the_will_of_a_connection_that_was_lost_does_not_stay(store, broker, clock):
    """The broker may publish the will after the daemon has connected again."""
    settings = broker.settings(status_every_s=3600, keepalive_s=1)
    async with delivering(store, settings, clock) as publisher:
        for _ in range(5):
            await eventually(lambda: publisher.state.connected)
            with contextlib.suppress(OSError, AttributeError):
                publisher._connection._client._client.socket().shutdown(socket.SHUT_RDWR)
            await eventually(lambda: not publisher.state.connected)
        await eventually(lambda: publisher.state.connected)
        await asyncio.sleep(2.0)  # longer than the broker waits for the lost connection
        assert (await shown(broker.port))["state"] == "online"


@needs_mosquitto
@pytest.mark.asyncio
async def test_without_the_right_to_read_its_own_status_a_daemon_works(tmp_path, store, clock):
    folder = tmp_path / "strict"
    folder.mkdir()
    strict = Mosquitto(folder, acl=f"user daq\ntopic write {TOPICS.prefix}/#\n").start()
    try:
        async with delivering(store, strict.settings(), clock) as publisher:
            await eventually(lambda: publisher.state.connected)
    finally:
        strict.stop()
