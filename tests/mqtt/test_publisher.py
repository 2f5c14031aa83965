"""Results on their way to a real broker."""

import asyncio

import pytest

from tests.mqtt.parts import TOPICS, eventually, fill, listening, needs_mosquitto, publishing

pytestmark = [needs_mosquitto, pytest.mark.asyncio]


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
            assert publisher.state.most_in_flight <= 10
        assert historian.runs() == names
        assert [p["sequence"] for t, p, _ in historian.received if "/result/" in t] == list(range(1, 61))
    with store.reader() as reader:
        assert reader.outbox_depth().waiting == 0
        assert {m.state for name in names for m in reader.messages(name)} == {"acknowledged"}
        assert (
            reader.messages("run-000")[0].topic
            == TOPICS.result("rotor-1")
            == "glazeworks/bench-1/lab/v1/result/rotor-1"
        )
