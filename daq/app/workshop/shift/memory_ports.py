"""Simulated instruments on ports in memory."""

import asyncio
from collections.abc import Callable
from typing import Final, Protocol

from daq.adapters.clock import TimeSource
from daq.adapters.ports.types import OnData, OnLost
from daq.adapters.ports.virtual import MemoryConnection

SHORTEST_S: Final = 0.001
"""Shortest time in seconds between two lines."""


class Simulated(Protocol):
    """The part of a simulator that its port needs."""

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the lines streamed meanwhile."""
        ...

    def receive(self, data: bytes) -> bytes:
        """Return the answer to bytes of the host."""
        ...

    def due_in_s(self) -> float | None:
        """Return the time to the next streamed line, s; None where there is none."""
        ...


class SimulatedPort:
    """The port of one simulated instrument.

    Attributes:
        simulator: the instrument; another one may be put in its place.
    """

    def __init__(self, clock: TimeSource, simulator: Simulated) -> None:
        self.simulator = simulator
        self._clock = clock
        self._seen = clock.mono_ns()
        self._connection: MemoryConnection | None = None
        self._on_data: OnData | None = None
        self._due: asyncio.TimerHandle | None = None

    async def open(self, on_data: OnData, on_lost: OnLost) -> MemoryConnection:
        """Connect a host."""
        self._connection = _Cable(self._answer, on_data, on_lost, self)
        self._on_data = on_data
        self._pass()
        return self._connection

    def closed(self) -> None:
        """Send nothing more to the host."""
        self._on_data = None

    def unplug(self) -> None:
        """Pull the cable; the instrument goes on."""
        if self._connection is not None:
            self._connection.unplug()

    def _answer(self, data: bytes) -> bytes:
        answer = self._passed() + self.simulator.receive(data)
        self._come_back()  # the bytes may have started a stream
        return answer

    def _pass(self) -> None:
        data = self._passed()
        if data and self._on_data is not None:
            self._on_data(data)
        self._come_back()

    def _come_back(self) -> None:
        """Be called when the next line is due."""
        if self._due is not None:
            self._due.cancel()
        due = self.simulator.due_in_s()
        if due is not None:
            self._due = asyncio.get_running_loop().call_later(max(due, SHORTEST_S), self._pass)

    def _passed(self) -> bytes:
        now = self._clock.mono_ns()
        passed, self._seen = now - self._seen, now
        return self.simulator.advance(passed * 1e-9) if passed else b""


class _Cable(MemoryConnection):
    """A connection that tells the port when it is closed."""

    def __init__(self, answer: Callable[[bytes], bytes], on_data: OnData, on_lost: OnLost, port: SimulatedPort) -> None:
        super().__init__(answer, on_data, on_lost)
        self._port = port

    def close(self) -> None:
        """Stop the delivery of replies and of streamed lines."""
        super().close()
        self._port.closed()
