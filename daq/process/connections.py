"""Accept connections within bounds, so that clients cannot take the descriptors that ports and database need.

Connections that have not sent their request are *waiting*.  When too many wait, the oldest of them is closed for the
new one.  A client that sends its request at once is therefore served, whatever number of idle clients is connected.
"""

import asyncio
import contextlib
import socket
import time
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from typing import Final

import structlog

try:
    import resource
except ImportError:  # not a POSIX system: it has no such limit
    resource = None  # type: ignore[assignment]

log = structlog.get_logger()

RESERVE: Final = 128
"""Number of descriptors that stay free for serial ports, sockets to brokers and the database."""
PAUSE_S: Final = 0.005
"""Time in seconds between two accepted connections while the number of connections is at its bound."""
RETRY_S: Final = 0.1
"""Time in seconds until the next attempt after the system refused to accept a connection."""
LOG_EVERY_S: Final = 60.0
"""Least time in seconds between two lines of the log about too many connections."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """Bounds of one server.

    Attributes:
        waiting: greatest number of connections that have not sent their request.
        answering: greatest number of connections whose request is being answered.
        line: greatest length of a line, or of a request's head, in bytes.
        reserve: number of descriptors of the process that no connection may use.
    """

    waiting: int
    answering: int
    line: int
    reserve: int = RESERVE


@dataclass(eq=False, slots=True)
class Connection:
    """An accepted connection."""

    socket: socket.socket
    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    server: "BoundedServer" = field(repr=False)

    def begin(self, *, urgent: bool = False) -> bool:
        """Count this connection as being answered; return False if too many are, and `urgent` is False."""
        return self.server.begin(self, urgent=urgent)


class BoundedServer:
    """Serves listening sockets; the number of connections and of descriptors is bounded at accept."""

    def __init__(self, name: str, serve: Callable[[Connection], Awaitable[None]], bounds: Bounds) -> None:
        """Set up the server.

        Args:
            name: name of the server in the log.
            serve: handles one connection; it must bound its own time.  The connection is closed afterwards.
            bounds: the bounds.
        """
        self._name, self._handle, self._bounds = name, serve, bounds
        self._listening: list[socket.socket] = []
        self._accepting: list[asyncio.Task[None]] = []
        self._waiting: dict[Connection, asyncio.Task[None]] = {}
        self._answering: set[Connection] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._logged_s = -LOG_EVERY_S

    def start(self, listening: Iterable[socket.socket]) -> None:
        """Accept connections of bound sockets until `stop`, which closes them."""
        for each in listening:
            each.setblocking(False)
            self._listening.append(each)
            self._accepting.append(asyncio.create_task(self._accept(each), name=f"accept {self._name}"))

    async def stop(self, last_words_s: float = 0.0) -> None:
        """Stop accepting, give unfinished answers `last_words_s` seconds, and close all connections."""
        for task in self._accepting:
            task.cancel()
        await asyncio.gather(*self._accepting, return_exceptions=True)
        for each in self._listening:
            each.close()
        for task in self._waiting.values():
            task.cancel()
        if self._tasks and last_words_s > 0:
            await asyncio.wait(self._tasks, timeout=last_words_s)
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    @property
    def open(self) -> int:
        """Number of connections."""
        return len(self._waiting) + len(self._answering)

    def begin(self, connection: Connection, *, urgent: bool) -> bool:
        """Count a connection as being answered; see `Connection.begin`."""
        if len(self._answering) >= self._bounds.answering and not urgent:
            self._log("too many requests at once")
            return False
        self._waiting.pop(connection, None)
        self._answering.add(connection)
        return True

    async def _accept(self, listening: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                accepted, _ = await loop.sock_accept(listening)
            except OSError as error:  # no descriptor is left, or the client has gone again
                self._log(str(error))
                await asyncio.sleep(RETRY_S)
                continue
            pause_s = 0.0  # sock_accept does not yield while clients are queued
            if _is_reserved(accepted.fileno(), self._bounds.reserve):
                accepted.close()
                self._log("too few descriptors are left")
                pause_s = PAUSE_S
            else:
                if len(self._waiting) >= self._bounds.waiting:
                    self._close_oldest()
                    pause_s = PAUSE_S
                await self._take(accepted, loop)
            await asyncio.sleep(pause_s)

    async def _take(self, accepted: socket.socket, loop: asyncio.AbstractEventLoop) -> None:
        reader = asyncio.StreamReader(limit=self._bounds.line)
        protocol = asyncio.StreamReaderProtocol(reader)
        try:
            transport, _ = await loop.connect_accepted_socket(lambda: protocol, accepted)
        except OSError:
            accepted.close()
            return
        connection = Connection(accepted, reader, asyncio.StreamWriter(transport, protocol, reader, loop), self)
        task = asyncio.create_task(self._serve(connection), name=f"serve {self._name}")
        self._waiting[connection] = task
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        task.add_done_callback(lambda _: self._forget(connection))

    def _forget(self, connection: Connection) -> None:
        self._waiting.pop(connection, None)
        self._answering.discard(connection)
        connection.writer.close()  # also where the task was cancelled before it ran

    def _close_oldest(self) -> None:
        connection, task = next(iter(self._waiting.items()))
        del self._waiting[connection]
        connection.writer.transport.abort()
        task.cancel()
        self._log("too many connections; the oldest without a request is closed")

    async def _serve(self, connection: Connection) -> None:
        try:
            await self._handle(connection)
        except (TimeoutError, OSError, EOFError, ValueError, asyncio.LimitOverrunError) as error:
            log.debug("connection ended", server=self._name, reason=repr(error))
        finally:
            connection.writer.close()
            with contextlib.suppress(OSError, TimeoutError):
                async with asyncio.timeout(1.0):
                    await connection.writer.wait_closed()
            connection.writer.transport.abort()

    def _log(self, reason: str) -> None:
        now_s = time.monotonic()
        if now_s - self._logged_s >= LOG_EVERY_S:
            self._logged_s = now_s
            log.warning("connections are bounded", server=self._name, open=self.open, reason=reason)


def _is_reserved(descriptor: int, reserve: int) -> bool:
    """Return True if a new descriptor is one of the last `reserve` that the process may open.

    The system gives the lowest free number (POSIX, open), so a high number means that all lower ones are in use.
    """
    if resource is None:
        return False
    limit, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return limit != resource.RLIM_INFINITY and descriptor >= limit - min(reserve, limit // 2)
