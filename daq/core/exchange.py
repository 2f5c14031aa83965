"""One link: lines in, decoded items out, requests one at a time, and silence noticed.

The exchange is the only place that knows about time-outs, retries and polling.  After a
time-out it waits a moment and throws away what arrives, so that a late reply is never
taken for the answer to the next request.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from daq.core.driver import Decoded, Driver, Identity, Reject, Reply, Request, Values
from daq.core.framing import Framer

Item = tuple[float, ...] | Values | Reply
NEVER = 1 << 62
ALL_TUPLES = frozenset({tuple})


@dataclass(slots=True)
class ExchangeCounters:
    """What happened on the link, since it was made."""

    readings: int = 0
    rejected: int = 0
    timeouts: int = 0
    late: int = 0
    unexpected: int = 0
    given_up: int = 0


class Exchange:
    """The pure side of one connection.

    Bytes to write are handed to `send`; time enters with every call.  A request that was
    given up is reported through `failed`.
    """

    __slots__ = (
        "_attempt", "_deadline", "_drain_until", "_next_poll", "_outstanding", "_queue", "_rejects",
        "counters", "driver", "failed", "framer", "interval_ns", "last_reading_t", "name", "polling", "send", "silent",
        "stale_after_ns", "up",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        driver: Driver,
        send: Callable[[str, bytes], None],
        failed: Callable[[str, Request, str], None],
        interval_ns: int = 0,
    ) -> None:
        """`interval_ns` is the time between polls; 0 takes the driver's."""
        self.name = name
        self.interval_ns = interval_ns or driver.interval_ns
        self.driver = driver
        self.framer = Framer(driver.framing)
        self.counters = ExchangeCounters()
        self.send = send
        self.failed = failed
        self.up = False
        self.polling = False
        self.silent = False
        self.last_reading_t = 0
        self.stale_after_ns = max(driver.stale_after_ns, 3 * self.interval_ns)
        #: What waits to be sent, each with the number of times it was sent already.
        self._queue: deque[tuple[Request, int]] = deque()
        self._outstanding: Request | None = None
        self._attempt = 0
        self._deadline = NEVER
        self._drain_until = 0
        self._next_poll = NEVER
        self._rejects: dict[str, int] = {}

    # ---- requests

    def ask(self, t: int, request: Request, *, first: bool = False) -> None:
        """Queue a request; `first` puts it before all others (a stop)."""
        if first:
            self._queue.appendleft((request, 0))
        else:
            self._queue.append((request, 0))
        self._pump(t)

    def drop_queue(self) -> None:
        """Forget what has not been sent yet, and do not send again what is under way."""
        self._queue.clear()
        if self._outstanding is not None:
            self._outstanding = replace(self._outstanding, tries=1)

    @property
    def busy(self) -> bool:
        """Whether a request waits for its reply or to be sent."""
        return self._outstanding is not None or bool(self._queue)

    def start_polling(self, t: int) -> None:
        """Ask for readings at the driver's interval from now on (a stream is only watched)."""
        self.polling = True
        self.silent = False
        self.last_reading_t = t
        if self.driver.streams:
            request = self.driver.start_stream()
            if request is not None:
                self.ask(t, request)
        else:
            self._next_poll = t
            self._pump(t)

    def poll_faster(self, t: int, interval_ns: int) -> None:
        """Poll at least every `interval_ns` from `t` on, where the instrument is polled at all."""
        if self.polling and self._next_poll < NEVER:
            self.interval_ns = min(self.interval_ns, interval_ns)
            self._next_poll = min(self._next_poll, t + self.interval_ns)

    def stop_polling(self) -> None:
        """No more polls; a request already sent is still awaited."""
        self.polling = False
        self._next_poll = NEVER

    # ---- the link

    def link_up(self, t: int) -> None:
        """The port is open: start with an empty line buffer and no request under way."""
        self.up = True
        self.framer.reset()
        self._settled()
        self._drain_until = 0
        self.last_reading_t = t
        self._pump(t)

    def link_down(self) -> None:
        """The port is gone: nothing is under way any more and nothing can be sent."""
        self.up = False
        self._settled()
        self._queue.clear()
        self.framer.reset()

    # ---- time

    @property
    def wake_at(self) -> int:
        """The next time (ns) at which something falls due, or `NEVER`."""
        due = NEVER
        if self.up:
            if self._outstanding is not None:
                due = self._deadline
            elif self._queue:
                due = self._drain_until
            elif self.polling:
                due = max(self._next_poll, self._drain_until)
        if self.polling and not self.silent:
            due = min(due, self.last_reading_t + self.stale_after_ns)
        return due

    def tick(self, t: int) -> None:
        """Do what is due at `t`."""
        if self._outstanding is not None and t >= self._deadline:
            self._expired(t)
        if self.polling and not self.silent and t >= self.last_reading_t + self.stale_after_ns:
            self.silent = True
        self._pump(t)

    def sent(self, t: int) -> None:
        """The outstanding request went out at `t`: its time-out counts from here."""
        if self._outstanding is not None:
            self._deadline = t + self._outstanding.timeout_ns

    def _settled(self) -> None:
        self._outstanding, self._deadline = None, NEVER

    def _expired(self, t: int) -> None:
        request = self._outstanding
        if request is None:
            return
        self.counters.timeouts += 1
        self._settled()
        self._drain_until = t + request.timeout_ns // 2
        if request.expects == "reading":
            return  # the next poll is the retry
        if self._attempt < request.tries:
            self._queue.appendleft((request, self._attempt))
            return
        self.counters.given_up += 1
        self.failed(self.name, request, "no answer")

    def _pump(self, t: int) -> None:
        if not self.up or self._outstanding is not None or t < self._drain_until:
            return
        if self._queue:
            request, sent = self._queue.popleft()
            self._attempt = sent + 1
        elif self.polling and t >= self._next_poll:
            poll = self.driver.poll()
            if poll is None:
                self._next_poll = NEVER
                return
            request = poll
            interval = self.interval_ns
            # Keep to the grid of the interval; a poll that is late does not make the next ones late.
            self._next_poll += interval * max(1, (t - self._next_poll) // interval + 1)
        else:
            return
        self._outstanding = request
        self._deadline = t + request.timeout_ns
        self.send(self.name, request.data)

    # ---- bytes

    def receive(self, t: int, data: bytes) -> list[Item] | Iterator[Item]:
        """Readings and replies in `data`, read at `t`; everything else is counted.

        A list holds nothing but readings without fault, of a stream.  Otherwise each item settles
        its request only when it is taken from the iterator, so that what a line causes comes before the next line.
        """
        decoded = list(map(self.driver.decode, self.framer.feed(t, data)))
        if decoded and self.driver.streams and ALL_TUPLES.issuperset(map(type, decoded)):
            self._read(t, len(decoded))
            return decoded  # type: ignore[return-value]  # the test above says so
        return self._settle_each(t, decoded)

    def _settle_each(self, t: int, decoded: Iterable[Decoded]) -> Iterator[Item]:
        streams = self.driver.streams
        for item in decoded:
            if isinstance(item, Reject):
                self._reject(item)
            elif isinstance(item, Reply):
                if self._settle_reply(t, item):
                    yield item
            elif streams or self._settle_poll(t):
                self._read(t, 1)
                yield item

    def _read(self, t: int, readings: int) -> None:
        self.counters.readings += readings
        self.last_reading_t = t
        self.silent = False

    def _reject(self, item: Reject) -> None:
        self.counters.rejected += 1
        self._rejects[item.reason] = self._rejects.get(item.reason, 0) + 1

    def _settle_poll(self, t: int) -> bool:
        if self._outstanding is None or self._outstanding.expects != "reading":
            self.counters.late += 1
            return False
        self._settled()
        self._pump(t)
        return True

    def _settle_reply(self, t: int, reply: Reply) -> bool:
        request = self._outstanding
        if request is None or reply.kind not in (request.expects, "refused"):
            self.counters.unexpected += 1
            return False
        self._settled()
        if reply.kind == "refused":
            # Whoever asks again does so after a pause: a refusal must not be repeated as fast as the line goes.
            self._drain_until = t + request.timeout_ns // 2
            self.failed(self.name, request, reply.refusal)
            return False
        self._pump(t)
        return True

    def report(self) -> dict[str, Any]:
        """Counters of lines, bytes, rejects by reason and time-outs, as JSON values."""
        framing = self.framer.counters
        c = self.counters
        return {
            "bytes": framing.bytes,
            "lines": framing.lines,
            "too_long": framing.too_long,
            "idle_cut": framing.idle_cut,
            "readings": c.readings,
            "rejected": dict(sorted(self._rejects.items())),
            "timeouts": c.timeouts,
            "late": c.late,
            "unexpected": c.unexpected,
            "given_up": c.given_up,
        }


__all__ = ["NEVER", "Decoded", "Exchange", "ExchangeCounters", "Identity", "Item"]
