"""What goes wrong between an instrument and its host: silence, delay, noise, lines cut short or damaged."""

import random
from collections import deque
from collections.abc import Mapping
from typing import Protocol

from simulators.words import Command


class SimulatedInstrument(Protocol):
    """What every simulated instrument offers."""

    serial: str

    @property
    def kind(self) -> str:
        """Kind of instrument."""
        ...

    @property
    def end(self) -> bytes:
        """End of its lines; empty where what it sends at once is one frame."""
        ...

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s); returns the bytes sent unasked meanwhile."""
        ...

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host, return the bytes of the answers."""
        ...

    def due_in_s(self) -> float | None:
        """Seconds until bytes come unasked, None when never."""
        ...

    def commands(self) -> Mapping[str, Command]:
        """What changes its world while it runs, by name."""
        ...

    def state(self) -> dict[str, object]:
        """What is true now."""
        ...


class Misbehaving:
    """An instrument whose line to the host can be made to misbehave; times are in simulated seconds.

    Used like the instrument itself: `receive` and `advance` return the bytes that reach the host. The instrument hears
    and obeys every command also while it is silent, as a broken transmit line would have it.
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
        """Nothing that the instrument sends in the next seconds arrives."""
        self._silent_until_ns = self._now_ns + round(seconds * 1e9)

    def slow(self, seconds: float) -> None:
        """Everything sent from now on arrives late by some seconds; 0 ends it."""
        self._delay_ns = round(seconds * 1e9)

    def garbage(self, count: int) -> None:
        """Random bytes arrive now, with no line's end among them: the next line is spoilt too."""
        noise = bytes(self._rng.choice(range(256)) for _ in range(count))
        self._waiting.appendleft((self._now_ns, noise.translate(bytes.maketrans(b"\r\n", b"\x00\xff"))))

    def cut(self, count: int) -> None:
        """The next lines lose their second half with their end."""
        self._to_cut += count

    def checksum(self, count: int) -> None:
        """The next lines carry a wrong checksum: their last character is another one."""
        self._to_damage += count

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s); returns the bytes that arrive meanwhile."""
        arrived, left_ns = [], round(dt_s * 1e9)
        while True:
            # Stopping at every event keeps the result the same however the time is cut.
            due_s = self.due_in_s()
            step_ns = left_ns if due_s is None else min(left_ns, max(round(due_s * 1e9), 1))
            streamed = self.instrument.advance(step_ns / 1e9)
            self._now_ns += step_ns
            left_ns -= step_ns
            arrived.append(self._transmit(streamed))
            if not left_ns:
                return b"".join(arrived)

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host; returns the bytes that arrive at once."""
        return self._transmit(self.instrument.receive(data))

    def due_in_s(self) -> float | None:
        """Seconds until bytes may arrive unasked, None when never."""
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
            body = line.removesuffix(end)
            line = body[:-1] + (b"1" if body.endswith(b"0") else b"0") + end
        if self._to_cut:
            self._to_cut -= 1
            line = line[: len(line) // 2]
        return line
