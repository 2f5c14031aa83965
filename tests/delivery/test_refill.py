"""Consumers ask for results again: granted requests, refused requests, and the repeated results."""

import asyncio
import json

import pytest

from daq.adapters.outbox.answers import NotGranted
from daq.adapters.store.backup import backup, restore
from daq.adapters.store.outgoing.delivery import SendAgain
from daq.adapters.store.store import Store
from daq.app.delivery.refill import MOST_IN_SPAN, MOST_RESULTS, NotGrantedError, Refill, read_request
from tests.delivery.parts import HandClock, ask, ask_raw, delivering, depth
from tests.support.processes.mosquitto import TOPICS, eventually, fill, listening, needs_mosquitto
from tests.support.runs.stored import T0

UUID = "0d3b6a5e-4a0b-4a39-9a52-3f2b6d1a7c11"
SOURCE = f"urn:uuid:{UUID}#2"
GOOD = {"source": SOURCE, "stream": "bench-1", "first": 12, "last": 15}


def judge(refill, **changes):
    return refill(json.dumps({**GOOD, **changes}).encode())


@pytest.fixture
def refill(clock):
    return Refill(UUID, 2, clock.utc_ns, clock.mono_ns)


def test_a_request_names_results_of_a_stream(refill):
    wanted = judge(refill)
    assert (wanted.stream, wanted.epoch, wanted.sequences) == ("bench-1", 2, (12, 15))
    assert wanted.who is None
    assert refill.granted == 1


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 2000, "not JSON"),
        (b" " * 3000, "longer than 2048 bytes"),
        (b"[1]", "no JSON object"),
        (b'{"source":1}', "no JSON object"),
        (json.dumps({**GOOD, "move": True}).encode(), "no JSON object"),
        (json.dumps({**GOOD, "source": 7}).encode(), "not urn:uuid"),
        (json.dumps({**GOOD, "source": SOURCE.upper()}).encode(), "not urn:uuid"),
        (json.dumps({**GOOD, "source": f"urn:uuid:{UUID}#0"}).encode(), "not urn:uuid"),
        (json.dumps({**GOOD, "stream": ""}).encode(), "stream is no name"),
        (json.dumps({**GOOD, "stream": 3}).encode(), "stream is no name"),
        (json.dumps({**GOOD, "stream": "a\x00b"}).encode(), "stream is no name"),
        (b'{"source":"' + SOURCE.encode() + b'","stream":"\\ud800","first":1,"last":2}', "stream is no name"),
        (json.dumps({**GOOD, "first": 0}).encode(), "whole numbers"),
        (json.dumps({**GOOD, "first": 16}).encode(), "whole numbers"),
        (json.dumps({**GOOD, "first": True}).encode(), "whole numbers"),
        (json.dumps({**GOOD, "last": 1.5e1}).encode(), "whole numbers"),
        (json.dumps({**GOOD, "last": 10**30}).encode(), "whole numbers"),
        (json.dumps({**GOOD, "last": "15"}).encode(), "whole numbers"),
    ],
)
def test_invalid_requests_are_counted_and_named(refill, payload, reason):
    with pytest.raises(NotGrantedError, match=reason):
        read_request(payload)
    assert refill(payload) == NotGranted(next(iter(refill.refused)))
    assert refill.granted == 0
    (counted,) = refill.refused
    assert reason in counted


def test_other_databases_and_later_epochs_are_not_ours(refill):
    assert isinstance(judge(refill, source=SOURCE.replace("0d3b", "0d3c")), NotGranted)
    assert isinstance(judge(refill, source=f"urn:uuid:{UUID}#3"), NotGranted)
    assert set(refill.refused) == {"the source is another database", "the source is an epoch that has not started yet"}
    assert judge(refill, source=f"urn:uuid:{UUID}#1").epoch == 1


def test_a_stream_is_answered_once_in_five_seconds(refill, clock):
    assert isinstance(judge(refill), SendAgain)
    clock.pass_s(4.9)
    assert isinstance(judge(refill), NotGranted)
    assert isinstance(judge(refill, stream="bench-2"), SendAgain)
    clock.pass_s(0.1)
    assert isinstance(judge(refill), SendAgain)
    assert sum(refill.refused.values()) == 1


def test_many_streams_together_are_answered_so_often(refill, clock):
    granted = [judge(refill, stream=f"bench-{n}") for n in range(1000)]
    assert sum(isinstance(wanted, SendAgain) for wanted in granted) == MOST_IN_SPAN
    assert len(refill._last) == MOST_IN_SPAN  # no memory grows with the number of requests
    assert len(refill.refused) == 1
    clock.pass_s(5.0)
    assert isinstance(judge(refill, stream="bench-999"), SendAgain)


def test_the_log_names_a_reason_once_a_minute(refill, clock, capsys):
    for _ in range(50):
        refill(b"nonsense")
    assert capsys.readouterr().out.count("not granted") == 1
    clock.pass_s(61)
    refill(b"nonsense")
    assert "so_far=51" in capsys.readouterr().out


# ---- with a broker


