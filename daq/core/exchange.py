"""Exchange with one instrument: bytes in, decoded items out, one request at a time, and detection of silence.

All time-outs, retries, pauses and polls are here.  After a time-out the exchange waits half a time-out and discards
the bytes that arrive, so that a late reply is never taken for the answer to the next request.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

from daq.core.driver import Decoded, Driver, Identity, Reading, Reject, Reply, Request, Several, Values, silent_after
from daq.core.echo import Echo
from daq.core.exchangecounters import ExchangeCounters
from daq.core.frames import make_framer
from daq.core.framing import NEVER
from daq.core.polledreadings import PolledReadings

Item = tuple[float, ...] | Values | Reply
ALL_TUPLES = frozenset({tuple})
WOKEN_NS: Final = 1_000_000_000
"""Time after the wait for a wake-up in which the request still follows without another wake-up."""
SHARED_LINE_WAIT_NS: Final = 30_000_000_000
"""Longest time that a request waits for a line that several instruments share."""


class Exchange:
    """State machine of the requests and readings of one connection; pure, time enters with every call.

    Bytes to write are given to `send`.  A request that was given up or refused is given to `failed` with the reason.
    """

    __slots__ = (
        "_attempt",
        "_awake_since",
        "_deadline",
        "_echo",
        "_ends_by_silence",
        "_line_wait_ns",
        "_outstanding",
        "_pause_until",
        "_queue",
        "_quiet_until",
        "_readings",
        "_wake_sent",
        "counters",
        "driver",
        "failed",
        "framer",
        "interval_ns",
        "last_reading_t",
        "name",
        "next_poll",
        "polling",
        "send",
        "silent",
        "stale_after_ns",
        "up",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        driver: Driver,
        send: Callable[[str, bytes], None],
        failed: Callable[[str, Request, str], None],
        interval_ns: int = 0,
    ) -> None:
        """Set up the exchange; `interval_ns` is the time between polls, 0 for the interval of the driver."""
        self.name = name
        self.interval_ns = interval_ns or driver.interval_ns
        self.driver = driver
        self.framer = make_framer(driver.framing)
        self._ends_by_silence = driver.framing.silence_ns > 0
        self.counters = ExchangeCounters()
        self.send = send
        self.failed = failed
        self.up = False
        self.polling = False
        self.silent = False
        self.last_reading_t = 0
        self.stale_after_ns = silent_after(driver, self.interval_ns)
        """The instrument is silent after this time without a reading; 0: a silence has no meaning."""
        #: Requests to send, each with the number of times it was already sent.
        self._queue: deque[tuple[Request, int]] = deque()
        self._outstanding: Request | None = None
        self._attempt = 0
        self._deadline = NEVER
        self._pause_until = 0
        """Nothing is sent before this time: the instrument needs a pause."""
        self._quiet_until = 0
        """Only a stop is sent before this time, because late answers may arrive.  Never before `_pause_until`."""
        self.next_poll = NEVER
        """Time (ns) of the next poll, as far as it is known; `NEVER` where there is none."""
        self._readings = PolledReadings(driver.channels)
        self._echo = Echo(speaks_unasked=driver.streams) if driver.echoes else None
        self._line_wait_ns = SHARED_LINE_WAIT_NS if driver.shares_line else 0
        self._wake_sent = False
        """True if the wake-up bytes of the next request were sent."""
        self._awake_since = -NEVER
        """Time (ns) at which the instrument was awake last: it answered, or was woken."""

    # ---- requests

    def ask(self, t: int, request: Request, *, first: bool = False) -> None:
        """Queue a request at `t` (ns).

        `first` is for a stop: it goes before all others and does not wait for late answers.  The answer to the
        outstanding request is awaited no longer than the time-out of the stop.
        """
        if first:
            self._queue.appendleft((request, 0))
            self._quiet_until = self._pause_until
            if self._outstanding is not None:
                self._deadline = min(self._deadline, t + request.timeout_ns)
        else:
            self._queue.append((request, 0))
        self._send_next(t)

    def drop_queue(self) -> None:
        """Discard the requests that are not sent yet; the outstanding request is not repeated."""
        self._queue.clear()
        self._readings.abandon()
        if self._outstanding is not None:
            self._outstanding = replace(self._outstanding, tries=1)

    def drop(self, kind: str) -> None:
        """Discard the unsent requests that expect `kind`; an outstanding one is not repeated."""
        self._queue = deque(entry for entry in self._queue if entry[0].expects != kind)
        if self._outstanding is not None and self._outstanding.expects == kind:
            self._outstanding = replace(self._outstanding, tries=1)

    @property
    def busy(self) -> bool:
        """True if a request waits to be sent or for its reply."""
        return self._outstanding is not None or bool(self._queue)

    @property
    def awaiting(self) -> bool:
        """True if a request was sent and its answer is awaited."""
        return self._outstanding is not None

    def start_polling(self, t: int) -> None:
        """Poll at the interval from `t` (ns) on; a stream is started where it needs a request, and watched."""
        self.polling = True
        self.silent = False
        self.last_reading_t = t
        if self.driver.streams:
            request = self.driver.start_stream()
            if request is not None:
                self.ask(t, request)
        else:
            self.next_poll = t
            self._send_next(t)

    def poll_faster(self, t: int, interval_ns: int) -> None:
        """Poll at least every `interval_ns` from `t` (ns) on, where the instrument is polled."""
        if self.polling and self.next_poll < NEVER:
            self.interval_ns = min(self.interval_ns, interval_ns)
            self.next_poll = min(self.next_poll, t + self.interval_ns)

    def stop_polling(self) -> None:
        """Stop polling; the answer to a request that was sent is still awaited."""
        self.polling = False
        self.next_poll = NEVER
        self._readings.abandon()

    # ---- the link

    def link_up(self, t: int) -> None:
        """Start at `t` (ns) with an open port, an empty line buffer and no outstanding request."""
        self.up = True
        self._clear_line()
        self._quiet_until = self._pause_until = 0
        self._readings.line_opened(t)
        self.last_reading_t = t
        self._send_next(t)

    def link_down(self) -> None:
        """Discard all requests: the port is closed, and nothing can be sent."""
        self.up = False
        self._queue.clear()
        self._clear_line()

    def _clear_line(self) -> None:
        self.framer.reset()
        self._outstanding, self._deadline = None, NEVER
        self._readings.line_cleared()
        self._wake_sent, self._awake_since = False, -NEVER
        if self._echo is not None:
            self._echo.forget()

    # ---- time

    @property
    def wake_at(self) -> int:
        """Next time (ns) at which an action is due, or `NEVER`."""
        due = NEVER
        if self.up:
            if self._outstanding is not None:
                due = self._deadline
            elif self._queue or self._readings.waiting:
                due = self._quiet_until
            elif self.polling:
                due = max(self.next_poll, self._quiet_until)
            if self._ends_by_silence:
                due = min(due, self.framer.wake_at)
        if self.polling and not self.silent and self.stale_after_ns:
            stale = self.last_reading_t + self.stale_after_ns
            due = min(due, stale)
        return due

    def tick(self, t: int) -> list[Item]:
        """Do what is due at `t` (ns), and return the items of a frame that a silence has ended."""
        items: list[Item] = []
        if self._ends_by_silence and self.up and t >= self.framer.wake_at:
            items = list(self._settle_each(t, self.framer.tick(t)))
        if self._outstanding is not None and t >= self._deadline:
            self._expired(t)
        if self.stale_after_ns and self.polling and not self.silent and t >= self.last_reading_t + self.stale_after_ns:
            self.silent = True
        self._send_next(t)
        return items

    def sent(self, t: int) -> None:
        """Count the time-out from `t` (ns), when the bytes given to `send` last were written."""
        # On a shared line a request waits for its turn; the wait costs no time-out, because it counts from here.
        if self._outstanding is not None:
            self._deadline = t + self._outstanding.timeout_ns + self._sending_ns(self._outstanding)
        elif self._wake_sent:
            self._awake_since = t
            self._pause(t + self.driver.wake_wait_ns)

    def _pause(self, until: int) -> None:
        self._pause_until = max(self._pause_until, until)
        self._quiet_until = max(self._quiet_until, until)

    def _sending_ns(self, request: Request) -> int:
        """Return the time (ns) that sending a request byte by byte takes."""
        return len(request.data) * self.driver.port.byte_pause_ns

    def _settled(self, t: int) -> None:
        self._outstanding, self._deadline = None, NEVER
        if self.driver.pause_ns:
            self._pause(t + self.driver.pause_ns)

    def _expired(self, t: int) -> None:
        request = self._outstanding
        if request is None:
            return
        self.counters.timeouts += 1
        self.framer.unanswered()
        self._settled(t)
        self._awake_since = -NEVER
        if not self._stop_waits:
            self._quiet_until = max(self._quiet_until, t + request.timeout_ns // 2)
        if self._echo is not None and self._echo.missing:
            self.counters.wrong_echo += self._echo.received_any
            self._echo.forget()
        if request.expects == "reading":
            self._readings.timed_out(t, request)  # a poll is not repeated: the next poll replaces it
            return
        if self._attempt < request.tries:
            self._queue.appendleft((request, self._attempt))
            return
        self.counters.given_up += 1
        self.failed(self.name, request, "no answer")

    @property
    def _stop_waits(self) -> bool:
        return bool(self._queue) and self._queue[0][0].expects == "halt"

    def _send_next(self, t: int) -> None:
        """Send the next request at `t` (ns), if there is one and it may be sent."""
        if not self.up or self._outstanding is not None or t < self._quiet_until:
            return
        if self.polling and t >= self.next_poll and not self._queue and not self._readings.waiting:
            self._begin_round(t)
        if not self._queue and not self._readings.waiting:
            return
        driver = self.driver
        if driver.wake and self._sleeps(t):
            self._wake_sent, self._awake_since = True, t
            self._pause(t + driver.wake_wait_ns)
            self.send(self.name, driver.wake)
            return
        if self._queue:
            request, sent = self._queue.popleft()
            self._attempt = sent + 1
        else:
            request, self._attempt = self._readings.waiting.popleft(), 1
        if not driver.streams and (self._wake_sent or self.framer.starts_anew):
            self.framer.forget()  # an incomplete frame is older than the request and would hide the start of the answer
        self._wake_sent = False
        self._outstanding = request
        self._deadline = t + request.timeout_ns + self._sending_ns(request) + self._line_wait_ns
        if self._echo is not None:
            self._echo.expect(request.data)
        self.send(self.name, request.data)

    def _sleeps(self, t: int) -> bool:
        """Return True where the instrument may sleep at `t` (ns): it was silent, or gave no answer to a request."""
        since, driver = t - self._awake_since, self.driver
        # A wake-up that was just sent is not repeated; it loses its effect where no request follows it.
        return since >= driver.wake_after_ns and not (self._wake_sent and since <= driver.wake_wait_ns + WOKEN_NS)

    def _begin_round(self, t: int) -> None:
        poll = self.driver.poll()
        if poll is None:
            self.next_poll = NEVER
            return
        self._readings.begin((poll,) if isinstance(poll, Request) else poll)
        interval = self.interval_ns
        # Polls stay on the grid of the interval, so that a late poll does not delay the following ones.
        self.next_poll += interval * max(1, (t - self.next_poll) // interval + 1)

    # ---- bytes

    def receive(self, t: int, data: bytes) -> list[Item] | Iterator[Item]:
        """Return the readings and replies in `data`, read at `t` (ns); all other lines are counted.

        A list holds only readings without fault of a stream.  Otherwise the result is an iterator, and an item settles
        its request when it is taken from it, so that the effects of a line come before the next line.
        """
        if self._echo is not None and self._echo.missing:
            data = self._echo.strip(data)
            if not self._echo.missing and not self.driver.streams:
                self.framer.forget()  # bytes before the echo are older than the request
        lines = self.framer.feed(t, data)
        if lines and self.driver.streams and self._outstanding is None:
            # A flood is decoded in one `map`: in a stream a reading without fault does not depend on a request.
            decoded = list(map(self.driver.decode, lines))
            if ALL_TUPLES.issuperset(map(type, decoded)):
                self._count_readings(t, len(decoded))
                return decoded  # type: ignore[return-value]  # the test above says so
            return self._settle_each(t, lines, decoded)
        return self._settle_each(t, lines)

    def _settle_each(self, t: int, lines: Sequence[bytes], unasked: Sequence[Decoded] = ()) -> Iterator[Item]:
        """Yield the items of `lines`; `unasked` holds the lines as decoded without a request, where that is done."""
        driver = self.driver
        for i, line in enumerate(lines):
            asked = self._outstanding
            item = unasked[i] if unasked and asked is None else driver.decode(line, asked)
            if isinstance(item, Reject):
                self.counters.reject(item.reason)
            elif isinstance(item, Reply):
                if self._settle_reply(t, item):
                    yield item
            else:
                for reading in self._readings_of(t, item):
                    self._count_readings(t, 1)
                    yield reading

    def _readings_of(self, t: int, item: Reading | Several) -> list[tuple[float, ...] | Values]:
        """Return the readings that a line is or completes; of several readings the first one settles the request."""
        own: Sequence[Reading] = item.readings if isinstance(item, Several) else (item,)
        if not self.driver.streams:
            return self._settle_poll(t, own)
        found = [self._readings.join(t, one, self.driver.interval_ns) for one in own]
        return [one for one in found if one is not None]

    def _count_readings(self, t: int, readings: int) -> None:
        self.counters.readings += readings
        self._awake_since = t
        self.last_reading_t = t
        self.silent = False

    def _settle_poll(self, t: int, own: Sequence[Reading]) -> list[tuple[float, ...] | Values]:
        """Return the readings that a line is or completes; none where parts are missing or no poll is outstanding."""
        if self._outstanding is None or self._outstanding.expects != "reading":
            self.counters.late += 1
            self._readings.unrequested(t)
            return []
        self._settled(t)
        self._awake_since = t
        found = self._readings.take(t, own)
        self._send_next(t)
        return found

    def _settle_reply(self, t: int, reply: Reply) -> bool:
        request = self._outstanding
        if request is None or reply.kind not in (request.expects, "refused"):
            self.counters.unexpected += 1
            return False
        self._settled(t)
        self._awake_since = t
        if reply.kind == "refused":
            # Without a pause a refused request would be repeated as fast as the line allows.
            self._pause(t + request.timeout_ns // 2)
            if request.expects == "reading":
                self._readings.abandon()
            self.failed(self.name, request, reply.refusal)
            return False
        self._send_next(t)
        return True

    def report(self) -> dict[str, Any]:
        """Return the counters of bytes, lines, rejected lines by reason and time-outs, as JSON values."""
        return self.counters.report(self.framer.counters)


__all__ = ["NEVER", "Decoded", "Exchange", "ExchangeCounters", "Identity", "Item"]
