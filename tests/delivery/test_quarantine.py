"""Refused messages: kept, named, tried again at the right rate; in quarantine where refused for good."""

import asyncio
import json
import random
import signal
from dataclasses import replace

import pytest

from daq.adapters.outbox.refused import RefusedTopics
from daq.adapters.store.checks import check_outbox
from daq.adapters.store.outgoing.delivery import Acknowledge, Refused, ReleaseRefused, ReleaseTopic
from daq.adapters.store.outgoing.outbox_reading import quarantined, refused_topics
from daq.adapters.store.store import Store
from tests.delivery.parts import delivering, depth, states
from tests.support import sentences
from tests.support.processes.mosquitto import TOPICS, Mosquitto, eventually, fill, listening, needs_mosquitto
from tests.support.runs.stored import T0, begin, builder, conclude, register

DENIED = "user historian\ntopic readwrite #\n\nuser daq\ntopic write glazeworks/bench-1/lab/v1/status\n"
ALLOWED = DENIED + "topic readwrite #\n"


def fill_bulky(store, name, size):
    """Commit a result with a message that is `size` bytes longer than others."""

    def build(sequence, head, digest):
        data, messages = builder(name, topics=[(TOPICS.result("rotor-1"), False)])(sequence, head, digest)
        content = json.dumps({"run": name, "x": "y" * size}).encode()
        return data, [replace(m, payload=content) for m in messages]

    store.submit(register()).result(10)
    store.submit(begin(name)).result(10)
    store.submit(conclude(name, result_id=name, build=build)).result(10)


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_messages_too_large_for_the_broker_wait_in_quarantine_until_a_person_sends_them(tmp_path, clock):
    folder = tmp_path / "narrow"
    folder.mkdir()
    broker = Mosquitto(folder, extra="max_packet_size 4000").start()
    path = tmp_path / "daq.sqlite"
    try:
        with Store(path, utc_ns=T0) as store:
            fill(store, ["a"])
            fill_bulky(store, "bulky", 9000)
            fill(store, ["b"])
            clock.pass_s(30)
            async with delivering(store, broker.settings(), clock) as publisher:
                await eventually(lambda: depth(store).quarantined == 1)
                await eventually(lambda: depth(store).waiting == 0)
                assert (publisher.state.refusals, publisher.state.quarantined, publisher.state.refused) == (1, 1, {})
                await asyncio.sleep(1.0)  # several times the interval of a retry
                assert publisher.state.refusals == 1
        with Store(path) as store:  # a restart changes nothing
            async with delivering(store, broker.settings(), clock) as publisher:
                await eventually(lambda: publisher.state.connected)
                await asyncio.sleep(0.5)
                assert publisher.state.refusals == 0
                with store.reader() as reader:
                    (kept,) = quarantined(reader)
                    finding = check_outbox(reader, utc_ns=T0)
                assert (kept.id, kept.attempts, kept.refused_utc_ns) == ("bulky", 1, T0 + 30 * 10**9)
                assert sentences.LARGER_THAN_THE_BROKER_TAKES in kept.last_error
                assert not finding.ok
                assert "1 are in quarantine" in finding.say
                assert "daq resend --refused" in finding.do
            broker.stop()
            broker.extra = ""
            broker.start()
            async with listening(broker.port) as historian, delivering(store, broker.settings(), clock) as publisher:
                await eventually(lambda: publisher.state.connected)
                assert store.submit(ReleaseRefused(T0, "m.keeper")).result(10) == 1
                publisher.wake()
                await historian.until(lambda: historian.runs() == ["bulky"])
                await eventually(lambda: states(store) == dict.fromkeys(("a", "bulky", "b"), "acknowledged"))
    finally:
        broker.stop()


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_a_forbidden_topic_costs_one_try_now_and_then_and_all_go_out_in_order_when_it_is_allowed(
    tmp_path, store, clock
):
    folder = tmp_path / "ruled"
    folder.mkdir()
    broker = Mosquitto(folder, acl=DENIED).start()
    names = [f"run-{i:02}" for i in range(40)]
    fill(store, names, last=True)
    try:
        settings = broker.settings(retry_first_s=0.4, retry_most_s=0.4)
        async with listening(broker.port) as historian, delivering(store, settings, clock) as publisher:
            await eventually(lambda: depth(store).refused == 80)
            before = publisher.state.refusals
            assert before >= 80
            assert set(publisher.state.refused) == {TOPICS.result("rotor-1"), TOPICS.last("rotor-1")}
            await asyncio.sleep(1.0)
            # Two topics, each tried every 0.2 to 0.4 s: not eighty messages.
            assert publisher.state.refusals - before <= 14
            with store.reader() as reader:
                topics = {t.topic: t for t in refused_topics(reader)}
            assert topics[TOPICS.result("rotor-1")].messages == 40
            assert topics[TOPICS.result("rotor-1")].reason == "Not authorized (code 135)"
            (folder / "acl").write_text(ALLOWED)
            broker.process.send_signal(signal.SIGHUP)
            await eventually(lambda: depth(store).refused == 0 and depth(store).waiting == 0)
            await historian.until(lambda: len(historian.runs()) == 40)
            first, *rest = historian.runs()  # the first is the attempt that was accepted
            assert sorted(rest) == rest
            assert {first, *rest} == set(names)
            assert publisher.state.refused == {}
        async with listening(broker.port, topic=TOPICS.last_of_all()) as late:
            await late.until(lambda: late.received)
            assert late.received[0][1]["run"] == names[-1]
        with store.reader() as reader:
            shown = reader.outbox("m.retain ORDER BY d.seq", [], -1)
        # Messages older than an accepted retained one were not sent after it.
        assert [m.acknowledged_utc_ns for m in shown] == [None] * 39 + [T0]
        assert {m.state for m in shown} == {"acknowledged"}
    finally:
        broker.stop()


def test_an_accepted_topic_releases_its_refused_messages_and_not_those_in_quarantine(store):
    fill(store, ["a", "b", "c"])
    store.submit(Refused(1, "Not authorized (code 135)", T0)).result(10)
    store.submit(Refused(2, "Payload format invalid (code 153)", T0, for_good=True)).result(10)
    store.submit(Acknowledge((3,), T0)).result(10)
    assert store.submit(ReleaseTopic(TOPICS.result("rotor-1"), 3)).result(10) == 1
    assert states(store) == {"a": "waiting", "b": "refused", "c": "acknowledged"}


def test_a_topic_is_tried_less_and_less_often():
    topics = RefusedTopics(60.0, 3600.0, random.Random(1))
    tries, now = [], 0.0
    topics.refused("t", now)
    while now < 20 * 3600:
        now += topics.wait_s(now)
        assert topics.due(now) == "t"
        topics.refused("t", now)  # refused again: the next attempt is no earlier
        tries.append(now)
    waits = [b - a for a, b in zip([0.0, *tries], tries, strict=False)]
    assert 30 <= waits[0] <= 60
    assert all(g <= 3600 for g in waits)
    assert min(waits[8:]) >= 1800
    assert len(tries) < 50
    topics.taken("t")
    assert topics.due(now + 10**6) is None
    assert topics.wait_s(now) == float("inf")


def test_one_topic_that_is_due_does_not_hide_another():
    topics = RefusedTopics(1.0, 1.0, random.Random(1))
    for name in ("a", "b"):
        topics.at_once(name, 0.0)
    assert {topics.due(0.0), topics.due(0.0)} == {"a", "b"}
    assert topics.due(0.0) is None
