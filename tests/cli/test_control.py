"""The control socket: what is no request gets an answer, and an answer that breaks off is a lost daemon."""

import asyncio
import contextlib
import socket
import threading

import pytest

from daq.app.cli.measuring.run import _talk
from daq.app.daemon.control import ControlServer, request
from daq.core.errors import LinkError


@pytest.fixture
def path(tmp_path):
    return tmp_path / "control"


@pytest.mark.parametrize("sent", [b'{"view": {"tor', b"", b'{"view": 1}\n{"do'])
def test_a_daemon_killed_in_the_middle_of_an_answer_is_a_lost_one(path, sent):
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))
        server.listen()

        def breaks_off():
            connection, _ = server.accept()
            with connection, contextlib.suppress(OSError):
                connection.recv(4096)
                connection.sendall(sent)

        thread = threading.Thread(target=breaks_off, daemon=True)
        thread.start()
        with pytest.raises(LinkError, match="went away before it had answered"):
            list(request(path, {"do": "status"}))
        thread.join(20)


@pytest.mark.asyncio
@pytest.mark.parametrize("sent", [b'{"view": {"tor', b""])
async def test_a_daemon_killed_while_a_run_is_watched_is_said_to_be_gone(path, sent):
    async def breaks_off(reader, writer):
        await reader.readline()
        writer.write(b'{"begun": "r-1"}\n' + sent)
        await writer.drain()
        writer.transport.abort()

    server = await asyncio.start_unix_server(breaks_off, str(path))
    with pytest.raises(LinkError, match="the run is in its database"):
        _ = [answer async for answer in _talk(path, {"do": "run"})]
    server.close()


@pytest.mark.asyncio
@pytest.mark.parametrize("sent", [b"\xff\xfe\n", b"[" * 100_000 + b"\n", b"hello\n", b"[]\n", b"\n"])
async def test_what_is_no_request_is_said_to_be_none(path, sent):
    async def handle(asked):
        yield {"asked": asked}

    server = ControlServer(path, handle)
    await server.start()
    try:
        reader, writer = await asyncio.open_unix_connection(str(path))
        writer.write(sent)
        answer = await asyncio.wait_for(reader.readline(), 20)
        writer.close()
    finally:
        await server.stop()
    assert b'"kind":"setting"' in answer
    assert b"JSON" in answer
