"""A port without a port, for tests and simulations within one process."""

import asyncio
from collections.abc import Callable

from daq.adapters.ports.types import Connection, OnData, OnLost, Sent, nobody
from daq.core.errors import LinkError


class MemoryConnection(Connection):
    """A port without a port: whatever is written is answered by `answer`, on the loop's next turn."""

    def __init__(self, answer: Callable[[bytes], bytes], on_data: OnData, on_lost: OnLost) -> None:
        self._answer, self._on_data, self._on_lost = answer, on_data, on_lost
        self._closed = False

    def write(self, data: bytes, sent: Sent = nobody) -> None:
        """Give the bytes to the other side."""
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
        """Lose the link, as when the cable is pulled."""
        self.close()
        self._on_lost(reason)

    def close(self) -> None:
        """Stop delivering."""
        self._closed = True
