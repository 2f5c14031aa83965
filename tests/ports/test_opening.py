"""Opening of ports: by USB identity, over RFC 2217, with settling and pacing, without blocking the event loop."""

import asyncio
import os
import select
import socket
import subprocess
import sys
import time
from dataclasses import replace

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from daq.adapters.ports import device as transport_device
from daq.adapters.ports.resolving import locate, names
from daq.adapters.ports.transport import DeviceConnection, PortAddress, ThreadConnection, open_port
from daq.app.workshop import ports
from daq.core.driver import Port
from daq.core.errors import LinkError, SettingError
from daq.core.portname import UsbAdapter, check_port_name, network_place, usb_adapter
from daq.methods.files.instrument import Instrument, SerialLine
from tests.ports.parts import Bus, Recorder, Rfc2217Server, Tiny, framed, until
from tests.support import sentences

PORT = Port(baud=9600)
RFC2217_IS_OLD = pytest.mark.filterwarnings("ignore::DeprecationWarning:serial.rfc2217")


@pytest.fixture
def bus():
    made = Bus(7, 8)
    yield made
    made.close()


@pytest.fixture
def plugged(monkeypatch):
    """List of serial devices of the operating system; a test adds (device, vendor, product, serial, socket)."""
    there = []

    def comports():
        found = []
        for device, vendor, product, number, place in there:
            info = ListPortInfo(device, skip_link_detection=True)
            info.vid, info.pid, info.serial_number, info.location = vendor, product, number, place
            found.append(info)
        return found

    monkeypatch.setattr(list_ports, "comports", comports)
    return there


# ---- names


@pytest.mark.parametrize(
    ("name", "adapter"),
    [
        ("usb:f1a2:0001", UsbAdapter(0xF1A2, 1)),
        ("usb:F1A2:0001:ADAPTER-0001", UsbAdapter(0xF1A2, 1, "ADAPTER-0001")),
        ("usb:f1a2:0001:a%3Ab%25 c", UsbAdapter(0xF1A2, 1, "a:b% c")),
        ("/dev/ttyUSB0", None),
        ("socket://host:4001", None),
        ("COM3", None),
    ],
)
def test_the_meaning_of_a_port_name(name, adapter):
    assert usb_adapter(name) == adapter
    if adapter is not None:
        assert usb_adapter(str(adapter)) == adapter


@pytest.mark.parametrize(
    "name",
    [
        "usb:",
        "usb:f1a2",
        "usb:f1a2:1",
        "usb:f1a2:zzzz",
        "usb:f1a2:0001:",
        "usb:f1a2:0001:a:b",
        "usb:f1a2:0001:%zz",
        "socket://host",
        "socket://:4001",
        "rfc2217://host:x",
        "rfc2217://host:0",
        "socket://host:99999",
    ],
)
def test_names_that_cannot_mean_anything_are_refused(name):
    with pytest.raises(SettingError, match="write "):
        check_port_name(name)


def test_places_on_the_network():
    assert network_place("rfc2217://192.0.2.7:4001") == ("192.0.2.7", 4001)
    assert network_place("socket://[2001:db8::7]:4001") == ("2001:db8::7", 4001)
    assert network_place("loop://") is None
    assert network_place("/dev/socket") is None


def test_an_adapter_is_found_by_its_usb_identity(plugged):
    plugged[:] = [
        ("/dev/ttyS0", None, None, None, None),
        ("/dev/ttyUSB0", 0xF1A2, 1, "A:1", "1-1.2:1.0"),
        ("/dev/ttyUSB1", 0xF1A2, 1, "A2", "1-1.3:1.0"),
        ("/dev/ttyUSB2", 0xF1A2, 2, None, "1-1.4:1.0"),
    ]
    assert locate("usb:f1a2:0001:A%3A1") == "/dev/ttyUSB0"
    assert locate("usb:f1a2:0001:A2") == "/dev/ttyUSB1"
    assert locate("usb:f1a2:0002") == "/dev/ttyUSB2"
    assert locate("/dev/whatever") == "/dev/whatever"
    with pytest.raises(
        LinkError, match=r"fits more than one adapter: usb:f1a2:0001:A%3A1 \(/dev/ttyUSB0 in 1-1\.2:1\.0\), "
    ):
        locate("usb:f1a2:0001")
    with pytest.raises(LinkError, match=r"no such adapter is plugged in \(USB adapters now: usb:f1a2:0001:A%3A1"):
        locate("usb:f1a2:0001:A1")
    assert "/dev/ttyS0" not in names()


