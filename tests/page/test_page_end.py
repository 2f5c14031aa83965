"""The end of the page's process does not wait for its streams, not even for a browser that takes nothing any more."""

import asyncio
import os
import signal
import socket

import pytest

from daq.page import server
from daq.page.settings import PageSettings
from tests.page.visiting import BENCH, KEY, first_frame

pytestmark = pytest.mark.asyncio
LARGE = 30_000_000
ASK = b"GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"


async def test_the_end_waits_for_no_stream(tmp_path, monkeypatch):
    monkeypatch.setattr(server, "LAST_S", None)  # a wait for a stream has no end
    made = []
    make_parts = server.make_parts
    monkeypatch.setattr(server, "make_parts", lambda settings: made.append(make_parts(settings)) or made[0])
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = PageSettings(socket=tmp_path / "no-daemon", port=port, signing_key=KEY)
    serving = asyncio.create_task(server.serve_page(settings, say=False))
    # The limits are for a machine that hangs: nothing here takes time.
    async with asyncio.timeout(60):
        while not made or not made[0].hub.ready.is_set():
            await asyncio.sleep(0)
        hub = made[0].hub
        hub.take(first_frame())
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(ASK % port)
        with socket.socket() as stalled:
            stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            stalled.setblocking(False)
            await asyncio.get_running_loop().sock_connect(stalled, ("127.0.0.1", port))
            stalled.send(ASK % port)
            while hub.browsers < 2:
                await asyncio.sleep(0)
            # More than the kernel keeps for a browser that does not read.
            hub._put("bench", BENCH, {"bench": BENCH, "filler": "x" * LARGE})
            read = 0
            while read < LARGE:
                read += len(await reader.read(1 << 20))
            os.kill(os.getpid(), signal.SIGTERM)
            heard = await reader.read()
            await serving
        writer.close()
    assert heard.endswith(b"event: bye\ndata: {}\n\n\r\n0\r\n\r\n")
