"""Base of the small simulators: a clock with ticks, delayed answers, and lines split from bytes."""

import functools
import operator
from collections.abc import Mapping

from simulators.words import Command


class Lines:
    """Splits received bytes into lines; a line that is too long is dropped up to its end."""

    def __init__(self, end: bytes, longest: int = 200) -> None:
        self._end, self._longest = end, longest
        self._pending = b""
        self._dropping = False

    def take(self, data: bytes) -> list[bytes]:
        """Return the lines that are complete now, without their ends."""
        *lines, rest = (self._pending + data).split(self._end)
        if lines and self._dropping:
            del lines[0]
            self._dropping = False
        if len(rest) > self._longest:
            # The tail is kept because it may be the beginning of a line end.
            rest, self._dropping = rest[-len(self._end) :], True
        self._pending = rest
        return [line for line in lines if len(line) <= self._longest]


class Clockwork:
    """Instrument whose time is set by the caller: calls `tick` every `tick_ns` and returns answers when they are due.

    The same calls give the same bytes, in whatever steps the time passes.
    """

    kind: str
    end: bytes
    """Line end; empty where frames have none."""
    tick_ns = 100_000_000
    streams = False
    """True where a tick may send bytes unasked."""

    def __init__(self, serial: str) -> None:
        self.serial = serial
        self.now_ns = 0
        self._ticks = 0
        self._later: list[tuple[int, bytes]] = []

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the bytes sent meanwhile."""
        end_ns, sent = self.now_ns + round(dt_s * 1e9), []
        while (due_ns := min((self._ticks + 1) * self.tick_ns, self._next_answer_ns(end_ns))) <= end_ns:
            self.now_ns = max(self.now_ns, due_ns)
            while self._later and self._later[0][0] <= self.now_ns:
                sent.append(self._later.pop(0)[1])
            if (self._ticks + 1) * self.tick_ns <= self.now_ns:
                self._ticks += 1
                sent.append(self.tick())
        self.now_ns = end_ns
        return b"".join(sent)

    def _next_answer_ns(self, otherwise: int) -> int:
        return self._later[0][0] if self._later else otherwise + 1

    def later(self, delay_s: float, data: bytes) -> None:
        """Send bytes after `delay_s`."""
        self._later.append((self.now_ns + round(delay_s * 1e9), data))
        self._later.sort(key=operator.itemgetter(0))

    @property
    def time_s(self) -> float:
        """Time of the latest tick, s."""
        return self._ticks * self.tick_ns / 1e9

    def due_in_s(self) -> float | None:
        """Return the time until bytes may be sent unasked, s; None for never."""
        times = [self._later[0][0]] if self._later else []
        if self.streams:
            times.append((self._ticks + 1) * self.tick_ns)
        return max(min(times) - self.now_ns, 0) / 1e9 if times else None

    def tick(self) -> bytes:
        """Advance the model by `tick_ns` and return the bytes sent unasked."""
        raise NotImplementedError

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host and return the bytes of the answers."""
        raise NotImplementedError

    def state(self) -> dict[str, object]:
        """Return the true state of the model, for tests and demonstrations."""
        return {"kind": self.kind, "serial": self.serial, "time_s": self.time_s}

    def commands(self) -> Mapping[str, Command]:
        """Return the commands that change the model, by name."""
        return {}


def xor(data: bytes) -> int:
    """Return the exclusive-or of all bytes."""
    return functools.reduce(operator.xor, data, 0)


def crc16_modbus(data: bytes) -> int:
    """Return the CRC-16 of Modbus (serial line specification V1.02, 6.2.2): reflected A001, initially FFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc
