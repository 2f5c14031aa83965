"""Delivery of results to a real broker: each once, in order, through every kind of fault."""

import asyncio
import json
import os
import signal
import socket
import time

import aiomqtt
import pytest

from daq.adapters.outbox import publisher as outbox
from daq.adapters.outbox.publisher import Publisher
from daq.adapters.store.outgoing.delivery import ReleaseRefused, SendAgain
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.core.errors import StoreError
from tests.support import sentences
from tests.support.processes.mosquitto import (
    PASSWORD,
    TOPICS,
    FixedClock,
    Mosquitto,
    eventually,
    fill,
    free_port,
    listening,
    needs_mosquitto,
    publishing,
)
from tests.support.runs.stored import T0

pytestmark = [needs_mosquitto, pytest.mark.asyncio]


def depth(store):
    with store.reader() as reader:
        return reader.outbox_depth()


async def test_results_arrive_once_in_order_with_the_committed_bytes(store, broker):
    names = [f"run-{i:03}" for i in range(60)]
    async with listening(broker.port) as historian:
        fill(store, names[:30])
        async with publishing(store, broker.settings()) as publisher:
            await historian.until(lambda: len(historian.runs()) >= 30)
            await asyncio.to_thread(fill, store, names[30:])
            publisher.wake()
            await historian.until(lambda: len(historian.runs()) >= 60)
            await eventually(lambda: publisher.state.delivered == 60)
            assert publisher.state.protocol == "5"
        assert historian.runs() == names
        assert [p["sequence"] for t, p, _ in historian.received if "/result/" in t] == list(range(1, 61))
    with store.reader() as reader:
        assert reader.outbox_depth().waiting == 0
        assert {m.state for name in names for m in reader.messages(name)} == {"acknowledged"}
        message = reader.messages("run-000")[0]
        assert message.topic == TOPICS.result("rotor-1") == "glazeworks/bench-1/lab/v1/result/rotor-1"
        stored = json.loads(message.payload)
        assert next(p for t, p, _ in historian.received if "/result/" in t) == stored


async def test_at_most_ten_are_on_their_way(store, broker):
    """The broker is stopped during the delivery: the messages it has received and not acknowledged are the window."""
    fill(store, [f"run-{i:03}" for i in range(40)])
    async with publishing(store, broker.settings()) as publisher:
        await eventually(lambda: publisher.state.delivered == 40)
        os.kill(broker.process.pid, signal.SIGSTOP)
        try:
            await asyncio.to_thread(fill, store, [f"late-{i:03}" for i in range(40)])
            publisher.wake()
            await eventually(lambda: publisher.state.in_flight == 10)
            await asyncio.sleep(0.3)  # time to send more, if the window allowed it
            assert publisher.state.in_flight == 10
            assert publisher.state.most_in_flight == 10
        finally:
            os.kill(broker.process.pid, signal.SIGCONT)
        await eventually(lambda: publisher.state.delivered == 80)


async def test_a_broker_that_allows_fewer_gets_fewer(tmp_path, store):
    folder = tmp_path / "strict"
    folder.mkdir()
    broker = Mosquitto(folder, extra="max_inflight_messages 3").start()
    try:
        fill(store, [f"run-{i:03}" for i in range(20)])
        async with publishing(store, broker.settings()) as publisher:
            await eventually(lambda: publisher.state.delivered == 20)
            assert publisher.state.most_in_flight <= 3
    finally:
        broker.stop()


async def test_a_broker_that_is_away_and_comes_back_gets_everything(store, broker):
    names = [f"run-{i:02}" for i in range(20)]
    fill(store, names[:5])
    async with publishing(store, broker.settings()) as publisher:
        await eventually(lambda: publisher.state.delivered == 5)
        broker.stop()
        await eventually(lambda: not publisher.state.connected)
        await asyncio.to_thread(fill, store, names[5:])
        publisher.wake()
        turns = publisher.state.turns
        await eventually(lambda: "no broker answers" in publisher.state.trouble and publisher.state.turns > turns)
        assert depth(store).waiting == 15
        broker.start()
        async with listening(broker.port) as historian:
            await eventually(lambda: publisher.state.delivered == 20)
            assert publisher.state.trouble == ""
            await eventually(lambda: depth(store).waiting == 0)
            assert historian.runs() == sorted(historian.runs())


