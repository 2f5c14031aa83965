"""Several instruments with addresses on one line, RS-485 as a rule: one open port, and one of them speaks at a time.

Who has written has the line until nobody waits for its answer any more (`free`): the exchange knows that, by an answer
or a time-out.  Then the line is quiet for a moment, and whoever waited longest goes next; a stop goes
before all that wait.  What arrives is heard by the instrument that has the line, and by nobody where none has it.
"""

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

from daq.adapters.ports.types import Connection, OnData, OnLost, Sent, nobody
from daq.core.driver import Port
from daq.core.errors import LinkError

QUIET_CHARACTERS: Final = 3.5
"""Silence between two messages in characters of 11 bits (MODBUS over Serial Line, specification V1.02, 2.5.1.1)."""
LATE_S: Final = 0.1
"""So long at least the line stays quiet after a request without an answer, lest a late one meets the next request."""
LONGEST_HOLD_S: Final = 60.0
"""Nobody has the line for longer, whatever goes wrong with whoever should give it back."""
LONGEST_WAIT_S: Final = 25.0
"""Real seconds a request may wait for the line; the exchange waits a little longer."""

Opener = Callable[[OnData, OnLost], Awaitable[Connection]]


@dataclass(slots=True)
class _Waiting:
    """A request that waits for the line."""

    member: "Member"
    data: bytes
    sent: Sent
    since: float


class SharedLine:
    """One port for all its members.  The first one opens it, the last one closes it."""

    def __init__(self, name: str, opener: Opener, port: Port, pause_ns: int = 0) -> None:
        """`pause_ns` is the longest pause between two messages that a member asks for."""
        self.name = name
        self.strays = 0
        """Bytes that came while nobody had the line."""
        self._opener = opener
        self._quiet_s = max(QUIET_CHARACTERS * 11 / port.baud, pause_ns * 1e-9)
        self._members: set[Member] = set()
        self._connection: Connection | None = None
        self._opening = asyncio.Lock()
        self._queue: deque[_Waiting] = deque()
        self._holder: Member | None = None
        self._heard = False
        self._quiet_until = 0.0
        self._next: asyncio.Handle | None = None
        self._guard: asyncio.TimerHandle | None = None

    def pause_at_least(self, pause_ns: int) -> None:
        """Another member, with a pause of its own."""
        self._quiet_s = max(self._quiet_s, pause_ns * 1e-9)

    async def join(self, on_data: OnData, on_lost: OnLost, stop: bytes = b"") -> "Member":
        """Become a member; `stop` are the bytes that go before all others'.

        Raises:
            LinkError: the port cannot be opened.
        """
        async with self._opening:
            if self._connection is None:
                self._connection = await self._opener(self._data, self._lost)
            member = Member(self, on_data, on_lost, stop)
            self._members.add(member)
            return member

    # ---- what members do

    def write(self, member: "Member", data: bytes, sent: Sent) -> None:
        """Queue a request; one that the same member had waiting is forgotten, nobody waits for its answer."""
        if self._connection is None or member not in self._members:
            raise LinkError(f"{self.name}: the port is closed")
        if self._holder is member:
            self._release()
        self._forget(member)
        waiting = _Waiting(member, data, sent, _now())
        if member.stop and data == member.stop:
            stops = sum(1 for w in self._queue if w.data == w.member.stop)
            self._queue.insert(stops, waiting)
        else:
            self._queue.append(waiting)
        self._go_on()

    def free(self, member: "Member") -> None:
        """The member waits for no answer any more."""
        if self._holder is member:
            self._release()
            self._go_on()

    def leave(self, member: "Member") -> None:
        """The member is gone; the last one closes the port."""
        self._members.discard(member)
        self._forget(member)
        self.free(member)
        if not self._members and self._connection is not None:
            connection, self._connection = self._connection, None
            self._reset()
            connection.close()

    def _forget(self, member: "Member") -> None:
        self._queue = deque(w for w in self._queue if w.member is not member)

    # ---- who has the line

    def _release(self) -> None:
        self._holder = None
        self._quiet_until = max(
            self._quiet_until, _now() + (self._quiet_s if self._heard else max(LATE_S, self._quiet_s))
        )
        if self._guard is not None:
            self._guard.cancel()
            self._guard = None

    def _go_on(self) -> None:
        """Give the line to whoever is next, or look again when it has been quiet long enough."""
        if self._holder is not None or not self._queue or self._next is not None:
            return
        loop = asyncio.get_running_loop()
        left = self._quiet_until - _now()
        if left > 0:
            self._next = loop.call_later(left, self._look_again)
            return
        waiting = self._queue.popleft()
        if _now() - waiting.since > LONGEST_WAIT_S:
            self._next = loop.call_soon(self._look_again)
            self._expel(waiting.member, f"{self.name}: the line was not free for {LONGEST_WAIT_S:g} s")
            return
        self._holder, self._heard = waiting.member, False
        self._guard = loop.call_later(LONGEST_HOLD_S, self.free, waiting.member)
        try:
            if self._connection is not None:
                self._connection.write(waiting.data)
        except LinkError as error:
            loop.call_soon(self._lost, str(error))
            return
        waiting.sent()

    def _look_again(self) -> None:
        self._next = None
        self._go_on()

    def _expel(self, member: "Member", reason: str) -> None:
        self.leave(member)
        member.on_lost(reason)

    # ---- what the port does

    def _data(self, data: bytes) -> None:
        holder = self._holder
        if holder is None:
            self.strays += len(data)
            # Whoever speaks now is late: nothing is sent into it.
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
        for timer in (self._next, self._guard):
            if timer is not None:
                timer.cancel()
        self._next = self._guard = None


class Member(Connection):
    """The connection of one instrument on a shared line."""

    def __init__(self, line: SharedLine, on_data: OnData, on_lost: OnLost, stop: bytes) -> None:
        self._line = line
        self.on_data, self.on_lost, self.stop = on_data, on_lost, stop

    def write(self, data: bytes, sent: Sent = nobody) -> None:
        """Send as soon as the line is free."""
        self._line.write(self, data, sent)

    def free(self) -> None:
        """No answer is awaited any more: the line is free for the others."""
        self._line.free(self)

    def close(self) -> None:
        """Leave the line."""
        self._line.leave(self)


def _now() -> float:
    return asyncio.get_running_loop().time()