def test_doctor_finds_the_same_adapter_and_lists_what_there_is(plugged, bus):
    plugged[:] = [(bus.path, 0xF1A2, 1, "A1", "1-1.2:1.0")]
    instrument = Instrument(name="bench-1", driver="tiny", port="usb:f1a2:0001:A1")
    found = ports.check_port(instrument)
    assert found.ok
    assert found.say == f"usb:f1a2:0001:A1 ({bus.path}) exists and is free"
    assert f"usb:f1a2:0001:A1 ({bus.path})" in ports.serial_devices().say
    plugged.clear()
    found = ports.check_port(instrument)
    assert not found.ok
    assert sentences.NO_SUCH_ADAPTER in found.say
    assert found.do.startswith("plug in the cable, or change 'port' in ")


def test_the_instruments_file_goes_before_the_driver():
    line = SerialLine.model_validate(
        {"baud": 300, "flow": "rts/cts", "dtr": False, "settle": "1 s", "byte_pause": "5 ms"}
    )
    assert line.over(Port(parity="E", rts=True)) == Port(
        baud=300, parity="E", flow="rts/cts", dtr=False, rts=True, settle_ns=10**9, byte_pause_ns=5_000_000
    )


# ---- devices


async def opened(name, port=PORT):
    recorder = Recorder()
    return await open_port(PortAddress(name, port), recorder.on_data, recorder.on_lost), recorder


@pytest.mark.asyncio
async def test_bytes_that_arrive_while_a_port_settles_are_discarded(bus):
    bus.say(b"garbage of switching on\r")
    opening = asyncio.create_task(opened(bus.path, replace(PORT, settle_ns=300_000_000)))
    connection, recorder = await opening
    assert recorder.data == b""
    connection.write(framed(">07?"))
    await until(lambda: recorder.data)
    assert recorder.data == framed("<07 27.00")
    connection.close()


@pytest.mark.asyncio
async def test_a_port_that_is_lost_while_it_settles_is_no_open_port(bus):
    opening = asyncio.create_task(opened(bus.path, replace(PORT, settle_ns=1_000_000_000)))
    await asyncio.sleep(0.05)
    bus.unplug()
    with pytest.raises(LinkError, match="the device is gone|read failed"):
        await opening


@pytest.mark.asyncio
async def test_an_opening_that_is_given_up_while_the_port_settles_releases_it(bus):
    opening = asyncio.create_task(opened(bus.path, replace(PORT, settle_ns=60_000_000_000)))
    await asyncio.sleep(0.05)
    opening.cancel()
    with pytest.raises(asyncio.CancelledError):
        await opening
    connection, _ = await opened(bus.path)
    connection.close()


@pytest.mark.asyncio
async def test_bytes_go_out_one_by_one_with_a_pause(bus):
    times = []
    connection, recorder = await opened(bus.path, replace(PORT, byte_pause_ns=20_000_000))
    connection.write(framed(">07?"), lambda: times.append("sent"))
    connection.write(framed(">08?"))
    assert times == ["sent"]
    began = time.monotonic()
    await until(lambda: framed("<08 28.00") in recorder.data)
    assert time.monotonic() - began >= 0.02 * (2 * len(framed(">07?")) - 2)  # a pause is never shorter
    assert recorder.data == framed("<07 27.00") + framed("<08 28.00")
    connection.close()
    with pytest.raises(LinkError):
        connection.write(b"x")


@pytest.mark.asyncio
async def test_dtr_and_rts_have_their_levels_before_the_port_is_open(bus, monkeypatch):
    import serial

    levels = []
    monkeypatch.setattr(serial.Serial, "_update_dtr_state", lambda self: levels.append(("dtr", self._dtr_state)))
    monkeypatch.setattr(serial.Serial, "_update_rts_state", lambda self: levels.append(("rts", self._rts_state)))
    connection, _ = await opened(bus.path, replace(PORT, dtr=False, rts=True))
    assert levels == [("dtr", False), ("rts", True)]
    connection.close()


@pytest.mark.asyncio
async def test_flow_control_of_the_file_is_set_on_the_line(bus):
    import termios

    connection, _ = await opened(bus.path, replace(PORT, flow="xon/xoff"))
    fd = os.open(bus.path, os.O_RDWR | os.O_NOCTTY) if os.geteuid() == 0 else connection._fd  # root passes TIOCEXCL
    assert termios.tcgetattr(fd)[0] & (termios.IXON | termios.IXOFF)
    if fd != connection._fd:
        os.close(fd)
    connection.close()


# ---- threads: other systems, and the network


@pytest.mark.asyncio
async def test_where_the_loop_cannot_watch_devices_a_thread_does(bus, monkeypatch):
    monkeypatch.setattr(transport_device, "WATCHED_BY_LOOP", False)
    connection, recorder = await opened(bus.path)
    assert isinstance(connection, ThreadConnection)
    with pytest.raises(LinkError, match="cannot be opened"):  # still exclusive
        await opened(bus.path)
    connection.write(framed(">07?"))
    await until(lambda: recorder.data == framed("<07 27.00"))
    bus.unplug()
    await until(lambda: recorder.lost)
    with pytest.raises(LinkError, match="closed"):
        connection.write(b"x")


