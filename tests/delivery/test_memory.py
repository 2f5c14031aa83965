"""The daemon publishes acknowledged messages again that the broker has lost.

Each broker is a Mosquitto that keeps what its configuration says and is killed; what it remembers then was tried out.
"""

import asyncio
import signal
import socket

import pytest

from daq.adapters.store.outgoing.delivery import Acknowledge, RepeatSince
from daq.adapters.store.store import Store
from tests.delivery.parts import MINUTE, delivering, depth
from tests.support.processes.mosquitto import TOPICS, Mosquitto, eventually, fill, listening, needs_mosquitto
from tests.support.runs.stored import T0

pytestmark = needs_mosquitto

NEVER_SAVES = "persistence false"
SAVES_WHEN_TOLD = "persistence true\npersistence_location {folder}/\nautosave_interval 0"


@pytest.fixture
def make_broker(tmp_path):
    made = []

    def make(keeps: str) -> Mosquitto:
        folder = tmp_path / "forgetful"
        folder.mkdir()
        made.append(Mosquitto(folder, extra=keeps.format(folder=folder), own_persistence=True).start())
        return made[-1]

    yield make
    for broker in made:
        broker.stop()


async def delivered(publisher, store, count):
    await eventually(lambda: publisher.state.delivered >= count and depth(store).waiting == 0)


async def came(historian, names):
    await historian.until(lambda: set(historian.runs()) >= set(names))
    await asyncio.sleep(0.3)  # time for more to arrive
    return sorted(historian.runs())


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_broker_that_has_forgotten_us_gets_everything_since_it_knew_us(store, make_broker, clock, protocol):
    broker = make_broker(NEVER_SAVES)
    settings = broker.settings(protocol=protocol, repeat_after_loss_s=0.0)
    fill(store, ["a", "b"], last=True)
    async with delivering(store, settings, clock, farewell=False) as publisher:
        await delivered(publisher, store, 4)
    clock.pass_s(7200)
    async with delivering(store, settings, clock) as publisher:
        # It still had the session two hours later, so messages acknowledged before that are safe.
        await eventually(lambda: publisher.state.connected)
        await asyncio.to_thread(fill, store, ["c", "d"], last=True)
        publisher.wake()
        await delivered(publisher, store, 4)
        clock.pass_s(3600)
        broker.kill()
        broker.start()
        async with listening(broker.port) as historian:
            assert await came(historian, ["c", "d"]) == ["c", "d"]
            await historian.until(lambda: any(t == TOPICS.last("rotor-1") for t, _, _ in historian.received))
        assert publisher.state.repeated == 3
    async with listening(broker.port, topic=TOPICS.last_of_all()) as late:
        await late.until(lambda: late.received)
        assert late.received[0][1]["run"] == "d"


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_broker_that_fell_back_gets_the_results_newer_than_the_one_it_shows(
    store, make_broker, clock, protocol
):
    """The old database has the session too: only the retained result shows how much the broker lost."""
    broker = make_broker(SAVES_WHEN_TOLD)
    settings = broker.settings(protocol=protocol, repeat_after_loss_s=0.0)
    async with delivering(store, settings, clock) as publisher:
        await asyncio.to_thread(fill, store, ["a", "b"], last=True)
        await asyncio.to_thread(fill, store, ["other"], instrument="rotor-2", last=True)
        publisher.wake()
        await delivered(publisher, store, 6)
        saved = broker.folder / "mosquitto.db"
        broker.process.send_signal(signal.SIGUSR1)
        await eventually(lambda: saved.exists() and b"other" in saved.read_bytes())
        await asyncio.to_thread(fill, store, ["c", "d"], last=True)
        publisher.wake()
        await delivered(publisher, store, 10)
        broker.kill()
        broker.start()
        async with listening(broker.port) as historian:
            assert await came(historian, ["c", "d"]) == ["c", "d"]
        assert publisher.state.repeated == 3  # two results, and the retained newest one
        assert publisher.state.connected


@pytest.mark.asyncio
async def test_after_a_loss_the_last_minute_is_published_again(store, broker, clock):
    settings = broker.settings(repeat_after_loss_s=60.0)
    async with delivering(store, settings, clock) as publisher:
        for name in ("early", "late"):
            await asyncio.to_thread(fill, store, [name])
            publisher.wake()
            await eventually(lambda: depth(store).waiting == 0)
            clock.pass_s(40)
        async with listening(broker.port) as historian:
            publisher._connection._client._client.socket().shutdown(socket.SHUT_RDWR)
            assert await came(historian, ["late"]) == ["late"]


