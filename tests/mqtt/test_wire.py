"""Seen from the other end of the wire: what is sent, counted by a listener that speaks just enough MQTT 5.

Packet layout: OASIS MQTT 5, sections 2.1 (fixed header), 3.2 (CONNACK) 3.4 (PUBACK), 3.9 (SUBACK)
and 3.11 (UNSUBACK).
"""

import asyncio
import contextlib
import gc

import pytest

from daq.adapters.mqtt.client import BrokerDownError
from daq.adapters.mqtt.connection import Will, connect
from daq.core.errors import DaqError
from tests.support.processes.mosquitto import PASSWORD, eventually, fill, publishing
from tests.support.processes.mqtt_listener import CONNACK, Listener

pytestmark = pytest.mark.asyncio


@pytest.mark.parametrize(("properties", "window"), [(b"", 10), (b"\x21\x00\x04", 4), (b"\x21\x00\x64", 10)])
async def test_the_window_is_ten_or_what_the_broker_allows(store, properties, window):
    """Property 0x21 is the Receive Maximum (section 3.2.2.3.3)."""
    fill(store, [f"run-{i:02}" for i in range(30)])
    async with Listener(properties) as listener, publishing(store, listener.settings()) as publisher:
        await eventually(lambda: len(listener.results()) >= window)
        await asyncio.sleep(0.3)
        assert len(listener.results()) == window
        listener.release(2)
        await eventually(lambda: len(listener.results()) == window + 2)
        await asyncio.sleep(0.2)
        assert len(listener.results()) == window + 2
        while publisher.state.delivered < 30:
            listener.release(5)
            await asyncio.sleep(0.01)


@pytest.mark.parametrize(
    ("code", "refused", "for_good"),
    [
        (0x00, False, False),
        (0x10, False, False),
        (0x80, True, False),
        (0x83, True, False),
        (0x87, True, False),
        (0x90, True, True),
        (0x97, True, False),
        (0x99, True, True),
    ],
)
async def test_reason_codes_from_0x80_on_are_refusals(store, code, refused, for_good):
    """0x10 is *No matching subscribers*: a success.  0x90 and 0x99 refuse the message itself (section 3.4.2.1)."""
    fill(store, ["a"])
    async with Listener(code=code) as listener, publishing(store, listener.settings()) as publisher:
        await eventually(lambda: len(listener.unanswered) == 1)
        listener.release()
        await eventually(lambda: publisher.state.delivered + publisher.state.refusals == 1)

        def state():
            with store.reader() as reader:
                return reader.messages("a")[0].state

        await eventually(lambda: state() != "waiting")
        assert state() == ("refused" if refused else "acknowledged")
        if refused:
            with store.reader() as reader:
                (message,) = reader.refused()
            assert f"(code {code})" in message.last_error
            assert message.quarantined is for_good
            assert publisher.state.quarantined == for_good
            assert len(publisher.state.refused) == (not for_good)


@pytest.mark.parametrize(("connack", "greetings"), [(0x84, 2), (0x86, 1), (0x87, 1), (0x88, 1)])
async def test_only_a_broker_that_does_not_know_the_version_is_asked_for_an_older_one(connack, greetings):
    """0x84 is *Unsupported Protocol Version* (section 3.2.2.2); a wrong password is not tried a second time."""
    will = Will("lab/v1/status", b"{}")
    async with Listener(connack=connack) as listener:
        with pytest.raises(DaqError):
            async with connect(listener.settings(timeout_s=0.5), "daq-x", {"5": will, "3.1.1": will}):
                pass
        assert listener.connections == greetings


async def test_messages_in_flight_at_a_lost_connection_are_sent_again_first_and_in_order(store):
    fill(store, [f"run-{i:02}" for i in range(15)])
    async with Listener() as listener, publishing(store, listener.settings()) as publisher:
        await eventually(lambda: len(listener.unanswered) == 10)
        listener.release(3)
        await eventually(lambda: publisher.state.delivered == 3)
        await eventually(lambda: len(listener.unanswered) == 10)
        listener.writer.close()
        await eventually(lambda: listener.connections == 2)
        await eventually(lambda: len(listener.unanswered) == 10)
        with store.reader() as reader:
            assert [m.id for m in reader.waiting(limit=2)] == ["run-03", "run-04"]
            assert reader.outbox_depth().waiting == 12
        while publisher.state.delivered < 15:
            listener.release(5)
            await asyncio.sleep(0.01)


async def test_the_password_is_sent_and_shown_nowhere_else(store, capsys):
    async with Listener() as listener, publishing(store, listener.settings()) as publisher:
        await eventually(lambda: publisher.state.connected)
        assert PASSWORD not in repr(publisher.state)
        assert PASSWORD not in repr(vars(publisher))
    assert PASSWORD not in "".join(capsys.readouterr())


class HangsUp(Listener):
    """A broker that answers CONNECT and closes the connection."""

    async def _serve(self, reader, writer):
        await self._packet(reader)
        writer.write(bytes([CONNACK << 4, 3, 0, 0, 0]))
        writer.close()


async def test_a_broker_that_hangs_up_as_soon_as_it_has_answered_is_not_taken_for_connected():
    """The answer or the end may be read first; a moment later the connection is known to be lost, and nothing is left of it."""
    forgotten = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: forgotten.append(context["message"]))
    will = Will("works/lab/v1/status", b"{}")
    for _ in range(20):
        async with HangsUp() as listener:
            with contextlib.suppress(BrokerDownError):
                async with connect(listener.settings(protocol="5"), "test", {"5": will, "3.1.1": will}) as connection:
                    await asyncio.wait([connection.lost], timeout=5)
                    assert connection.lost.done()
    gc.collect()
    assert forgotten == []