@pytest.mark.asyncio
async def test_a_port_that_a_thread_held_is_free_soon_after_closing(bus, monkeypatch):
    monkeypatch.setattr(transport_device, "WATCHED_BY_LOOP", False)
    connection, recorder = await opened(bus.path)
    connection.close()
    connection.close()
    monkeypatch.setattr(transport_device, "WATCHED_BY_LOOP", True)
    async with asyncio.timeout(10):
        while True:
            try:
                again, _ = await opened(bus.path)
                break
            except LinkError:
                await asyncio.sleep(0.02)
    assert isinstance(again, DeviceConnection)
    again.close()
    assert recorder.lost == []


@RFC2217_IS_OLD
@pytest.mark.asyncio
async def test_a_port_by_rfc_2217_with_its_settings_and_its_end(bus):
    server = Rfc2217Server(bus.path)
    try:
        connection, recorder = await opened(server.url, Port(baud=2400, dtr=False, rts=False))
        assert server.serial.baudrate == 2400  # a pseudo-terminal takes no parity
        assert server.serial.lines[-2:] == [("dtr", False), ("rts", False)]
        connection.write(framed(">07!"))
        await until(lambda: recorder.data == framed("<07 is T-0007"))
        server.hang_up()
        await until(lambda: recorder.lost)
        assert "read failed" in recorder.lost[0]
        again, recorder = await opened(server.url)
        again.write(framed(">08?"))
        await until(lambda: recorder.data == framed("<08 28.00"))
        again.close()
    finally:
        await asyncio.to_thread(server.close)


@pytest.mark.slow
@RFC2217_IS_OLD
@pytest.mark.asyncio
async def test_a_silent_server_does_not_block_the_event_loop():
    with socket.create_server(("127.0.0.1", 0)) as server:  # it accepts connections and does not implement RFC 2217
        url = f"rfc2217://127.0.0.1:{server.getsockname()[1]}"
        opening = asyncio.create_task(opened(url))
        turns = 0
        while not opening.done():
            await asyncio.sleep(0.01)
            turns += 1
        with pytest.raises(LinkError, match="cannot be opened: .*RFC2217"):
            await opening
        assert turns > 20, "the loop went on meanwhile"


@pytest.mark.asyncio
async def test_an_opening_that_is_given_up_leaves_no_open_port_behind():
    with socket.create_server(("127.0.0.1", 0)) as server:
        opening = asyncio.create_task(opened(f"socket://127.0.0.1:{server.getsockname()[1]}"))
        await asyncio.sleep(0)
        opening.cancel()
        with pytest.raises(asyncio.CancelledError):
            await opening
        server.settimeout(10)
        peer, _ = await asyncio.to_thread(server.accept)
        with peer:
            peer.settimeout(10)
            assert await asyncio.to_thread(peer.recv, 1) == b"", "closed by us"


@pytest.mark.asyncio
async def test_a_network_port_that_takes_nothing_is_given_up_instead_of_growing():
    with socket.create_server(("127.0.0.1", 0)) as server:
        connection, _ = await opened(f"socket://127.0.0.1:{server.getsockname()[1]}")
        with pytest.raises(LinkError, match="does not accept"):
            for _ in range(100):
                connection.write(b"x" * 4096)  # no turn of the event loop: no write is confirmed
        connection.close()
        assert select.select([server], [], [], 5)[0]


# ---- systems without fcntl, termios and pwd

IMPORT = """
import asyncio, sys, serial, serial.tools.list_ports  # they have their own ways on each system; here it is about ours
for name in ("fcntl", "termios", "pwd", "grp", "resource", "tty", "pty"):
    sys.modules[name] = None  # an import of it fails, as on Windows
"""


MEMORY = """
from daq.adapters.ports.transport import MemoryConnection
async def main():
    received = []
    connection = MemoryConnection(lambda data: data.upper(), received.append, print)
    connection.write(b"who")
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert received == [b"WHO"], received
asyncio.run(main())
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    "work",
    [
        "import daq.adapters.ports.transport as t; from daq.adapters.ports import device as d; assert not d.WATCHED_BY_LOOP",
        "import daq.app.workshop.ports",
        "import daq.testing",
        "from daq.app.cli import main; assert main(['driver', 'list']) == 0",
        "from daq.app.cli import main; assert main(['check']) == 0",
        MEMORY,
    ],
)
def test_it_works_where_the_modules_of_posix_are_missing(work):
    done = subprocess.run([sys.executable, "-c", IMPORT + work], capture_output=True, text=True, timeout=100)
    assert done.returncode == 0, done.stderr


def test_tiny_decodes_the_answers_of_the_bus():
    tiny = Tiny({"address": 8})
    assert tiny.decode(framed("<08 21.50")[:-1]) == (21.5, 0.0)
    assert tiny.decode(framed("<07 21.50")[:-1]).reason == "another address"
    assert tiny.decode(b"<08 21.50*00").reason == "wrong checksum"
