"""For instruments that lose bytes which come as fast as the line goes."""

import asyncio

from daq.adapters.ports.types import OUTPUT_LIMIT, Connection, OnLost, Sent, nobody
from daq.core.errors import LinkError


class PacedConnection(Connection):
    """Hands bytes to another connection one at a time, with a pause between."""

    def __init__(self, connection: Connection, pause_ns: int, on_lost: OnLost) -> None:
        self._connection, self._pause_s, self._on_lost = connection, pause_ns * 1e-9, on_lost
        self._waiting = b""
        self._timer: asyncio.TimerHandle | None = None

    def write(self, data: bytes, sent: Sent = nobody) -> None:
        """Send the first byte at once, or after those that wait."""
        if len(self._waiting) + len(data) > OUTPUT_LIMIT:
            raise LinkError("the port does not take what is sent, byte by byte")
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
        # Also after the last byte: what is written next keeps its distance too.
        self._timer = asyncio.get_running_loop().call_later(self._pause_s, self._later)

    def _later(self) -> None:
        try:
            self._next()
        except LinkError as error:
            self.close()
            self._on_lost(str(error))

    def close(self) -> None:
        """Release the port; bytes that wait are forgotten."""
        self._waiting = b""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._connection.close()
