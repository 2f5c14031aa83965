"""Serve metrics on a loopback port and write them to a file."""

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
    """Answers ``GET /metrics`` on a loopback address, and nothing else."""

    def __init__(self, text: Callable[[], bytes]) -> None:
        """`text` is called in a thread for each request."""
        self._text = text
        self._server: asyncio.Server | None = None
        self._callers = 0

    async def start(self, host: str, port: int) -> int:
        """Listen; returns the port (the system's choice for 0).

        Raises:
            OSError: the address is taken.
        """
        self._server = await asyncio.start_server(self._serve, host, port, limit=LONGEST_REQUEST)
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Listen no more."""
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
            status, body, kind = "503 Service Unavailable", b"too many requests at once\n", "text/plain"
        elif method not in (b"GET", b"HEAD"):
            status, body, kind = "405 Method Not Allowed", b"only GET\n", "text/plain"
        elif path != b"/metrics":
            status, body, kind = "404 Not Found", b"see /metrics\n", "text/plain"
        else:
            status, body, kind = "200 OK", await asyncio.to_thread(self._text), CONTENT_TYPE
        lines = (f"HTTP/1.1 {status}", f"Content-Type: {kind}", f"Content-Length: {len(body)}", "Connection: close")
        writer.write("\r\n".join((*lines, "", "")).encode() + (b"" if method == b"HEAD" else body))
        await writer.drain()


@contextlib.asynccontextmanager
async def serve_metrics(text: Callable[[], bytes], settings: Metrics | None) -> AsyncIterator[None]:
    """Serve and write what `text` gives as the settings ask for; it is called in a thread."""
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
            except OSError as error:
                log.error("metrics are not served", address=settings.listen, reason=str(error))  # the runs go on
        if settings.file is not None:
            writing = asyncio.create_task(_write(text, Path(settings.file), settings.every / 1e9), name="metrics")
        yield
    finally:
        if writing is not None:
            writing.cancel()
            await asyncio.gather(writing, return_exceptions=True)
        await port.stop()


async def _write(text: Callable[[], bytes], path: Path, every_s: float) -> None:
    said = ""
    while True:
        try:
            await asyncio.to_thread(_replace, path, text)
            said = ""
        except (OSError, DaqError) as error:
            if str(error) != said:
                said = str(error)
                log.error("metrics are not written", file=str(path), reason=said)
        await asyncio.sleep(every_s)


def _replace(path: Path, text: Callable[[], bytes]) -> None:
    """Write the whole file under another name, then put it in the place of the old one: a reader never sees a part."""
    new = path.with_name(f".{path.name}.new")
    new.write_bytes(text())
    new.chmod(0o644)
    new.replace(path)
