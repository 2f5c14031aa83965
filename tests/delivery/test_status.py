"""Status of a bench: birth, changes at a limited rate, sequence numbers, instruments, will."""

import asyncio

import pytest

from daq.adapters.outbox.status import Status
from tests.delivery.parts import delivering
from tests.support.processes.mosquitto import TOPICS, eventually, fill, listening, needs_mosquitto

VERSIONS = {"versions": {"daq": "0.1.0"}}


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_sequences_and_instruments_are_published_and_published_again_when_they_change(store, broker, clock):
    states = {"rotor-1": "connecting"}
    fill(store, ["a", "b"])
    settings = broker.settings(status_every_s=0.3)
    async with listening(broker.port, topic=TOPICS.status()) as historian:
        statuses = historian.received
        options = {"about": VERSIONS, "bench": lambda: {"instruments": states}}
        async with delivering(store, settings, clock, **options) as publisher:
            await historian.until(lambda: len(statuses) == 1)
            birth = statuses[0][1]
            assert birth["state"] == "online"
            assert birth["source"] == store.source
            assert birth["sequences"] == {"rotor-1": 2}
            assert birth["instruments"] == {"rotor-1": "connecting"}
            assert birth["versions"] == {"daq": "0.1.0"}
            await asyncio.to_thread(fill, store, ["c"])
            await asyncio.to_thread(fill, store, ["d"], instrument="rotor-2")
            states["rotor-1"] = "ready"
            publisher.wake()
            await historian.until(
                lambda: (
                    statuses[-1][1]["sequences"] == {"rotor-1": 3, "rotor-2": 1}
                    and statuses[-1][1]["instruments"] == {"rotor-1": "ready"}
                )
            )
            count = len(statuses)
            await asyncio.sleep(1.0)
            assert len(statuses) == count  # nothing changed, nothing is published
        await historian.until(lambda: statuses[-1][1]["state"] == "offline")
        assert statuses[-1][1]["sequences"] == {"rotor-1": 3, "rotor-2": 1}


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_however_fast_things_change_status_goes_out_now_and_then(store, broker, clock):
    states = {"rotor-1": "0"}
    settings = broker.settings(status_every_s=0.5)
    async with (
        listening(broker.port, topic=TOPICS.status()) as historian,
        delivering(store, settings, clock, bench=lambda: {"instruments": states}) as publisher,
    ):
        await eventually(lambda: publisher.state.connected)
        loop = asyncio.get_running_loop()
        began = loop.time()
        for n in range(100):
            states["rotor-1"] = str(n)
            publisher.wake()
            await asyncio.sleep(0.01)
        await historian.until(lambda: historian.received[-1][1]["instruments"] == {"rotor-1": "99"})
        assert len(historian.received) <= 3 + (loop.time() - began) / 0.5


@needs_mosquitto
@pytest.mark.asyncio
async def test_the_offline_status_names_the_last_result_though_a_status_was_just_published(store, broker, clock):
    settings = broker.settings(status_every_s=3600)
    async with listening(broker.port, topic=TOPICS.status()) as historian:
        async with delivering(store, settings, clock, bench=lambda: {"instruments": {"rotor-1": "ready"}}) as publisher:
            await eventually(lambda: publisher.state.connected)
            await asyncio.to_thread(fill, store, ["a"])
            publisher.wake()
            await eventually(lambda: publisher.state.delivered == 1)
        await historian.until(lambda: historian.received and historian.received[-1][1]["state"] == "offline")
    first, last = historian.received[0][1], historian.received[-1][1]
    assert (first["sequences"], first["instruments"]) == ({}, {"rotor-1": "ready"})
    assert last["sequences"] == {"rotor-1": 1}
    assert "instruments" not in last


def test_a_status_has_changed_only_where_its_content_has():
    status = Status("t/status", "urn:uuid:x#1", 1, VERSIONS)
    assert status.changed("5")
    status.payload("online", "5", 0)
    assert not status.changed("5")
    status.sequences = {"rotor-1": 1}
    assert status.changed("5")
    wills = status.wills(0)
    assert b'"offline"' in wills["5"].payload
    assert b"refuse a message visibly" in wills["3.1.1"].payload
    assert status.changed("5")  # a will is not published yet