@pytest.mark.slow
@pytest.mark.parametrize("trouble", [StoreError("the disk cannot be read now"), KeyError("a mistake of ours")])
@pytest.mark.parametrize(("holder", "name"), [(outbox, "refused_topics"), (outbox.Flight, "collect")])
async def test_an_unexpected_error_is_reported_and_the_publisher_starts_again(
    store, broker, monkeypatch, holder, name, trouble
):
    broken = True
    whole = getattr(holder, name)

    def breaks(*args):
        if broken:
            raise trouble
        return whole(*args)

    monkeypatch.setattr(holder, name, breaks)
    fill(store, ["run-1"])
    async with publishing(store, broker.settings()) as publisher:
        await eventually(lambda: trouble.args[0] in publisher.state.trouble)
        assert not publisher.state.delivered
        broken = False
        await eventually(lambda: publisher.state.delivered == 1 and not publisher.state.trouble)
    assert depth(store).waiting == 0


@pytest.mark.slow
async def test_killed_again_and_again_in_the_middle_nothing_is_lost_and_doubles_have_the_same_id(store, broker):
    """The historian's session and Mosquitto's store survive; messages without acknowledgement are sent again."""
    names = [f"run-{i:03}" for i in range(150)]
    settings = broker.settings()
    got = []

    async def read_until(condition):
        """Read from a persistent session, for which Mosquitto keeps messages during its absence."""
        client = aiomqtt.Client(
            "127.0.0.1", broker.port, username="historian", password=PASSWORD, identifier="tower", clean_session=False
        )
        async with client:
            await client.subscribe(TOPICS.prefix + "/result/#", qos=1)
            while not condition():
                message = await asyncio.wait_for(anext(client.messages), 20)
                got.append(json.loads(message.payload)["run"])

    await read_until(lambda: True)
    fill(store, names[:50])
    async with publishing(store, settings) as publisher:
        for cut in (50, 100, 150):
            await eventually(lambda done=publisher.state.delivered: publisher.state.delivered > done)
            broker.kill()
            if cut < 150:
                await asyncio.to_thread(fill, store, names[cut : cut + 50])
            broker.start()
            publisher.wake()
        await eventually(lambda: depth(store).waiting == 0)
        with store.reader() as reader:
            acknowledged = {m.id for name in names for m in reader.messages(name) if m.state == "acknowledged"}
        assert acknowledged == set(names)
    # A killed broker may lose acknowledged messages: the daemon repeats a stream on request.
    before = len(got)
    store.submit(SendAgain(stream="rotor-1", sequences=(1, 150), utc_ns=T0, who="m.keeper")).result(10)
    async with publishing(store, settings):
        await read_until(lambda: set(got) >= set(names))
    assert set(got) == set(names)
    assert len(got) >= before


