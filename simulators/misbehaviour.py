"""Faults of the line between an instrument and its host: silence, delay, noise, cut or damaged lines."""

import random
from collections import deque
from collections.abc import Mapping
from typing import Protocol

from simulators.words import Command


class SimulatedInstrument(Protocol):
    """Interface of every simulated instrument."""

    serial: str

    @property
    def kind(self) -> str:
        """Kind of instrument."""
        ...

    @property
    def end(self) -> bytes:
        """End of its lines; empty where each write is one frame."""
        ...

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the bytes sent unasked meanwhile."""
        ...

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host and return the bytes of the answers."""
        ...

    def due_in_s(self) -> float | None:
        """Return the time until bytes come unasked, s; None for never."""
        ...

    def commands(self) -> Mapping[str, Command]:
        """Return the commands that change the running instrument, by name."""
        ...

    def state(self) -> dict[str, object]:
        """Return the true state of the model."""
        ...


class Misbehaving:
    """An instrument with faults of the line to the host; times are in simulated seconds.

    Used like the instrument: `receive` and `advance` return the bytes that reach the host. During a silence the
    instrument still receives and executes every command, as with a broken transmit wire.
    """

    def __init__(self, instrument: SimulatedInstrument, seed: int = 1) -> None:
        self.instrument = instrument
        self._rng = random.Random(f"misbehaviour {seed}")
        self._now_ns = 0
        self._silent_until_ns = 0
        self._delay_ns = 0
        self._to_cut = 0
        self._to_damage = 0
        self._waiting: deque[tuple[int, bytes]] = deque()

    def silence(self, seconds: float) -> None:
        """Suppress all bytes of the instrument for some seconds."""
        self._silent_until_ns = self._now_ns + round(seconds * 1e9)

    def slow(self, seconds: float) -> None:
        """Delay all bytes from now on by some seconds; 0 ends the delay."""
        self._delay_ns = round(seconds * 1e9)

    def garbage(self, count: int) -> None:
        """Send random bytes now, without a line end: they spoil the next line too."""
        noise = bytes(self._rng.choice(range(256)) for _ in range(count))
        self._waiting.appendleft((self._now_ns, noise.translate(bytes.maketrans(b"\r\n", b"\x00\xff"))))

    def cut(self, count: int) -> None:
        """Remove the second half, with the end, of the next `count` lines."""
        self._to_cut += count

    def checksum(self, count: int) -> None:
        """Change the last character of the next `count` lines, so that their checksum is wrong."""
        self._to_damage += count

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the bytes that arrive meanwhile."""
        arrived, left_ns = [], round(dt_s * 1e9)
        while True:
            # A stop at every event makes the result independent of the steps in which the time passes.
            due_s = self.due_in_s()
            step_ns = left_ns if due_s is None else min(left_ns, max(round(due_s * 1e9), 1))
            streamed = self.instrument.advance(step_ns / 1e9)
            self._now_ns += step_ns
            left_ns -= step_ns
            arrived.append(self._transmit(streamed))
            if not left_ns:
                return b"".join(arrived)

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host and return the bytes that arrive at once."""
        return self._transmit(self.instrument.receive(data))

    def due_in_s(self) -> float | None:
        """Return the time until bytes may arrive unasked, s; None for never."""
        times = [(self._waiting[0][0] - self._now_ns) / 1e9] if self._waiting else []
        unasked = self.instrument.due_in_s()
        if unasked is not None:
            times.append(unasked)
        return max(min(times), 0.0) if times else None

    def _transmit(self, sent: bytes) -> bytes:
        if sent and self._now_ns >= self._silent_until_ns:
            damaged = b"".join(self._damage(line) for line in self._lines(sent))
            self._waiting.append((self._now_ns + self._delay_ns, damaged))
        arrived = []
        while self._waiting and self._waiting[0][0] <= self._now_ns:
            arrived.append(self._waiting.popleft()[1])
        return b"".join(arrived)

    def _lines(self, sent: bytes) -> list[bytes]:
        end = self.instrument.end
        if not end:
            return [sent]
        *lines, rest = sent.split(end)
        return [line + end for line in lines] + ([rest] if rest else [])

    def _damage(self, line: bytes) -> bytes:
        end = self.instrument.end
        if self._to_damage:
            self._to_damage -= 1
            text = line.removesuffix(end)
            line = text[:-1] + (b"1" if text.endswith(b"0") else b"0") + end
        if self._to_cut:
            self._to_cut -= 1
            line = line[: len(line) // 2]
        return line
