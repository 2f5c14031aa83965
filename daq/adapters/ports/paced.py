"""Pauses between bytes, for instruments that lose bytes at the full speed of the line."""

import asyncio

from daq.adapters.ports.types import OUTPUT_LIMIT, Connection, OnLost, Sent, ignore_sent
from daq.core.errors import LinkError


class PacedConnection(Connection):
    """A connection that passes bytes to another one singly, with a pause after each."""

    def __init__(self, connection: Connection, pause_ns: int, on_lost: OnLost) -> None:
        self._connection, self._pause_s, self._on_lost = connection, pause_ns * 1e-9, on_lost
        self._waiting = b""
        self._timer: asyncio.TimerHandle | None = None

    def write(self, data: bytes, sent: Sent = ignore_sent) -> None:
        """Send the first byte at once, or after the bytes that wait."""
        if len(self._waiting) + len(data) > OUTPUT_LIMIT:
            raise LinkError("the port does not accept data at the pace of the byte pause; check `byte_pause`")
        self._waiting += data
        if self._timer is None:
            self._next()
        sent()

    def _next(self) -> None:
        self._timer = None
        if not self._waiting:
            return
        first, self._waiting = self._waiting[:1], self._waiting[1:]
        self._connection.write(first)
        # The pause follows the last byte too, so that the next write keeps it.
        self._timer = asyncio.get_running_loop().call_later(self._pause_s, self._later)

    def _later(self) -> None:
        try:
            self._next()
        except LinkError as error:
            self.close()
            self._on_lost(str(error))

    def close(self) -> None:
        """Release the port; bytes that wait are dropped."""
        self._waiting = b""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._connection.close()