@pytest.mark.slow
async def test_a_refused_message_is_seen_named_kept_and_does_not_hold_up_the_others(tmp_path, store):
    folder = tmp_path / "ruled"
    folder.mkdir()
    allowed = "user historian\ntopic read #\n\nuser daq\ntopic write glazeworks/bench-1/lab/v1/status\n"
    allowed += "topic write glazeworks/bench-1/lab/v1/result/rotor-2\n"
    broker = Mosquitto(folder, acl=allowed).start()
    try:
        fill(store, ["secret-1", "secret-2"], instrument="rotor-1")
        fill(store, ["open-1", "open-2"], instrument="rotor-2")
        async with listening(broker.port) as historian, publishing(store, broker.settings()) as publisher:
            await historian.until(lambda: len(historian.runs()) == 2)
            assert historian.runs() == ["open-1", "open-2"]
            await eventually(lambda: depth(store).refused == 2)
            with store.reader() as reader:
                kept = reader.refused()
            assert [m.id for m in kept] == ["secret-1", "secret-2"]
            assert {m.last_error for m in kept} == {"Not authorized (code 135)"}
            assert set(publisher.state.refused.values()) == {"Not authorized (code 135)"}
            await eventually(lambda: _attempts(store, "secret-1") >= 3)  # at growing intervals
            # The rule is changed at the broker; the daemon needs no action.
            (folder / "acl").write_text(allowed + "topic write glazeworks/bench-1/lab/v1/result/rotor-1\n")
            broker.process.send_signal(signal.SIGHUP)
            await historian.until(lambda: len(historian.runs()) == 4)
            await eventually(lambda: depth(store).refused == 0)
            assert publisher.state.refused == {}
    finally:
        broker.stop()


def refused_reasons(store):
    with store.reader() as reader:
        return " ".join(m.last_error for m in reader.refused())


def _attempts(store, result_id):
    with store.reader() as reader:
        return reader.messages(result_id)[0].attempts


async def test_messages_refused_before_a_restart_are_tried_again_after_it(tmp_path, store):
    folder = tmp_path / "ruled"
    folder.mkdir()
    acl = "user historian\ntopic read #\nuser daq\ntopic write glazeworks/bench-1/lab/v1/status\n"
    broker = Mosquitto(folder, acl=acl).start()
    try:
        fill(store, ["a"])
        async with publishing(store, broker.settings(retry_first_s=900, retry_most_s=900)):
            await eventually(lambda: depth(store).refused == 1)
        (folder / "acl").write_text("topic readwrite #\n" + acl.replace("status", "#"))
        broker.process.send_signal(signal.SIGHUP)
        async with listening(broker.port) as historian, publishing(store, broker.settings(retry_first_s=900)):
            await historian.until(lambda: historian.runs() == ["a"])
            await eventually(lambda: depth(store).refused == 0)
    finally:
        broker.stop()


async def test_status_and_will(store, broker):
    schema = TOPICS.schema("result", "1")
    async with listening(broker.port) as historian:

        def states():
            return [p["state"] + ":" + p.get("reason", "") for t, p, _ in historian.received if t == TOPICS.status()]

        about = {"software": {"daq": "0.1.0"}}
        options = {"about": about, "schemas": {schema: b'{"type":"object"}'}}
        async with publishing(store, broker.settings(), **options) as publisher:
            await historian.until(
                lambda: states() == ["online:"] and any(t == schema for t, _, _ in historian.received)
            )
            status = next(p for t, p, _ in historian.received if t == TOPICS.status())
            assert status["source"] == store.source
            assert status["epoch"] == 1
            assert status["mqtt"] == {"protocol": "5", "refusals_visible": True}
            assert status["software"] == about["software"]
            assert "note" not in status
            await eventually(lambda: publisher.state.connected)
            # The cable is pulled: there is no DISCONNECT.
            publisher._connection._client._client.socket().shutdown(socket.SHUT_RDWR)
            await historian.until(lambda: "offline:the connection was lost" in states())
            await historian.until(lambda: states()[-1] == "online:")
        await historian.until(lambda: states()[-1] == "offline:stopped")
    # A later subscriber still gets it.
    async with listening(broker.port) as late:
        await late.until(lambda: len(late.received) >= 2)
        retained = {t: (p, r) for t, p, r in late.received}
        assert retained[TOPICS.status()][0]["reason"] == "stopped"
        assert retained[schema] == ({"type": "object"}, True)


async def test_last_is_retained_and_result_is_not(store, broker):
    fill(store, ["a", "b"], last=True)
    async with publishing(store, broker.settings()) as publisher:
        await eventually(lambda: publisher.state.delivered == 4)
    async with listening(broker.port) as late:
        await late.until(lambda: any(t == TOPICS.last("rotor-1") for t, _, _ in late.received))
        assert [(p["run"], r) for t, p, r in late.received if t == TOPICS.last("rotor-1")] == [("b", True)]
        assert late.runs() == []


