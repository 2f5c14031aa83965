"""Readings of one instrument: a round of polls, parts joined to a reading, and readings older than their request."""

from collections import deque
from collections.abc import Iterable, Sequence
from typing import Final

from daq.core.driver import Channel, Part, Reading, Request, Values
from daq.core.readingparts import ReadingParts

LATE_TIMEOUTS: Final = 4
"""After a poll without answer, an unrequested reading may be its late answer for this number of time-outs."""
IN_FLIGHT_NS: Final = 2_000_000_000
"""After a line is opened or returned, earlier requests may still be answered for this time."""


class PolledReadings:
    """State between the requests of a reading and the reading.

    Attributes:
        waiting: requests of the present round of polling that are not yet sent.
    """

    __slots__ = ("_late_until", "_parts", "_several", "_unasked", "waiting")

    def __init__(self, channels: Sequence[Channel]) -> None:
        """Set up without a round; `channels` are the driver's."""
        self.waiting: deque[Request] = deque()
        self._parts = ReadingParts(channels)
        self._several: list[tuple[float, ...] | Values] = []
        """Readings of the present round's lines with several readings, the oldest first."""
        self._late_until = 0
        """An unrequested reading before this time may be the late answer to a poll that timed out."""
        self._unasked = 0
        """Unrequested readings since the last requested one."""

    def begin(self, requests: Iterable[Request]) -> None:
        """Begin a round of polling; the former one is given up."""
        self.abandon()
        self.waiting.extend(requests)

    def abandon(self) -> None:
        """Give up the present round and its parts."""
        self.waiting.clear()
        self._parts.clear()
        self._several.clear()

    def line_cleared(self) -> None:
        """Start again: no earlier request can be answered."""
        self._unasked = self._late_until = 0
        self.abandon()

    def line_opened(self, t: int) -> None:
        """Expect answers to earlier requests from `t` (ns) on."""
        self._late_until = t + IN_FLIGHT_NS

    def timed_out(self, t: int, request: Request) -> None:
        """Give up the round: its `request` has no answer at `t` (ns), but may have a late one."""
        self._late_until = t + LATE_TIMEOUTS * request.timeout_ns
        self.abandon()

    def unrequested(self, t: int) -> None:
        """Count a reading at `t` (ns) that answers no poll."""
        if t >= self._late_until:
            self._unasked += 1

    def take(self, t: int, own: Sequence[Reading]) -> list[tuple[float, ...] | Values]:
        """Return the readings that the answer to a poll is or completes; none where parts are missing.

        `own`: the readings of its line, the oldest first.
        """
        found: list[tuple[float, ...] | Values] = []
        if len(own) > 1:
            self._several += [one for one in own if not isinstance(one, Part)]
        elif self.waiting or self._parts or self._several or isinstance(own[0], Part):
            self._parts.add(t, own[0])
        else:
            found.append(own[0])
        if self.waiting:
            return []
        if self._several:
            # A fault of the round, for example of an error queue, belongs to each reading of the round.
            found = [self._parts.joined_to(one) for one in self._several]
            self.abandon()
        elif self._parts or not found:
            found = [self._parts.take()]
        if self._unasked and found:
            # The instrument sends unrequested readings, so this line may be older than its request.
            self._unasked = 0
            found = [_with_fault(one, ("", "unasked")) for one in found]
        return found

    def join(
        self, t: int, item: tuple[float, ...] | Values | Part, interval_ns: int
    ) -> tuple[float, ...] | Values | None:
        """Return a reading of a stream; None for a part as long as other parts are missing."""
        if not isinstance(item, Part):
            return item
        self._parts.add(t, item)
        # Older parts are dropped: a lost line delays a reading, and parts of different intervals are never joined.
        return self._parts.take_if_whole(t - interval_ns)


def _with_fault(reading: tuple[float, ...] | Values, fault: tuple[str, str]) -> Values:
    """Return a reading with one more fault."""
    values, faults = (reading.values, reading.faults) if isinstance(reading, Values) else (reading, ())
    return Values(values, (*faults, fault))
