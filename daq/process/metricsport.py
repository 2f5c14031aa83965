"""Serve metrics on a loopback port, and write them to a file."""

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Final

import structlog

from daq.core.errors import DaqError
from daq.methods.files.daemon import Metrics
from daq.process.connections import BoundedServer, Bounds, Connection
from daq.process.exposition import CONTENT_TYPE

log = structlog.get_logger()

LONGEST_REQUEST: Final = 8_192
REQUEST_S: Final = 5.0
"""Greatest time in seconds from the acceptance of a connection to the end of the answer."""
FRESH_S: Final = 0.25
"""Time in seconds within which further requests get the text of the first, so that requests cannot load the daemon."""
BOUNDS: Final = Bounds(waiting=16, answering=8, line=LONGEST_REQUEST)


class MetricsPort:
    """HTTP server that answers only ``GET /metrics``, on a loopback address and without log-in."""

    def __init__(self, text: Callable[[], bytes]) -> None:
        """Set up the server; `text` returns the metrics and is called in a thread, once at a time."""
        self._text = text
        self._server = BoundedServer("metrics", self._serve, BOUNDS)
        self._making: asyncio.Task[bytes] | None = None
        self._begun_s = 0.0

    async def start(self, host: str, port: int) -> int:
        """Start to listen, and return the port number (for `port` 0 the number that the system chose).

        Raises:
            OSError: the address is in use.
        """
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listening = socket.create_server((host, port), family=family, backlog=BOUNDS.waiting)
        self._server.start([listening])
        return int(listening.getsockname()[1])

    async def stop(self) -> None:
        """Stop listening, and wait until all connections are closed."""
        await self._server.stop()
        if self._making is not None:
            await asyncio.gather(self._making, return_exceptions=True)

    async def _serve(self, connection: Connection) -> None:
        async with asyncio.timeout(REQUEST_S):
            await self._answer(connection)

    async def _answer(self, connection: Connection) -> None:
        head = await connection.reader.readuntil(b"\r\n\r\n")
        method, _, rest = head.partition(b" ")
        path = rest.partition(b" ")[0].partition(b"?")[0]
        if not connection.begin():
            status, content, kind = "503 Service Unavailable", b"too many requests at once\n", "text/plain"
        elif method not in (b"GET", b"HEAD"):
            status, content, kind = "405 Method Not Allowed", b"only GET\n", "text/plain"
        elif path != b"/metrics":
            status, content, kind = "404 Not Found", b"see /metrics\n", "text/plain"
        else:
            status, content, kind = "200 OK", await self._fresh_text(), CONTENT_TYPE
        lines = (f"HTTP/1.1 {status}", f"Content-Type: {kind}", f"Content-Length: {len(content)}", "Connection: close")
        connection.writer.write("\r\n".join((*lines, "", "")).encode() + (b"" if method == b"HEAD" else content))
        await connection.writer.drain()

    async def _fresh_text(self) -> bytes:
        """Return the metrics; requests within `FRESH_S`, and those during the making, share one text."""
        now_s = time.monotonic()
        if self._making is None or (self._making.done() and now_s - self._begun_s >= FRESH_S):
            self._begun_s = now_s
            self._making = asyncio.create_task(asyncio.to_thread(self._text), name="metrics text")
        return await asyncio.shield(self._making)


@contextlib.asynccontextmanager
async def serve_metrics(text: Callable[[], bytes], settings: Metrics | None) -> AsyncIterator[None]:
    """Serve the metrics on a port and write them to a file, as `settings` require; None for neither.

    `text` returns the metrics and is called in a thread.
    """
    if settings is None:
        yield
        return
    port = MetricsPort(text)
    writing: asyncio.Task[None] | None = None
    try:
        if settings.listen is not None:
            host, number = settings.address
            try:
                log.info("metrics", listening=f"http://{settings.listen}/metrics", port=await port.start(host, number))
            except OSError as error:  # without metrics the runs still go on
                log.error(
                    "metrics are not served", address=settings.listen, reason=str(error)
                )  # metrics must not stop the runs
        if settings.file is not None:
            writing = asyncio.create_task(_write(text, Path(settings.file), settings.every / 1e9), name="metrics")
        yield
    finally:
        if writing is not None:
            writing.cancel()
            await asyncio.gather(writing, return_exceptions=True)
        await port.stop()


async def _write(text: Callable[[], bytes], path: Path, every_s: float) -> None:
    logged = ""
    while True:
        try:
            await asyncio.to_thread(_replace, path, text)
            logged = ""
        except (OSError, DaqError) as error:
            if str(error) != logged:  # each reason is logged once, not with every attempt
                logged = str(error)
                log.error("metrics are not written", file=str(path), reason=logged)
        await asyncio.sleep(every_s)


def _replace(path: Path, text: Callable[[], bytes]) -> None:
    """Write the metrics to a new file and rename it to `path`, so that a reader never sees an incomplete file."""
    new = path.with_name(f".{path.name}.new")
    new.write_bytes(text())
    new.chmod(0o644)
    new.replace(path)
