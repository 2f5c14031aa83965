"""Ports: a pseudo-terminal through the event loop, TCP through a thread, and a port in memory."""

import asyncio
import fcntl
import os
import pty
import socket
import tty

import pytest

from daq.adapters.ports.transport import DeviceConnection, MemoryConnection, PortAddress, ThreadConnection, open_port
from daq.core.driver import Port
from daq.core.errors import LinkError

SETTINGS = Port(baud=115_200)


class Heard:
    """Bytes and events of a connection."""

    def __init__(self) -> None:
        self.data = b""
        self.lost: list[str] = []

    def on_data(self, data: bytes) -> None:
        self.data += data

    def on_lost(self, reason: str) -> None:
        self.lost.append(reason)

    async def until(self, condition) -> None:
        async with asyncio.timeout(5):
            while not condition(self):
                await asyncio.sleep(0.005)


@pytest.fixture
def terminal():
    """The instrument's end of a pseudo-terminal, and the path of ours."""
    outer, inner = pty.openpty()
    tty.setraw(inner)
    path = os.ttyname(inner)
    os.close(inner)
    ends = [outer]
    yield ends, path
    for fd in ends:
        os.close(fd)


@pytest.mark.asyncio
async def test_a_terminal_is_read_through_the_loop_and_its_end_is_noticed(terminal):
    ends, path = terminal
    heard = Heard()
    connection = await open_port(PortAddress(path, SETTINGS), heard.on_data, heard.on_lost)
    assert isinstance(connection, DeviceConnection)
    os.write(ends[0], b"val 1\r\n")
    await heard.until(lambda h: h.data == b"val 1\r\n")
    connection.write(b"read\r\n")
    assert os.read(ends[0], 100) == b"read\r\n"
    os.close(ends.pop())
    await heard.until(lambda h: h.lost)
    with pytest.raises(LinkError, match="closed"):
        connection.write(b"read\r\n")


@pytest.mark.asyncio
async def test_a_terminal_is_locked_against_others_and_free_after_closing(terminal):
    _, path = terminal
    heard = Heard()
    connection = await open_port(PortAddress(path, SETTINGS), heard.on_data, heard.on_lost)
    with pytest.raises(LinkError, match="holds this port|cannot be opened"):
        await open_port(PortAddress(path, SETTINGS), heard.on_data, heard.on_lost)
    connection.close()
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(fd)
    assert heard.lost == [], "closing is not losing"


@pytest.mark.asyncio
async def test_a_wake_up_without_data_is_no_end_of_the_line(terminal):
    ends, path = terminal
    heard = Heard()
    connection = await open_port(PortAddress(path, SETTINGS), heard.on_data, heard.on_lost)
    connection._readable()  # as after a wake-up that was no more than that
    assert heard.lost == []
    os.write(ends[0], b"val 1\r\n")
    await heard.until(lambda h: h.data == b"val 1\r\n")
    connection._readable()
    assert heard.lost == []
    connection._readable()
    assert len(heard.lost) == 1


@pytest.mark.asyncio
async def test_a_port_that_takes_nothing_is_given_up_instead_of_growing(terminal):
    ends, path = terminal
    heard = Heard()
    connection = await open_port(PortAddress(path, SETTINGS), heard.on_data, heard.on_lost)
    with pytest.raises(LinkError, match="does not accept"):
        for _ in range(100):
            connection.write(b"x" * 4096)
    # All bytes that were accepted arrive in order once the other side reads.
    got = 0
    os.set_blocking(ends[0], False)
    async with asyncio.timeout(5):
        while got < 65_536:
            try:
                got += len(os.read(ends[0], 65_536))
            except BlockingIOError:
                await asyncio.sleep(0.005)
    connection.close()


@pytest.mark.asyncio
async def test_a_device_that_is_not_there_is_said_plainly(tmp_path):
    with pytest.raises(LinkError, match="is the cable plugged in"):
        await open_port(PortAddress(str(tmp_path / "nothing"), SETTINGS), lambda _: None, lambda _: None)


@pytest.mark.asyncio
async def test_tcp_goes_through_a_thread_and_its_end_is_noticed():
    with socket.create_server(("127.0.0.1", 0)) as server:
        heard = Heard()
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        connection = await open_port(PortAddress(url, SETTINGS), heard.on_data, heard.on_lost)
        assert isinstance(connection, ThreadConnection)
        peer, _ = server.accept()
        with peer:
            peer.sendall(b"T +24.981 ok*5A\r\n")
            await heard.until(lambda h: h.data.endswith(b"\r\n"))
            connection.write(b"id\r\n")
            assert await asyncio.to_thread(peer.recv, 100) == b"id\r\n"
        await heard.until(lambda h: h.lost)
    assert heard.data == b"T +24.981 ok*5A\r\n"


@pytest.mark.asyncio
async def test_tcp_without_a_listener_is_refused_with_the_address():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        url = f"socket://127.0.0.1:{s.getsockname()[1]}"
        with pytest.raises(LinkError, match=url):
            await open_port(PortAddress(url, SETTINGS), lambda _: None, lambda _: None)


@pytest.mark.asyncio
async def test_a_port_in_memory_answers_and_can_be_unplugged():
    heard = Heard()
    connection = MemoryConnection(lambda data: data.upper(), heard.on_data, heard.on_lost)
    connection.write(b"who\r\n")
    assert heard.data == b"", "the answer comes on the loop's next turn"
    await heard.until(lambda h: h.data == b"WHO\r\n")
    connection.unplug()
    assert heard.lost == ["unplugged"]
    with pytest.raises(LinkError):
        connection.write(b"who\r\n")
