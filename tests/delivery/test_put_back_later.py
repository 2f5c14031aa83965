"""A message about stored results that arrives during a connection shows a database that was put back, as one at its beginning."""

import asyncio
import contextlib
import itertools
import random

import aiomqtt
import pytest
from structlog.testing import capture_logs

from daq.adapters.outbox.put_back import HIGHEST, LARGEST, MOST_EPOCHS_AHEAD
from daq.adapters.store.epochs import StartEpoch, last_epoch_start
from daq.adapters.store.store import Store
from tests.delivery.parts import STREAM, a_result, delivering, depth, measure, stored
from tests.support.processes.mosquitto import PASSWORD, TOPICS, eventually, listening, needs_mosquitto
from tests.support.runs.stored import T0, put_back

pytestmark = [needs_mosquitto, pytest.mark.asyncio]

OTHER = "00000000-7dec-41d0-a765-00a0c91e6bf6"
EPOCH, LAST = 2, 3
"""Epoch of the database of these tests, and the number of its last result."""
NUMBERS = (0, LAST - 1, LAST, LAST + 1, HIGHEST)
EPOCHS = (1, EPOCH, EPOCH + 1, EPOCH + MOST_EPOCHS_AHEAD, EPOCH + MOST_EPOCHS_AHEAD + 1)
CASES = list(itertools.product(("own", "other"), EPOCHS, NUMBERS, (True, False)))
"""Source, epoch, number, and whether the database has the id."""


def is_sign(owner, epoch, number, is_known):
    if owner != "own" or not 0 < number < HIGHEST or epoch > EPOCH + MOST_EPOCHS_AHEAD:
        return False
    return epoch > EPOCH or (epoch == EPOCH and (number > LAST or not is_known))


SIGNS = [case for case in CASES if is_sign(*case)]
HARMLESS = [case for case in CASES if not is_sign(*case)]


def announcement(store, measured, case):
    owner, epoch, number, is_known = case
    source = f"urn:uuid:{store.uuid if owner == 'own' else OTHER}#{epoch}"
    return stored(source, number, measured[0][2] if is_known else a_result("lost"))


@contextlib.asynccontextmanager
async def collecting(broker):
    """Yield a function that publishes a message about stored results, as a collector does."""
    async with aiomqtt.Client("127.0.0.1", broker.port, username="historian", password=PASSWORD) as client:

        async def announce(payload, *, stream=STREAM, retain=True):
            await client.publish(TOPICS.collected(stream), payload, qos=1, retain=retain)

        yield announce


@contextlib.contextmanager
def filled(path):
    """Yield a store in epoch `EPOCH` with `LAST` results, and these."""
    with Store(path, utc_ns=T0) as store:
        store.submit(StartEpoch(reason="restored", least=EPOCH, utc_ns=T0)).result(10)
        yield store, measure(store, [f"run-{n}" for n in range(LAST)])


def put_back_lines(logs):
    return [e for e in logs if "was put back" in e["event"]]


@pytest.mark.parametrize("case", SIGNS, ids=str)
@pytest.mark.parametrize("retain", [True, False])
async def test_a_sign_that_arrives_later_starts_an_epoch_once(tmp_path, broker, clock, case, retain):
    with capture_logs() as logs, filled(tmp_path / "daq.db") as (store, measured):
        async with (
            collecting(broker) as announce,
            listening(broker.port, topic=f"{TOPICS.prefix}/#") as historian,
            delivering(store, broker.settings(), clock) as publisher,
        ):
            await eventually(lambda: publisher.state.connected and depth(store).waiting == 0)
            await announce(announcement(store, measured, case), retain=retain)
            expected = case[1] + 1
            await eventually(lambda: store.epoch == expected)
            ((source, number, result),) = await asyncio.to_thread(measure, store, ["new"])
            publisher.wake()
            await eventually(lambda: publisher.state.connected and depth(store).waiting == 0)
            assert (source.partition("#")[2], number) == (str(expected), 1)
            await historian.until(lambda: result in [p.get("id") for t, p, _ in historian.received if "/result/" in t])
            await historian.until(
                lambda: source in [p["source"] for t, p, _ in historian.received if t == TOPICS.status()]
            )
            # The message is still there, and is older than the new epoch now.
            await announce(announcement(store, measured, case), retain=retain)
            await asyncio.sleep(0.2)
            assert store.epoch == expected
        with store.reader() as reader:
            assert TOPICS.collected(STREAM) in last_epoch_start(reader).reason
    assert [e["log_level"] for e in put_back_lines(logs)] == ["error"]


