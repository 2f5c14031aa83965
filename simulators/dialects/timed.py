"""Base of the instruments of this folder: a clock with ticks, and the values that were sent."""

import random
from collections.abc import Mapping

from simulators.words import Command


class Timed:
    """Calls `tick` every `tick_s` and sends what it returns; 0: it sends nothing unasked.

    Attributes:
        readings: values of each reading that was sent, in order.
    """

    kind = ""
    end = b""
    tick_s = 0.0

    def __init__(self, seed: int = 1, *, serial: str = "") -> None:
        self.serial = serial
        self.rng = random.Random(seed)
        self.now = self.ticked = 0.0
        self.readings: list[tuple[float, ...]] = []
        self.held = b""

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the bytes sent meanwhile."""
        self.now += dt_s
        out = b""
        while self.tick_s and self.ticked + self.tick_s <= self.now + 1e-9:
            self.ticked += self.tick_s
            out += self.tick()
        return out

    def due_in_s(self) -> float | None:
        """Return the time until bytes come unasked, s; None for never."""
        return max(0.0, self.ticked + self.tick_s - self.now) if self.tick_s else None

    def tick(self) -> bytes:
        """Return the bytes that are sent unasked."""
        return b""

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host and return the bytes of the answers."""
        del data
        return b""

    def commands(self) -> Mapping[str, Command]:
        """Return no commands: the values change by themselves."""
        return {}

    def state(self) -> dict[str, object]:
        """Return the latest values that were sent."""
        return {"kind": self.kind, "serial": self.serial, "time_s": self.now, "latest": self.readings[-1:]}