async def test_live_readings_go_out_when_connected_and_are_dropped_otherwise(store, broker):
    async with listening(broker.port) as historian:
        async with publishing(store, broker.settings()) as publisher:
            await eventually(lambda: publisher.state.connected)
            assert publisher.publish_live("rotor-1", b'{"torque":41.5}')
            await historian.until(lambda: (TOPICS.live("rotor-1"), {"torque": 41.5}, False) in historian.received)
        assert publisher.publish_live("rotor-1", b"{}") is False


async def test_live_readings_are_dropped_and_not_queued_while_the_network_does_not_keep_up(store, broker):
    async with publishing(store, broker.settings()) as publisher:
        await eventually(lambda: publisher.state.connected)
        os.kill(broker.process.pid, signal.SIGSTOP)
        try:
            # Far more than the buffers of a loopback connection (some megabytes).
            taken = [publisher.publish_live("rotor-1", b"x" * 100_000) for _ in range(600)]
        finally:
            os.kill(broker.process.pid, signal.SIGCONT)
        assert taken[0]
        assert not any(taken[-100:])
        # It sends again as soon as the network is ready.
        await eventually(lambda: publisher.publish_live("rotor-1", b"{}"))


async def test_a_wrong_password_is_reported_without_the_password(store, broker, capsys):
    fill(store, ["a"])
    settings = broker.settings(password="guessed-wrong")  # noqa: S106
    assert "guessed-wrong" not in repr(settings)
    async with publishing(store, settings) as publisher:
        await eventually(lambda: "refuses the connection" in publisher.state.trouble)
        assert "Not authorized" in publisher.state.trouble
        assert "guessed-wrong" not in publisher.state.trouble
        assert depth(store).waiting == 1
    assert "guessed-wrong" not in capsys.readouterr().out


@pytest.mark.slow
async def test_a_message_the_broker_hangs_up_on_does_not_hold_up_the_others_for_ever(tmp_path, store):
    """In MQTT 3.1.1 the only answer to a packet that is too large is the end of the connection."""
    folder = tmp_path / "narrow"
    folder.mkdir()
    broker = Mosquitto(folder, extra="max_packet_size 4000").start()
    from tests.support.runs.stored import begin, builder, conclude

    try:
        fill(store, ["a"])

        def bulky(sequence, head, digest):
            data, messages = builder("bulky", topics=[(TOPICS.result("rotor-1"), False)])(sequence, head, digest)
            from dataclasses import replace

            return data, [replace(m, payload=json.dumps({"run": "bulky", "x": "y" * 9000}).encode()) for m in messages]

        store.submit(begin("bulky")).result(10)
        store.submit(conclude("bulky", result_id="bulky", build=bulky)).result(10)
        fill(store, ["b", "c"])
        for protocol, reason in (
            ("3.1.1", "closed the connection each time"),
            ("5", sentences.LARGER_THAN_THE_BROKER_TAKES),
        ):
            # Messages stay in quarantine until a person sends them again.
            store.submit(ReleaseRefused(T0, "m.keeper")).result(10)
            settings = broker.settings(protocol=protocol, retry_first_s=900, retry_most_s=900)
            async with publishing(store, settings) as publisher:
                await eventually(lambda r=reason, p=publisher: r in refused_reasons(store))
                await eventually(lambda: depth(store).waiting == 0)
                assert depth(store).quarantined == 1
                assert publisher.state.quarantined == 1
    finally:
        broker.stop()


