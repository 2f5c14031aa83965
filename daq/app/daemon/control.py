"""Control socket: one request per connection and its answers, one line each (see `daq.app.daemon.protocol`).

Only the owner of the Unix socket can open it.
"""

import asyncio
import contextlib
import os
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Final, TypeVar

import structlog

from daq.app.daemon.protocol import (
    Answer,
    Done,
    Failed,
    Request,
    answer_line,
    failure,
    read_answer,
    read_request,
    request_line,
)
from daq.core.errors import DaqError, LinkError

log = structlog.get_logger()

LONGEST_LINE: Final = 1 << 20
LAST_WORDS_S: Final = 1.0
"""Time in seconds that unfinished answers get when the daemon ends."""

Handler = Callable[[Request], AsyncIterator[Answer]]
A = TypeVar("A", bound=Answer)


class ControlServer:
    """Serves one Unix socket; every connection carries one request."""

    def __init__(self, path: Path, handler: Handler) -> None:
        """`handler` yields the answers to a request; `DaqError` becomes a `Failed`."""
        self._path, self._handler = path, handler
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen on the socket.

        The caller holds the lock of the state directory, so a socket file that is already there is left over from a
        daemon that was killed.
        """
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        before = os.umask(0o177)
        try:
            self._server = await asyncio.start_unix_server(self._serve, str(self._path), limit=LONGEST_LINE)
        finally:
            os.umask(before)

    async def stop(self) -> None:
        """Close the socket, wait for unfinished answers, and close all connections."""
        if self._server is not None:
            self._server.close()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=LAST_WORDS_S)
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        try:
            async for answer in self._answers(await reader.readline()):
                writer.write(answer_line(answer))
                await writer.drain()
        except (ConnectionError, asyncio.CancelledError, ValueError) as error:
            log.debug("control connection ended", reason=repr(error))
        finally:
            writer.close()
            with contextlib.suppress(ConnectionError, asyncio.CancelledError):
                await writer.wait_closed()

    async def _answers(self, line: bytes) -> AsyncIterator[Answer]:
        try:
            async for answer in self._handler(read_request(line)):
                yield answer
            yield Done()
        except DaqError as error:
            yield failure(error)
        except Exception as error:
            log.exception("request failed", request=line[:200].decode("utf-8", "replace"))
            text = f"fault of the software: {type(error).__name__}: {error}; the daemon's log has more"
            yield Failed(text, "fault")


def ask(path: Path, request: Request, kind: type[A], *, timeout_s: float | None = 30.0) -> A:
    """Send a request and return its last answer of the type `kind`.

    Raises:
        LinkError: no daemon listens at `path`, it ended before it answered, or it gave no answer of this type.
        DaqError: the daemon refused the request; the error gives the reason.
    """
    found = [answer for answer in answers(path, request, timeout_s=timeout_s) if isinstance(answer, kind)]
    if not found:
        raise LinkError(f"{path}: the daemon did not report that the request was done; see its log")
    return found[-1]


def answers(path: Path, request: Request, *, timeout_s: float | None = 30.0) -> Iterator[Answer]:
    """Send a request and yield its answers until the last.

    Raises:
        LinkError: no daemon listens at `path`, or it ended before the last answer.
        DaqError: the daemon refused the request; the error gives the reason.
    """
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(timeout_s)
        try:
            connection.connect(str(path))
            connection.sendall(request_line(request))
            with connection.makefile("rb") as lines:
                for line in lines:
                    if not line.endswith(b"\n"):
                        break  # the daemon was killed in the middle of the line
                    answer = read_answer(line)
                    if isinstance(answer, Done):
                        return
                    yield answer
        except OSError as error:
            raise LinkError(f"{path}: no answer from the daemon: {error}") from error
    raise LinkError(f"{path}: the daemon ended before it answered; see its log")


async def follow(path: Path, request: Request) -> AsyncIterator[Answer]:
    """Send a request and yield its answers as they arrive, until the last.

    Raises:
        LinkError: no daemon listens at `path`, or it ended before the last answer.
        DaqError: the daemon refused the request; the error gives the reason.
    """
    try:
        reader, writer = await asyncio.open_unix_connection(str(path), limit=LONGEST_LINE)
    except OSError as error:
        raise LinkError(f"{path}: the daemon does not answer: {error}") from error
    try:
        writer.write(request_line(request))
        while (line := await _next_line(reader)).endswith(b"\n"):
            answer = read_answer(line)
            if isinstance(answer, Done):
                return
            yield answer
        raise LinkError("the daemon ended; the run is in its database: see `daq runs`")
    finally:
        writer.close()


async def _next_line(reader: asyncio.StreamReader) -> bytes:
    """Return the next line; without its line end if the daemon ended."""
    try:
        return await reader.readline()
    except ConnectionError:
        return b""