@pytest.mark.slow
@pytest.mark.asyncio
async def test_zero_is_never(store, broker, clock):
    async with delivering(store, broker.settings(repeat_after_loss_s=0.0), clock) as publisher:
        await asyncio.to_thread(fill, store, ["a"])
        publisher.wake()
        await delivered(publisher, store, 1)
        async with listening(broker.port) as historian:
            publisher._connection._client.drop()
            await asyncio.to_thread(fill, store, ["b"])
            publisher.wake()
            assert await came(historian, ["b"]) == ["b"]


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize(("last", "repeated"), [(True, []), (False, ["a"])])
async def test_after_a_kill_of_the_daemon_only_results_the_broker_does_not_show_are_repeated(
    store, broker, clock, last, repeated
):
    fill(store, ["a"], last=last)
    settings = broker.settings(repeat_after_loss_s=60.0)
    async with delivering(store, settings, clock, farewell=False) as publisher:
        await delivered(publisher, store, 1 + last)
    clock.pass_s(3600)
    await asyncio.to_thread(fill, store, ["b"], last=last)
    async with listening(broker.port) as historian, delivering(store, settings, clock):
        assert await came(historian, ["b"]) == [*repeated, "b"]


@pytest.mark.asyncio
async def test_after_a_farewell_nothing_is_repeated(store, broker, clock):
    fill(store, ["a"])
    for _ in range(2):
        async with delivering(store, broker.settings(repeat_after_loss_s=60.0), clock) as publisher:
            await delivered(publisher, store, 0)
            await eventually(lambda: publisher.state.connected)
            assert publisher.state.repeated == 0


@pytest.mark.asyncio
async def test_another_broker_has_lost_nothing(store, make_broker, broker, clock):
    fill(store, ["a"])
    async with delivering(store, broker.settings(), clock) as publisher:
        await delivered(publisher, store, 1)
    async with delivering(store, make_broker(NEVER_SAVES).settings(), clock) as publisher:
        await eventually(lambda: publisher.state.connected)
        assert publisher.state.repeated == 0


@pytest.mark.asyncio
async def test_a_stranger_under_our_topics_is_no_sign_of_a_loss(store, broker, clock):
    import aiomqtt

    from tests.support.processes.mosquitto import PASSWORD

    fill(store, ["a"], last=True)
    async with delivering(store, broker.settings(), clock) as publisher:
        await delivered(publisher, store, 2)
    async with aiomqtt.Client("127.0.0.1", broker.port, username="historian", password=PASSWORD) as client:
        await client.publish(TOPICS.last("rotor-1"), b"{}", qos=1, retain=True)
        await client.publish(TOPICS.last("nobody"), b"x" * (2 << 20), qos=1, retain=True)
    async with delivering(store, broker.settings(), clock) as publisher:
        await eventually(lambda: publisher.state.connected)
        assert publisher.state.repeated == 0


@pytest.mark.asyncio
async def test_without_the_right_to_read_only_the_session_shows_a_loss(tmp_path, store, clock):
    """Mosquitto grants such a subscription and sends nothing."""
    folder = tmp_path / "ruled"
    folder.mkdir()
    rules = "user daq\ntopic write glazeworks/#\n\nuser historian\ntopic read #\n"
    broker = Mosquitto(folder, acl=rules).start()
    try:
        fill(store, ["a"], last=True)
        for _ in range(2):
            async with delivering(store, broker.settings(), clock) as publisher:
                await delivered(publisher, store, 0)
                await eventually(lambda: depth(store).waiting == 0)
                assert publisher.state.repeated == 0
    finally:
        broker.stop()


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_full_disk_puts_the_check_off_and_does_not_forget_it(store, make_broker, clock):
    broker = make_broker(NEVER_SAVES)
    async with delivering(store, broker.settings(), clock) as publisher:
        await asyncio.to_thread(fill, store, ["a"])
        publisher.wake()
        await delivered(publisher, store, 1)
        store._connection.execute("PRAGMA query_only = ON")
        broker.kill()
        broker.start()
        await eventually(lambda: "may have lost" in publisher.state.trouble)
        assert publisher.state.connected or publisher.state.trouble
        store._connection.execute("PRAGMA query_only = OFF")
        await eventually(lambda: publisher.state.repeated == 1)
        await eventually(lambda: publisher.state.trouble == "")


def test_of_retained_messages_only_the_newest_is_repeated(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        fill(store, ["a", "b", "c"], last=True)
        store.submit(Acknowledge((1, 2, 3, 4), T0)).result(10)
        # `last` of c still waits: that of b must not follow it.
        assert store.submit(RepeatSince(T0 - MINUTE, T0)).result(10) == 2
        with store.reader() as reader:
            assert [(m.id, m.retain) for m in reader.waiting()] == [("a", 0), ("b", 0), ("c", 0), ("c", 1)]
