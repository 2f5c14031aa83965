"""A port in memory, for tests and simulations within one process."""

import asyncio
from collections.abc import Callable

from daq.adapters.ports.types import Connection, OnData, OnLost, Sent, ignore_sent
from daq.core.errors import LinkError


class MemoryConnection(Connection):
    """A port in memory: `answer` returns the reply to each write, delivered on the next turn of the event loop."""

    def __init__(self, answer: Callable[[bytes], bytes], on_data: OnData, on_lost: OnLost) -> None:
        self._answer, self._on_data, self._on_lost = answer, on_data, on_lost
        self._closed = False

    def write(self, data: bytes, sent: Sent = ignore_sent) -> None:
        """Pass the bytes to `answer`."""
        if self._closed:
            raise LinkError("memory: the port is closed")
        sent()
        reply = self._answer(data)
        if reply:
            asyncio.get_running_loop().call_soon(self._deliver, reply)

    def _deliver(self, data: bytes) -> None:
        if not self._closed:
            self._on_data(data)

    def unplug(self, reason: str = "unplugged") -> None:
        """Lose the connection, as when the cable is pulled."""
        self.close()
        self._on_lost(reason)

    def close(self) -> None:
        """Stop the delivery of replies."""
        self._closed = True
