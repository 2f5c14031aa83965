"""Rig: one driver's exchange with a recorded instrument in virtual time, over any transport."""

import heapq
import itertools
from collections import Counter
from collections.abc import Callable
from typing import Final

from daq.core.driver import Driver, Part, Reply, Request
from daq.core.exchange import NEVER, Exchange, Item
from daq.testing.hostile import Clean, Transport
from daq.testing.talk import LATENCY_NS, Transcript, is_reading

STEPS: Final = 200_000
"""Number of events after which an endless loop is assumed."""


class Player:
    """Answers requests as in the transcript, with each answer in turn, and repeats the stream."""

    def __init__(self, talk: Transcript, interval_ns: int) -> None:
        self._answers = {asked: itertools.cycle(answers) for asked, answers in talk.answers.items()}
        self._stream = itertools.cycle(talk.stream) if talk.stream else None
        self.interval_ns = max(1, interval_ns // frames_of_a_reading(talk)) if talk.stream and interval_ns else 0
        self.quiet = False

    def answer(self, request: bytes) -> bytes:
        """Return the next answer to a request; b"" where the transcript has none."""
        found = self._answers.get(request)
        return b"" if found is None or self.quiet else next(found)

    def unasked(self) -> bytes:
        """Return the next frame of the stream."""
        return b"" if self._stream is None or self.quiet else next(self._stream)


def frames_of_a_reading(talk: Transcript) -> int:
    """Return the number of frames that a stream has for each reading: parts of it, ignored lines and empty ones."""
    # In a stream the lines behind a request are its lines, too, and no answers.
    found = [e.meaning for e in talk.examples if is_reading(e.meaning)]
    kinds = Counter(tuple(at for at, _ in m.values) if isinstance(m, Part) else () for m in found)
    return max(1, len(talk.stream) // max(kinds.values(), default=1))


class Rig:
    """Runs an exchange and keeps its writes and its results.

    Attributes:
        sent: time (ns) and bytes of every write.
        items: time (ns) and item of every reading and reply.
        failures: requests that failed, with the reason.
    """

    def __init__(
        self,
        driver: Driver,
        talk: Transcript,
        incoming: Transport | None = None,
        late_ns: Callable[[int], int] = lambda _: 0,
    ) -> None:
        """`late_ns` returns the additional delay (ns) of the n-th answer."""
        self.t = 1_000 * 1_000_000_000
        self.driver = driver
        self.player = Player(talk, driver.interval_ns if driver.streams else 0)
        self.sent: list[tuple[int, bytes]] = []
        self.items: list[tuple[int, Item]] = []
        self.failures: list[tuple[Request, str]] = []
        self.exchange = Exchange(
            "line", driver, self._write, lambda _, request, why: self.failures.append((request, why))
        )
        self.incoming: Transport = incoming or Clean()
        self._late = late_ns
        self._count = 0
        self._numbers = itertools.count()
        self._arrivals: list[tuple[int, int, bytes]] = []
        self._latest = 0
        self._next_unasked = self.t + self.player.interval_ns if self.player.interval_ns else NEVER
        self.exchange.link_up(self.t)

    @property
    def readings(self) -> list[Item]:
        """Readings in order."""
        return [item for _, item in self.items if not isinstance(item, Reply)]

    @property
    def replies(self) -> list[Reply]:
        """Replies in order."""
        return [item for _, item in self.items if isinstance(item, Reply)]

    def start(self) -> "Rig":
        """Request the identity, where the driver can, and start polling."""
        identify = self.driver.identify()
        if identify is not None:
            for request in (identify, *self.driver.identify_more()):
                self.exchange.ask(self.t, request)
        self.exchange.start_polling(self.t)
        return self

    def run(self, ns: int) -> "Rig":
        """Let `ns` pass."""
        end = self.t + ns
        for _ in range(STEPS):
            due = min(self.exchange.wake_at, self._next_unasked, self._arrivals[0][0] if self._arrivals else NEVER)
            if due > end:
                self.t = end
                return self
            self.t = max(self.t, due)
            self._happen()
        raise RuntimeError("the exchange asks to be woken again and again without anything happening")

    def rounds(self, count: int) -> "Rig":
        """Let the time of `count` polls, or lines of a stream, pass."""
        return self.run(count * self.exchange.interval_ns)

    def unplug(self) -> None:
        """Pull the cable: bytes under way are lost."""
        self._arrivals.clear()
        self.exchange.link_down()

    def plug(self) -> None:
        """Connect the cable again, and request the identity as a session does."""
        self._latest = self.t
        if self.player.interval_ns:
            self._next_unasked = self.t + self.player.interval_ns
        self.exchange.link_up(self.t)
        self.start()

    def arrives(self, data: bytes) -> None:
        """Deliver bytes now."""
        self.items += [(self.t, item) for item in self.exchange.receive(self.t, data)]

    def _happen(self) -> None:
        if self._arrivals and self._arrivals[0][0] <= self.t:
            self.arrives(heapq.heappop(self._arrivals)[2])
        elif self._next_unasked <= self.t:
            self._next_unasked += self.player.interval_ns
            self._travel(self.player.unasked(), 0)
        else:
            self.items += [(self.t, item) for item in self.exchange.tick(self.t)]

    def _write(self, _link: str, data: bytes) -> None:
        self.sent.append((self.t, data))
        self.exchange.sent(self.t)
        if self.driver.echoes:
            self._travel(data, 0)
        answer = self.player.answer(data)
        if answer:
            self._count += 1
            self._travel(answer, self._late(self._count))

    def _travel(self, data: bytes, later: int) -> None:
        if not data or not self.exchange.up:
            return
        start = self.t + LATENCY_NS + later
        for delay, chunk in self.incoming(start, data):
            at = max(start + delay, self._latest)
            self._latest = at
            heapq.heappush(self._arrivals, (at, next(self._numbers), chunk))
