"""Lines as bad as they come: what an instrument says, cut, joined, late, damaged or mixed with garbage.

A transport is called with the bytes of one write and gives chunks of bytes, each with the
delay (ns) after which it arrives.  Order on a line is kept.  All chance is seeded.
"""

import random
from collections.abc import Sequence
from typing import Final, Protocol

Chunks = list[tuple[int, bytes]]
MILLISECOND: Final = 1_000_000


class Transport(Protocol):
    """One direction of a line."""

    def __call__(self, t: int, data: bytes) -> Chunks:
        """What becomes of `data`, written at `t` (ns)."""
        ...


class Clean:
    """Nothing is changed."""

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """All at once, at once."""
        return [(0, data)]


class OneByteAtATime:
    """Every byte arrives alone, as long after the one before as a serial line takes."""

    def __init__(self, byte_ns: int = 86_806) -> None:
        """`byte_ns`: ten bits at 115200 baud unless said otherwise; 0 for all at the same time."""
        self._byte_ns = byte_ns

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """One chunk a byte."""
        return [(i * self._byte_ns, data[i : i + 1]) for i in range(len(data))]


class Joined:
    """What is written within `every_ns` arrives together at its end."""

    def __init__(self, every_ns: int = 5 * MILLISECOND) -> None:
        self._every = every_ns

    def __call__(self, t: int, data: bytes) -> Chunks:
        """Held until the next multiple of `every_ns`."""
        return [(-t % self._every, data)]


class Delayed:
    """Everything is late, by up to `longest_ns`."""

    def __init__(self, longest_ns: int, seed: int = 1) -> None:
        self._dice = random.Random(seed)  # noqa: S311 - seeded on purpose
        self._longest = longest_ns

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """All at once, later."""
        return [(self._dice.randint(0, self._longest), data)]


class _Sometimes:
    def __init__(self, chance: float, seed: int) -> None:
        self._chance = chance
        self.dice = random.Random(seed)  # noqa: S311 - seeded on purpose
        self.struck = 0
        """How often it did its harm."""

    def _strikes(self) -> bool:
        struck = self.dice.random() < self._chance
        self.struck += struck
        return struck


class Cut(_Sometimes):
    """Writes come in pieces; with chance `loss` the end of one is lost."""

    def __init__(self, seed: int = 1, loss: float = 0.0, pieces: int = 4) -> None:
        super().__init__(loss, seed)
        self._pieces = pieces

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Pieces a millisecond apart."""
        if self._strikes():
            data = data[: self.dice.randrange(len(data))]
        at = sorted(self.dice.randrange(len(data) + 1) for _ in range(self._pieces - 1))
        parts = [data[a:b] for a, b in zip([0, *at], [*at, len(data)], strict=True)]
        return [(i * MILLISECOND, part) for i, part in enumerate(parts) if part]


class FlippedBits(_Sometimes):
    """With chance `chance` one bit of a write is the other way round."""

    def __init__(self, seed: int = 1, chance: float = 0.2) -> None:
        super().__init__(chance, seed)

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """All at once, sometimes wrong."""
        if self._strikes():
            broken = bytearray(data)
            broken[self.dice.randrange(len(data))] ^= 1 << self.dice.randrange(8)
            data = bytes(broken)
        return [(0, data)]


class DoubledEnds(_Sometimes):
    """With chance `chance` the end of a line comes twice."""

    def __init__(self, seed: int = 1, chance: float = 0.3, end: bytes = b"\r\n") -> None:
        super().__init__(chance, seed)
        self._end = end

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """All at once, with more ends than lines."""
        return [(0, data.replace(self._end, self._end * 2) if self._strikes() else data)]


class Garbage(_Sometimes):
    """With chance `chance` rubbish comes before a write: noise, a line of noise, or one longer than any line."""

    def __init__(self, seed: int = 1, chance: float = 0.3, pieces: Sequence[bytes] = ()) -> None:
        """`pieces` are what may come; by default noise of 1 to 400 bytes with and without an end of line."""
        super().__init__(chance, seed)
        self._rubbish = tuple(pieces)

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        """Rubbish and data at once."""
        if not self._strikes():
            return [(0, data)]
        if self._rubbish:
            return [(0, self.dice.choice(self._rubbish) + data)]
        noise = self.dice.randbytes(self.dice.choice((1, 7, 40, 400)))
        return [(0, noise + self.dice.choice((b"", b"\r\n")) + data)]