@pytest.mark.slow
async def test_no_other_message_starts_an_epoch_or_ends_the_connection(tmp_path, broker, clock):
    forged = [b"", b"[" * 5000, b"[3]", b"\xff", b"[" + b" " * LARGEST + b"]", stored(f"urn:uuid:{OTHER}#2", 4, "x")]
    with capture_logs() as logs, filled(tmp_path / "daq.db") as (store, measured):
        payloads = [announcement(store, measured, case) for case in HARMLESS] + forged * 2
        random.Random(7).shuffle(payloads)
        async with collecting(broker) as announce, delivering(store, broker.settings(), clock) as publisher:
            await eventually(lambda: publisher.state.connected and depth(store).waiting == 0)
            connection = publisher._connection
            for payload in payloads:
                await announce(payload)
                await asyncio.sleep(0.01)
            (last,) = await asyncio.to_thread(measure, store, ["more"])
            publisher.wake()
            await eventually(lambda: depth(store).waiting == 0)
            assert (store.epoch, last[1]) == (EPOCH, LAST + 1)
            assert publisher._connection is connection
            # The last number is known as soon as its result is stored.
            await announce(stored(*last))
            await asyncio.sleep(0.2)
            warned = [(e["topic"], e["reason"]) for e in logs if e["log_level"] == "warning" and "topic" in e]
            assert (store.epoch, len(warned)) == (EPOCH, len(set(warned)))
            assert warned
            await announce(stored(last[0], last[1] + 1, a_result("lost")), stream="rotor-2")
            await announce(stored(last[0], last[1] + 1, a_result("lost")))
            await eventually(lambda: store.epoch == EPOCH + 1)
    assert len(put_back_lines(logs)) == 1


@pytest.mark.slow
@pytest.mark.parametrize(("copied_after", "lost", "between"), list(itertools.product((0, 2), (1, 3), (0, 1, 4))))
async def test_a_snapshot_put_back_below_the_connection_is_noticed_when_the_collector_speaks(
    tmp_path, broker, clock, copied_after, lost, between
):
    path, copy = tmp_path / "daq.db", tmp_path / "copy.db"
    with capture_logs() as logs:
        async with (
            collecting(broker) as announce,
            listening(broker.port, topic=f"{TOPICS.prefix}/#") as historian,
        ):
            with Store(path, utc_ns=T0) as store:
                async with delivering(store, broker.settings(), clock) as publisher:
                    await eventually(lambda: publisher.state.connected)

                    async def deliver(*names):
                        measured = await asyncio.to_thread(measure, store, names)
                        publisher.wake()
                        await eventually(lambda: publisher.state.connected and depth(store).waiting == 0)
                        return measured

                    await deliver(*(f"run-{n}" for n in range(copied_after)))
                    put_back(copy, path)
                    gone = await deliver(*(f"lost-{n}" for n in range(lost)))
                    put_back(path, copy)
                    early = await deliver(*(f"between-{n}" for n in range(between)))
                    assert store.epoch == 1
                    await announce(stored(*gone[-1]))
                    await eventually(lambda: store.epoch == 2)
                    sent = await deliver("new-0", "new-1")
                await historian.until(
                    lambda: (
                        {r for *_, r in (*gone, *early, *sent)}
                        <= {p.get("id") for t, p, _ in historian.received if "/result/" in t}
                    )
                )
    assert [(source[-2:], number) for source, number, _ in sent] == [("#2", 1), ("#2", 2)]
    assert len(put_back_lines(logs)) == 1
