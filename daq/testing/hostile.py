"""Transports of a bad line: bytes are cut, joined, delayed, damaged or mixed with garbage.

A transport is called with the bytes of one write and returns chunks of bytes, each with the
delay (ns) after which it arrives.  The order on a line is kept.  Random generators are seeded.
"""

import random
from collections.abc import Sequence
from typing import Final, Protocol

Chunks = list[tuple[int, bytes]]
MILLISECOND: Final = 1_000_000


class Transport(Protocol):
    """One direction of a line."""

    def __call__(self, t: int, data: bytes) -> Chunks:
        """Return the chunks of `data`, written at `t` (ns), each with its delay (ns)."""
        ...


class Clean:
    """Changes nothing."""

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Return one chunk without delay."""
        return [(0, data)]


class OneByteAtATime:
    """Delivers every byte alone, at the rate of a serial line."""

    def __init__(self, byte_ns: int = 86_806) -> None:
        """`byte_ns`: time of a byte; by default ten bits at 115200 baud, 0 for no delay."""
        self._byte_ns = byte_ns

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Return one chunk for each byte."""
        return [(i * self._byte_ns, data[i : i + 1]) for i in range(len(data))]


class Joined:
    """Delivers writes only at multiples of `every_ns`, so that they arrive together."""

    def __init__(self, every_ns: int = 5 * MILLISECOND) -> None:
        self._every = every_ns

    def __call__(self, t: int, data: bytes) -> Chunks:
        """Return one chunk, delayed to the next multiple of `every_ns`."""
        return [(-t % self._every, data)]


class Delayed:
    """Delays every write by up to `longest_ns`."""

    def __init__(self, longest_ns: int, seed: int = 1) -> None:
        self._rng = random.Random(seed)  # noqa: S311 - seeded on purpose
        self._longest = longest_ns

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Return one chunk with a random delay."""
        return [(self._rng.randint(0, self._longest), data)]


class _Occasional:
    def __init__(self, probability: float, seed: int) -> None:
        self._probability = probability
        self.rng = random.Random(seed)  # noqa: S311 - seeded on purpose
        self.changed = 0
        """Number of writes that were changed."""

    def _changes(self) -> bool:
        changes = self.rng.random() < self._probability
        self.changed += changes
        return changes


class Cut(_Occasional):
    """Delivers writes in pieces; with probability `loss` the end of a write is lost."""

    def __init__(self, seed: int = 1, loss: float = 0.0, pieces: int = 4) -> None:
        super().__init__(loss, seed)
        self._pieces = pieces

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Return pieces a millisecond apart."""
        if self._changes():
            data = data[: self.rng.randrange(len(data))]
        at = sorted(self.rng.randrange(len(data) + 1) for _ in range(self._pieces - 1))
        parts = [data[a:b] for a, b in zip([0, *at], [*at, len(data)], strict=True)]
        return [(i * MILLISECOND, part) for i, part in enumerate(parts) if part]


class FlippedBits(_Occasional):
    """Flips one bit of a write with a given probability."""

    def __init__(self, seed: int = 1, probability: float = 0.2) -> None:
        super().__init__(probability, seed)

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Return one chunk, sometimes with a flipped bit."""
        if self._changes():
            broken = bytearray(data)
            broken[self.rng.randrange(len(data))] ^= 1 << self.rng.randrange(8)
            data = bytes(broken)
        return [(0, data)]


class DoubledEnds(_Occasional):
    """Doubles line ends with a given probability."""

    def __init__(self, seed: int = 1, probability: float = 0.3, end: bytes = b"\r\n") -> None:
        super().__init__(probability, seed)
        self._end = end

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Return one chunk, sometimes with doubled ends."""
        return [(0, data.replace(self._end, self._end * 2) if self._changes() else data)]


class Garbage(_Occasional):
    """Puts garbage before a write with a given probability: noise, a line of noise, or one longer than any line."""

    def __init__(self, seed: int = 1, probability: float = 0.3, pieces: Sequence[bytes] = ()) -> None:
        """`pieces`: the garbage to choose from; by default noise of 1 to 400 bytes with and without a line end."""
        super().__init__(probability, seed)
        self._pieces = tuple(pieces)

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Return one chunk, sometimes with garbage before the data."""
        if not self._changes():
            return [(0, data)]
        if self._pieces:
            return [(0, self.rng.choice(self._pieces) + data)]
        noise = self.rng.randbytes(self.rng.choice((1, 7, 40, 400)))
        return [(0, noise + self.rng.choice((b"", b"\r\n")) + data)]
