"""The client's side of the control socket, with the models of `daq.app.daemon.protocol`.

It is apart from the server, so that `daq run` waits for no logging and no server before it asks the daemon.
"""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Final, TypeVar

from daq.app.daemon.protocol import Answer, Done, Request, read_answer, request_line
from daq.core.errors import LinkError, SettingError
from daq.process.stop_request import lines, not_permitted

LONGEST_ANSWER: Final = 9 << 20
"""Greatest length of an answer in bytes: the longest is that to a query (`daq.app.daemon.queries`)."""
A = TypeVar("A", bound=Answer)


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
    for line in lines(path, request_line(request), timeout_s=timeout_s):
        answer = read_answer(line)
        if isinstance(answer, Done):
            return
        yield answer


async def follow(path: Path, request: Request) -> AsyncIterator[Answer]:
    """Send a request and yield its answers as they arrive, until the last.

    Raises:
        LinkError: no daemon listens at `path`, or it ended before the last answer.
        DaqError: the daemon refused the request; the error gives the reason.
    """
    try:
        reader, writer = await asyncio.open_unix_connection(str(path), limit=LONGEST_ANSWER)
    except PermissionError as error:
        raise SettingError(not_permitted(path.parent)) from error
    except OSError as error:
        raise LinkError(f"{path}: the daemon does not answer: {error}") from error
    writer.write(request_line(request))
    async for answer in _answers(reader, writer):
        yield answer


async def follow_sent(connection: socket.socket) -> AsyncIterator[Answer]:
    """Yield the answers to a request that was sent (`daq.process.stop_request.sent`); errors as in `follow`."""
    reader, writer = await asyncio.open_unix_connection(sock=connection, limit=LONGEST_ANSWER)
    async for answer in _answers(reader, writer):
        yield answer


async def _answers(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> AsyncIterator[Answer]:
    try:
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
