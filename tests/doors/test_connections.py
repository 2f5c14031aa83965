"""Connections are bounded at accept, and a stop gets through whatever the load is."""

import asyncio
import contextlib
import os
import pwd
import resource
import socket
import time

import pytest
from structlog.testing import capture_logs

from daq.app.daemon import control
from daq.app.daemon.control import BOUNDS, TOO_MANY, ControlServer
from daq.app.daemon.daemon_client import ask, follow
from daq.app.daemon.protocol import AskStatus, Stopped, StopRun, WatchRun
from daq.core.errors import LinkError
from daq.process import connections
from daq.process.logins import own_login
from daq.process.metricsport import MetricsPort


def free_descriptor():
    """Return the lowest number that is free: the next descriptor gets it (POSIX, open)."""
    number = os.dup(0)
    os.close(number)
    return number


async def ask_for(port):
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"GET /metrics HTTP/1.1\r\n\r\n")
    answer = await asyncio.wait_for(reader.read(), 10)
    writer.close()
    return answer


@contextlib.asynccontextmanager
async def control_at(path, handler):
    server = ControlServer(path, handler)
    await server.start()
    try:
        yield server
    finally:
        await server.stop()


async def endless(request, login):
    if isinstance(request, WatchRun):
        await asyncio.sleep(3600)
    yield Stopped(True)


@pytest.mark.asyncio
async def test_the_last_descriptors_are_kept_for_ports_and_database(monkeypatch):
    port = MetricsPort(lambda: b"daq_x 1\n")
    number = await port.start("127.0.0.1", 0)
    limits = {}
    monkeypatch.setattr(connections.resource, "getrlimit", lambda what: (limits["soft"], resource.RLIM_INFINITY))
    limits["soft"] = 2 * free_descriptor()  # of a small limit, half is kept
    with capture_logs() as logs:
        with contextlib.suppress(ConnectionError):
            assert await ask_for(number) == b""
        assert [line["reason"] for line in logs] == ["too few descriptors are left"]
    limits["soft"] += 80
    assert b"daq_x 1" in await ask_for(number)
    await port.stop()


@pytest.mark.asyncio
async def test_requests_at_the_same_time_share_one_text():
    made = []

    def text():
        made.append(1)
        time.sleep(0.1)
        return b"daq_x 1\n"

    port = MetricsPort(text)
    number = await port.start("127.0.0.1", 0)
    answers = await asyncio.gather(*(ask_for(number) for _ in range(8)))
    assert all(b"200 OK" in answer and b"daq_x 1" in answer for answer in answers)
    assert len(made) == 1
    await port.stop()


@pytest.mark.asyncio
async def test_a_client_that_sends_at_once_is_served_among_idle_ones():
    port = MetricsPort(lambda: b"daq_x 1\n")
    number = await port.start("127.0.0.1", 0)
    before = free_descriptor()
    with contextlib.ExitStack() as stack:
        for _ in range(200):
            client = stack.enter_context(socket.socket())
            client.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                client.connect(("127.0.0.1", number))
            await asyncio.sleep(0)
        assert b"daq_x 1" in await ask_for(number)
        assert port._server.open <= 16 + 8
    await port.stop()
    assert free_descriptor() <= before + 2


@pytest.mark.asyncio
async def test_an_idle_connection_is_closed_after_its_time(tmp_path, monkeypatch):
    monkeypatch.setattr(control, "REQUEST_S", 0.2)
    async with control_at(tmp_path / "control", endless):
        reader, writer = await asyncio.open_unix_connection(str(tmp_path / "control"))
        writer.write(b'{"protocol": 1, ')
        assert await asyncio.wait_for(reader.read(), 5) == b""
        writer.close()


@pytest.mark.asyncio
async def test_a_stop_is_answered_while_too_many_others_are_not(tmp_path):
    path = tmp_path / "control"
    async with control_at(path, endless):

        async def watch():
            return [answer async for answer in follow(path, WatchRun(instrument="bench-1"))]

        watching = [asyncio.create_task(watch()) for _ in range(BOUNDS.answering)]
        await asyncio.sleep(0.5)
        with pytest.raises(LinkError, match=TOO_MANY):
            await asyncio.to_thread(ask, path, AskStatus(), Stopped)
        assert await asyncio.to_thread(ask, path, StopRun(instrument="bench-1"), Stopped) == Stopped(True)
        for task in watching:
            task.cancel()
        await asyncio.gather(*watching, return_exceptions=True)


@pytest.mark.asyncio
async def test_the_kernel_names_the_client(tmp_path, monkeypatch):
    heard = []

    async def handle(request, login):
        heard.append(login)
        yield Stopped(True)

    monkeypatch.setenv("LOGNAME", "boss")
    monkeypatch.setenv("USER", "boss")
    async with control_at(tmp_path / "control", handle):
        await asyncio.to_thread(ask, tmp_path / "control", StopRun(instrument="bench-1"), Stopped)
    assert heard == [own_login()] == [pwd.getpwuid(os.getuid()).pw_name]
