"""Control socket: one request per connection and its answers, one line each (see `daq.app.daemon.protocol`).

The owner of the Unix socket can open it, and the members of a group if the daemon's file names one.  The kernel tells
the login of each client; what the client writes about itself is not believed.
"""

import asyncio
import contextlib
import os
import socket
from collections.abc import AsyncGenerator, Callable
from pathlib import Path
from typing import Final, TypeVar

import structlog

from daq.app.daemon.protocol import (
    LONGEST_REQUEST,
    NAMES,
    TOO_LONG,
    Answer,
    Done,
    Failed,
    Request,
    StopRun,
    answer_line,
    failure,
    read_request,
)
from daq.core.errors import DaqError, SettingError
from daq.process.connections import BoundedServer, Bounds, Connection
from daq.process.logins import own_login, peer_login

try:
    import grp
except ImportError:  # not a POSIX system: there is no daemon
    grp = None  # type: ignore[assignment]

log = structlog.get_logger()

LAST_WORDS_S: Final = 1.0
"""Time in seconds that unfinished answers get when the daemon ends."""
REQUEST_S: Final = 5.0
"""Greatest time in seconds from the acceptance of a connection to the end of its request."""
SEND_S: Final = 60.0
"""Greatest time in seconds in which a client must take an answer."""
BOUNDS: Final = Bounds(waiting=32, answering=64, line=LONGEST_REQUEST, reserve=32)
TOO_MANY: Final = "the daemon answers too many requests at once; close other views and try again"
BACKLOG: Final = 64

Handler = Callable[[Request, str], AsyncGenerator[Answer]]
"""Yields the answers to a request; the second argument is the login of the client."""
A = TypeVar("A", bound=Answer)


class ControlServer:
    """Serves one Unix socket; every connection carries one request."""

    def __init__(self, path: Path, handler: Handler, *, group: str = "") -> None:
        """`handler` yields the answers to a request; `DaqError` becomes a `Failed`.

        Members of `group` may use the socket too; "" means the owner only.
        """
        self._path, self._handler, self._group = path, handler, group
        self._server = BoundedServer("control", self._serve, BOUNDS)

    async def start(self) -> None:
        """Listen on the socket.

        The caller holds the lock of the state directory, so a socket file that is already there is left over from a
        daemon that was killed.

        Raises:
            SettingError: the group does not exist, or this login may not give it the socket.
        """
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        listening = socket.socket(socket.AF_UNIX)
        before = os.umask(0o177)
        try:
            listening.bind(str(self._path))
        finally:
            os.umask(before)
        if self._group:
            try:
                open_to(self._group, self._path)
            except BaseException:
                listening.close()
                raise
        listening.listen(BACKLOG)
        self._server.start([listening])

    async def stop(self) -> None:
        """Close the socket, wait for unfinished answers, and close all connections."""
        await self._server.stop(LAST_WORDS_S)
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()

    async def _serve(self, connection: Connection) -> None:
        login = peer_login(connection.socket)
        try:
            line = await _request_of(connection.reader)
        except SettingError as error:
            await _send(connection, failure(error))
            return
        if not line:
            return
        async with contextlib.aclosing(self._answers(connection, line, login)) as answers:
            async for answer in answers:
                await _send(connection, answer)

    async def _answers(self, connection: Connection, line: bytes, login: str) -> AsyncGenerator[Answer]:
        request: Request | None = None
        try:
            request = read_request(line)
            # A stop is answered whatever the load is: it must reach the motor.
            if not connection.begin(urgent=isinstance(request, StopRun)):
                yield Failed(TOO_MANY, "link")
                return
            async with contextlib.aclosing(self._handler(request, login)) as answers:
                async for answer in answers:
                    yield answer
            yield Done()
        except DaqError as error:
            yield failure(error)
        except Exception as error:
            # The name alone: its values can be passwords.
            log.exception("request failed", request="" if request is None else NAMES[type(request)], login=login)
            text = f"fault of the software: {type(error).__name__}: {error}; the daemon's log has more"
            yield Failed(text, "fault")


async def _send(connection: Connection, answer: Answer) -> None:
    """Send an answer; `TimeoutError` if the client does not take it."""
    connection.writer.write(answer_line(answer))
    async with asyncio.timeout(SEND_S):
        await connection.writer.drain()


async def _request_of(reader: asyncio.StreamReader) -> bytes:
    """Return the line of a request; b"" if the client sent none.

    Raises:
        SettingError: the line is too long.  Its rest is read, so that the client can read the answer.
    """
    try:
        async with asyncio.timeout(REQUEST_S):
            return await reader.readline()
    except ValueError:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LAST_WORDS_S):
                while (piece := await reader.read(LONGEST_REQUEST)) and not piece.endswith(b"\n"):
                    pass
        raise SettingError(TOO_LONG) from None


def open_to(group: str, path: Path) -> None:
    """Let the members of a group use the socket `path`, and find it in its directory.

    Raises:
        SettingError: there is no such group, or this login is not a member of it.
    """
    try:
        number = grp.getgrnam(group).gr_gid
    except KeyError:
        raise SettingError(f"there is no group {group!r} on this machine", key="socket_group") from None
    folder = path.parent
    try:
        os.chown(path, -1, number)
        path.chmod(0o660)
        found = folder.stat()
        if found.st_gid != number:
            os.chown(folder, -1, number)
            folder.chmod((found.st_mode & 0o700) | 0o010)  # enter only: its files have modes of their own
        elif not found.st_mode & 0o010:
            folder.chmod(found.st_mode & 0o7777 | 0o010)
    except PermissionError:
        raise SettingError(
            f"the login {own_login()} cannot give the socket to the group {group!r}; make it a member of the group",
            key="socket_group",
        ) from None
