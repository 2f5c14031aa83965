"""Serve metrics on a loopback port, and write them to a file."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Final

import structlog

from daq.core.errors import DaqError
from daq.methods.files.daemon import Metrics
from daq.process.exposition import CONTENT_TYPE

log = structlog.get_logger()

LONGEST_REQUEST: Final = 8_192
REQUEST_S: Final = 5.0
MOST_CALLERS: Final = 8


class MetricsPort:
    """HTTP server that answers only ``GET /metrics``, on a loopback address and without log-in."""

    def __init__(self, text: Callable[[], bytes]) -> None:
        """Set up the server; `text` returns the metrics and is called in a thread for each request."""
        self._text = text
        self._server: asyncio.Server | None = None
        self._callers = 0

    async def start(self, host: str, port: int) -> int:
        """Start to listen, and return the port number (for `port` 0 the number that the system chose).

        Raises:
            OSError: the address is in use.
        """
        self._server = await asyncio.start_server(self._serve, host, port, limit=LONGEST_REQUEST)
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Stop listening, and wait until all connections are closed."""
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._callers += 1
        try:
            async with asyncio.timeout(REQUEST_S):
                await self._answer(reader, writer)
        except (TimeoutError, OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            pass
        finally:
            self._callers -= 1
            writer.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        method, _, rest = head.partition(b" ")
        path = rest.partition(b" ")[0].partition(b"?")[0]
        if self._callers > MOST_CALLERS:
            status, content, kind = "503 Service Unavailable", b"too many requests at once\n", "text/plain"
        elif method not in (b"GET", b"HEAD"):
            status, content, kind = "405 Method Not Allowed", b"only GET\n", "text/plain"
        elif path != b"/metrics":
            status, content, kind = "404 Not Found", b"see /metrics\n", "text/plain"
        else:
            status, content, kind = "200 OK", await asyncio.to_thread(self._text), CONTENT_TYPE
        lines = (f"HTTP/1.1 {status}", f"Content-Type: {kind}", f"Content-Length: {len(content)}", "Connection: close")
        writer.write("\r\n".join((*lines, "", "")).encode() + (b"" if method == b"HEAD" else content))
        await writer.drain()


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
