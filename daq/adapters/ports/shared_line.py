"""One open port for several instruments with addresses, usually on RS-485; one of them talks at a time.

A member holds the line from its write until its exchange awaits no answer any more (`free`): after the answer or a
time-out.  Then the line is quiet for a moment, and the member that has waited longest is next.  A stop goes before all
waiting requests.  The member that holds the line receives the bytes that arrive.  Without holder they are dropped and
counted.
"""

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

from daq.adapters.ports.types import Connection, OnData, OnLost, Sent, ignore_sent
from daq.core.driver import Port
from daq.core.errors import LinkError

QUIET_CHARACTERS: Final = 3.5
"""Silence between two messages in characters of 11 bits (MODBUS over Serial Line, specification V1.02, 2.5.1.1)."""
LATE_S: Final = 0.1
"""Shortest silence (s) after a request without answer, so that a late answer does not meet the next request."""
LONGEST_HOLD_S: Final = 60.0
"""Longest time (s) for which a member holds the line, also where its exchange fails to free it."""
LONGEST_WAIT_S: Final = 25.0
"""Longest real time (s) for which a request waits for the line; the time-out of the exchange is a little longer."""

Opener = Callable[[OnData, OnLost], Awaitable[Connection]]


@dataclass(slots=True)
class _Request:
    """A request that waits for the line."""

    member: "Member"
    data: bytes
    sent: Sent
    since: float


class SharedLine:
    """One port for all its members.  The first member opens it, the last one closes it.

    Attributes:
        stray_bytes: number of bytes that arrived while no member held the line.
    """

    def __init__(self, name: str, opener: Opener, port: Port, pause_ns: int = 0) -> None:
        """Make a line; `pause_ns` is the longest pause (ns) between two messages that a member needs."""
        self.name = name
        self.stray_bytes = 0
        self._opener = opener
        self._quiet_s = max(QUIET_CHARACTERS * 11 / port.baud, pause_ns * 1e-9)
        self._members: set[Member] = set()
        self._connection: Connection | None = None
        self._opening = asyncio.Lock()
        self._queue: deque[_Request] = deque()
        self._holder: Member | None = None
        self._heard = False
        self._quiet_until = 0.0
        self._next: asyncio.Handle | None = None
        self._hold_timeout: asyncio.TimerHandle | None = None

    def pause_at_least(self, pause_ns: int) -> None:
        """Lengthen the pause between two messages to `pause_ns` where it is shorter; for another member."""
        self._quiet_s = max(self._quiet_s, pause_ns * 1e-9)

    async def join(self, on_data: OnData, on_lost: OnLost, stop: bytes = b"") -> "Member":
        """Return a new member; `stop` are its bytes that go before all waiting requests.

        Raises:
            LinkError: the port cannot be opened.
        """
        async with self._opening:
            if self._connection is None:
                self._connection = await self._opener(self._data, self._lost)
            member = Member(self, on_data, on_lost, stop)
            self._members.add(member)
            return member

    # ---- calls of members

    def write(self, member: "Member", data: bytes, sent: Sent) -> None:
        """Queue a request; it replaces a waiting one of the same member.

        Raises:
            LinkError: the port is closed.
        """
        if self._connection is None or member not in self._members:
            raise LinkError(f"{self.name}: the port is closed")
        if self._holder is member:
            self._release()
        self._forget(member)
        waiting = _Request(member, data, sent, _now())
        if member.stop and data == member.stop:
            stops = sum(1 for w in self._queue if w.data == w.member.stop)
            self._queue.insert(stops, waiting)
        else:
            self._queue.append(waiting)
        self._grant_line()

    def free(self, member: "Member") -> None:
        """Release the line: the member awaits no answer any more."""
        if self._holder is member:
            self._release()
            self._grant_line()

    def leave(self, member: "Member") -> None:
        """Remove a member; the last one closes the port."""
        self._members.discard(member)
        self._forget(member)
        self.free(member)
        if not self._members and self._connection is not None:
            connection, self._connection = self._connection, None
            self._reset()
            connection.close()

    def _forget(self, member: "Member") -> None:
        self._queue = deque(w for w in self._queue if w.member is not member)

    # ---- the holder of the line

    def _release(self) -> None:
        self._holder = None
        self._quiet_until = max(
            self._quiet_until, _now() + (self._quiet_s if self._heard else max(LATE_S, self._quiet_s))
        )
        if self._hold_timeout is not None:
            self._hold_timeout.cancel()
            self._hold_timeout = None

    def _grant_line(self) -> None:
        """Give the line to the next request, or try again when the line has been quiet long enough."""
        if self._holder is not None or not self._queue or self._next is not None:
            return
        loop = asyncio.get_running_loop()
        left = self._quiet_until - _now()
        if left > 0:
            self._next = loop.call_later(left, self._grant_later)
            return
        waiting = self._queue.popleft()
        if _now() - waiting.since > LONGEST_WAIT_S:
            self._next = loop.call_soon(self._grant_later)
            self._expel(waiting.member, f"{self.name}: the line was not free for {LONGEST_WAIT_S:g} s")
            return
        self._holder, self._heard = waiting.member, False
        self._hold_timeout = loop.call_later(LONGEST_HOLD_S, self.free, waiting.member)
        try:
            if self._connection is not None:
                self._connection.write(waiting.data)
        except LinkError as error:
            loop.call_soon(self._lost, str(error))
            return
        waiting.sent()

    def _grant_later(self) -> None:
        self._next = None
        self._grant_line()

    def _expel(self, member: "Member", reason: str) -> None:
        self.leave(member)
        member.on_lost(reason)

    # ---- events of the port

    def _data(self, data: bytes) -> None:
        holder = self._holder
        if holder is None:
            self.stray_bytes += len(data)
            # A late answer: keep the line quiet, so that no request is sent into it.
            self._quiet_until = max(self._quiet_until, _now() + self._quiet_s)
            return
        self._heard = True
        holder.on_data(data)

    def _lost(self, reason: str) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()
        members, self._members = self._members, set()
        self._reset()
        for member in members:
            member.on_lost(reason)

    def _reset(self) -> None:
        self._queue.clear()
        self._holder = None
        for timer in (self._next, self._hold_timeout):
            if timer is not None:
                timer.cancel()
        self._next = self._hold_timeout = None


class Member(Connection):
    """The connection of one instrument on a shared line."""

    def __init__(self, line: SharedLine, on_data: OnData, on_lost: OnLost, stop: bytes) -> None:
        self._line = line
        self.on_data, self.on_lost, self.stop = on_data, on_lost, stop

    def write(self, data: bytes, sent: Sent = ignore_sent) -> None:
        """Send as soon as the line is free."""
        self._line.write(self, data, sent)

    def free(self) -> None:
        """Free the line for the other members: no answer is awaited any more."""
        self._line.free(self)

    def close(self) -> None:
        """Leave the line."""
        self._line.leave(self)


def _now() -> float:
    return asyncio.get_running_loop().time()
