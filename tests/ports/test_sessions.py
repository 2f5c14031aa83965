"""One instrument on a real port: plugged in again under another name, frames ended by silence, pressed keys."""

import asyncio
import contextlib

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from daq.adapters.clock import SystemClock
from daq.app.run.session import Session
from daq.app.setup.lines import RealPorts
from daq.core.driver import Driver, Reject, Reply
from daq.core.framing import Framing
from daq.methods.files.instrument import Instrument
from tests.ports.parts import MS, Bus, Tiny, until
from tests.support import sentences


@pytest.fixture
def bus():
    made = Bus(7)
    yield made
    made.close()


@contextlib.asynccontextmanager
async def session_on(port, driver, expected=""):
    instrument = Instrument(name="unit", driver="tiny", port=port)
    session = Session("unit", driver, RealPorts()(instrument, driver), SystemClock(), expected_serial=expected)
    task = asyncio.create_task(session.keep())
    try:
        yield session
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


class Alone(Tiny):
    shares_line = False


@pytest.mark.slow
@pytest.mark.parametrize("kind", [Tiny, Alone])
@pytest.mark.asyncio
async def test_an_adapter_that_comes_back_under_another_name_is_found_and_its_instrument_asked_who_it_is(
    bus, monkeypatch, kind
):
    there = [("/dev/nothing", "OTHER")]

    def comports():
        found = []
        for device, number in there:
            info = ListPortInfo(device, skip_link_detection=True)
            info.vid, info.pid, info.serial_number = 0xF1A2, 1, number
            found.append(info)
        return found

    monkeypatch.setattr(list_ports, "comports", comports)
    async with session_on("usb:f1a2:0001:ADAPTER-7", kind(), "T-0007") as session:
        await until(lambda: sentences.NO_SUCH_ADAPTER in session.standing.detail)
        there.append((bus.path, "ADAPTER-7"))
        await until(lambda: session.standing.values)
        # Pulled; on its port there is another instrument now.
        bus.unplug()
        await until(lambda: session.standing.state == "connecting")
        bus.members["07"].serial = "T-9999"
        bus.plug()
        there[1] = (bus.path, "ADAPTER-7")
        await until(lambda: session.standing.state == "wrong_instrument", 60)
        assert "T-9999 answers where T-0007 is expected" in session.standing.detail
        assert session.standing.values == {}
        # Now the right one again.
        bus.members["07"].serial = "T-0007"
        await until(lambda: session.standing.values, 60)
        assert session.standing.state == "ready"


class Gapped(Driver):
    """Bare numbers; half a second of silence ends a frame."""

    kind = "gapped"
    channels = Tiny.channels[:1]
    framing = Framing(silence_ns=500 * MS, longest=20)
    streams = True
    stale_after_ns = 0

    def decode(self, line, asked=None):
        try:
            return (float(line),)
        except ValueError:
            return Reject("no number")


@pytest.mark.asyncio
async def test_frames_that_end_by_a_gap_are_read_and_silence_means_nothing_where_a_key_must_be_pressed(bus):
    async with session_on(bus.path, Gapped({})) as session:
        await until(lambda: session.standing.state == "ready")
        bus.say(b"21")
        bus.say(b".5", 0.01)
        await until(lambda: session.standing.values == {"temperature": 21.5})
        assert session._timer is None, "nothing is waited for until the next key is pressed"
        bus.say(b"22.5")
        await until(lambda: session.standing.values == {"temperature": 22.5})
        assert session.link.exchange.counters.readings == 2


class Broken(Gapped):
    def decode(self, line, asked=None):
        raise ZeroDivisionError("put in by a test")


@pytest.mark.asyncio
async def test_a_driver_that_fails_at_a_frame_ended_by_silence_is_reported_and_connected_again(bus):
    async with session_on(bus.path, Broken({})) as session:
        await until(lambda: session.standing.state == "ready")
        bus.say(b"21.5")
        await until(lambda: "the driver failed: ZeroDivisionError" in session.standing.detail)
        await until(lambda: session.standing.state == "ready")


class Nameless(Alone):
    def decode(self, line, asked=None):
        item = super().decode(line, asked)
        return Reply("identity") if isinstance(item, Reply) and item.kind == "identity" else item


@pytest.mark.asyncio
async def test_a_driver_without_identity_in_the_answer_is_named_and_the_wait_ends(bus):
    async with session_on(bus.path, Nameless()) as session:
        await until(lambda: "makes no identity of the instrument's answer" in session.standing.detail)