async def test_a_broker_that_falls_silent_is_left_after_the_time_out(store, broker):
    fill(store, ["a"])
    async with publishing(store, broker.settings(timeout_s=0.5)) as publisher:
        await eventually(lambda: publisher.state.delivered == 1)
        os.kill(broker.process.pid, signal.SIGSTOP)
        try:
            await asyncio.to_thread(fill, store, ["b"])
            publisher.wake()
            await eventually(lambda: not publisher.state.connected)
            assert depth(store).waiting == 1
        finally:
            os.kill(broker.process.pid, signal.SIGCONT)
        await eventually(lambda: publisher.state.delivered == 2)


@pytest.mark.slow
async def test_acknowledgements_that_cannot_be_stored_are_not_sent_twice_meanwhile(store, broker):
    fill(store, [f"run-{i}" for i in range(5)])
    store._connection.execute("PRAGMA query_only = ON")  # the disk accepts no data
    async with listening(broker.port) as historian, publishing(store, broker.settings()) as publisher:
        await historian.until(lambda: len(historian.runs()) == 5)
        await eventually(lambda: "cannot be stored" in publisher.state.trouble)
        await asyncio.sleep(0.3)
        assert len(historian.runs()) == 5
        assert depth(store).waiting == 5
        store._connection.execute("PRAGMA query_only = OFF")
        publisher.wake()
        await eventually(lambda: depth(store).waiting == 0)
        assert len(historian.runs()) == 5
        await eventually(lambda: publisher.state.trouble == "")


async def test_without_a_broker_the_publisher_ends_at_once_on_stop(tmp_path, store):
    settings = Mosquitto(tmp_path, port=free_port()).settings(backoff_first_s=60.0)
    async with publishing(store, settings) as publisher:
        await eventually(lambda: "check host, port, TLS and the network" in publisher.state.trouble)
        started = asyncio.get_running_loop().time()
    assert asyncio.get_running_loop().time() - started < 2


@pytest.mark.slow
async def test_cancelled_at_any_moment_it_ends_and_leaves_nothing_behind(store, broker):
    """Cancelled after any number of turns of the event loop: while connecting, publishing the birth, sending, marking."""
    fill(store, [f"run-{i:03}" for i in range(30)])
    for turns in [*range(60), *range(60, 240, 9)]:
        task = asyncio.create_task(Publisher(store, broker.settings(), FixedClock(), topics=TOPICS, seed=1).run())
        for _ in range(turns):
            await asyncio.sleep(0.0005)
        task.cancel()
        done, _ = await asyncio.wait([task], timeout=10)
        assert done, f"cancelled after {turns} turns it goes on"
        assert task.cancelled(), turns
        assert asyncio.all_tasks() == {asyncio.current_task()}, turns


async def test_a_second_process_start_goes_on_where_the_first_was_killed(tmp_path, store, broker):
    """Acknowledged messages stay so; the next publisher sends the others."""
    fill(store, [f"run-{i}" for i in range(10)])
    async with publishing(store, broker.settings()) as publisher:
        await eventually(lambda: publisher.state.delivered > 0)
    store.close()
    with Store(store.path) as again:
        fill(again, ["later"])
        async with publishing(again, broker.settings()) as publisher:
            await eventually(lambda: depth(again).waiting == 0)


@pytest.mark.slow
async def test_messages_acknowledged_during_a_read_of_the_outbox_are_not_sent_twice(store, broker, monkeypatch):
    """A read of the outbox that started before the marks were written still shows the messages as waiting."""
    look = Reader.waiting

    def slow_look(self, **options):
        found = look(self, **options)
        time.sleep(0.2)
        return found

    monkeypatch.setattr(Reader, "waiting", slow_look)
    async with listening(broker.port) as historian, publishing(store, broker.settings()) as publisher:
        for n in range(5):
            await asyncio.to_thread(fill, store, [f"run-{n}-{i}" for i in range(4)])
            for _ in range(15):
                publisher.wake()
                await asyncio.sleep(0.02)
        await eventually(lambda: depth(store).waiting == 0)
        await asyncio.sleep(0.3)
        assert publisher.state.delivered == 20
        assert len(historian.runs()) == 20