@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_requested_results_are_repeated_with_the_same_bytes_and_last_is_unchanged(store, broker, clock, protocol):
    names = [f"run-{i:02}" for i in range(10)]
    fill(store, names, last=True)
    async with delivering(store, broker.settings(protocol=protocol), clock) as publisher:
        await eventually(lambda: publisher.state.delivered == 20 and depth(store).waiting == 0)
        async with listening(broker.port, topic=TOPICS.prefix + "/+/rotor-1") as historian:
            await ask(broker.port, source=store.source, stream="rotor-1", first=4, last=6)
            await historian.until(lambda: len(historian.runs()) == 3)
            await eventually(lambda: depth(store).waiting == 0)
            assert historian.runs() == names[3:6]
            assert [t for t, _, retained in historian.received if "/last/" in t and not retained] == []
            with store.reader() as reader:
                for topic, payload, _ in historian.received:
                    if "/result/" in topic:
                        assert json.loads(reader.messages(payload["run"])[0].payload) == payload
        assert publisher.state.repeated == 3
    with store.reader() as reader:
        assert [e.what for e in reader.audit() if e.what == "messages_sent_again"] == []


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_a_flood_of_requests_is_counted_and_nothing_else_happens(store, broker, clock):
    fill(store, [f"run-{i:02}" for i in range(5)])
    async with delivering(store, broker.settings(), clock) as publisher:
        await eventually(lambda: publisher.state.delivered == 5)
        async with listening(broker.port, topic=TOPICS.prefix + "/result/+") as historian:
            good = json.dumps({"source": store.source, "stream": "rotor-1", "first": 1, "last": 5}).encode()
            await ask_raw(broker.port, *([b"junk"] * 300), *([good] * 300))
            await eventually(lambda: publisher.state.requests == 600)
            await historian.until(lambda: len(historian.runs()) >= 5)
            fill_later = asyncio.to_thread(fill, store, ["after"])
            await fill_later
            publisher.wake()
            await historian.until(lambda: "after" in historian.runs())
            assert len(historian.runs()) == 6
        assert publisher.state.connected


@needs_mosquitto
@pytest.mark.asyncio
async def test_a_request_that_the_broker_retained_is_not_answered_with_every_connection(store, broker, clock):
    fill(store, ["a"])
    good = json.dumps({"source": store.source, "stream": "rotor-1", "first": 1, "last": 1}).encode()
    await ask_raw(broker.port, good, retain=True)
    async with delivering(store, broker.settings(), clock) as publisher:
        await eventually(lambda: publisher.state.delivered == 1)
        await asyncio.sleep(0.3)
        assert publisher.state.requests == 0
        assert publisher.state.repeated == 0


@pytest.mark.slow
def test_one_request_gives_five_hundred_results_at_most(store):
    fill(store, [f"run-{i:03}" for i in range(520)])
    from daq.adapters.store.outgoing.delivery import Acknowledge

    store.submit(Acknowledge(tuple(range(1, 521)), T0)).result(10)
    clock = HandClock()
    wanted = Refill(store.uuid, 1, clock.utc_ns, clock.mono_ns)(
        json.dumps({"source": store.source, "stream": "rotor-1", "first": 1, "last": 520}).encode()
    )
    assert store.submit(wanted).result(10) == MOST_RESULTS
    with store.reader() as reader:
        assert [m.sequence for m in reader.waiting(limit=1000)] == list(range(1, 501))


@pytest.mark.slow
@needs_mosquitto
@pytest.mark.asyncio
async def test_after_a_restore_numbers_begin_anew_and_results_of_the_former_epoch_can_be_asked_for(
    tmp_path, store, broker, clock
):
    """A copy is made while one message waits; the lost database has delivered it, and newer ones."""
    fill(store, ["old-1", "old-2"], last=True)
    async with delivering(store, broker.settings(), clock) as publisher:
        await eventually(lambda: publisher.state.delivered == 4 and depth(store).waiting == 0)
    await asyncio.to_thread(fill, store, ["old-3"], last=True)
    former = store.source
    backup(store.path, tmp_path / "copy.sqlite")
    await asyncio.to_thread(fill, store, ["lost-4"], last=True)
    async with delivering(store, broker.settings(), clock) as publisher:
        await eventually(lambda: publisher.state.delivered == 4)
    store.close()
    (tmp_path / "lost").mkdir()
    for suffix in ("", "-wal", "-shm"):
        if (file := tmp_path / f"daq.sqlite{suffix}").exists():
            file.rename(tmp_path / "lost" / file.name)
    restore(tmp_path / "copy.sqlite", tmp_path / "daq.sqlite", utc_ns=T0 + 5, who="m.keeper")
    with Store(tmp_path / "daq.sqlite") as again:
        assert again.source == f"urn:uuid:{store.uuid}#2"
        async with listening(broker.port) as historian, delivering(again, broker.settings(), clock) as publisher:
            # The message waiting in the copy is sent unchanged; the retained `last` is newer and stays.
            await historian.until(lambda: historian.runs() == ["old-3"])
            await eventually(lambda: depth(again).waiting == 0)
            await asyncio.to_thread(fill, again, ["new-1"])
            publisher.wake()
            await historian.until(lambda: historian.runs() == ["old-3", "new-1"])
            assert [p["sequence"] for t, p, _ in historian.received if "/result/" in t] == [3, 1]
            for source, first, last, expected in (
                (former, 1, 4, ["old-1", "old-2", "old-3"]),
                (again.source, 1, 9, []),
            ):
                clock.pass_s(6)
                before = len(historian.runs())
                await ask(broker.port, source=source, stream="rotor-1", first=first, last=last)
                wanted = expected or ["new-1"]
                await historian.until(lambda b=before, w=wanted: len(historian.runs()) >= b + len(w))
                await asyncio.sleep(0.3)  # time for more to arrive
                assert historian.runs()[before:] == wanted
            await eventually(lambda: depth(again).waiting == 0)
        async with listening(broker.port, topic=TOPICS.last("rotor-1")) as late:
            await late.until(lambda: late.received)
            assert late.received[0][1]["run"] == "lost-4"
