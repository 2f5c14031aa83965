"""Log-ins: failed ones slow down the next ones of the same person; others give a ticket, by which the person acts.

The daemon keeps the SHA-256 of each ticket in memory.  Tickets have 256 random bits, so a slow hash would add nothing.
"""

import hashlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, TypeVar

from daq.core.errors import SettingError, coded

T = TypeVar("T")

FIRST_WAIT_S: Final = 1.0
"""Wait after the first failed log-in of a person, s; it doubles with each further one (common practice, no source)."""
LONGEST_WAIT_S: Final = 60.0
"""Longest wait, s.  A stranger can hold a person up for as long."""
FORGET_NS: Final = 60 * 10**9
"""Time after which one failure of a shared count is forgotten (common practice, no source)."""
LIFE_NS: Final = 12 * 3600 * 10**9
"""Longest life of a ticket: a shift (common practice, no source)."""
IDLE_NS: Final = 3600 * 10**9
"""Longest time without use (common practice, no source)."""
MOST: Final = 1000
"""Greatest number of tickets; the one that was not used for the longest time ends for a new one."""
REFUSED: Final = "the log-in is refused"
"""The same for every reason, so that it tells a stranger nothing."""


@dataclass(slots=True)
class _Failed:
    count: int = 0
    since_ns: int = 0
    """Monotonic time from which the oldest failure of a shared count is forgotten after `FORGET_NS`."""
    until_ns: int = 0
    """Monotonic time until which no other is checked."""


class LogIns:
    """Counts failed log-ins, by person; those by badge by login, because a wrong code names no person.

    The count of a person ends with the right password of that person.  A count that several persons share ends with
    time alone: otherwise a person with a badge could try those of others without end.

    One log-in is checked at a time.  Several at once would all be checked before the first failure is counted.
    """

    def __init__(self) -> None:
        self._failed: dict[str, _Failed] = {}
        self._one = threading.Lock()

    def check(self, name: str, mono_ns: int, verify: Callable[[], T | None], *, shared: int | None = None) -> T:
        """Return what `verify` returns.

        Args:
            name: under which failures are counted.
            mono_ns: monotonic time, ns.
            verify: checks the password or code; returns None where it is wrong.
            shared: None for the count of one person; for a count that several persons share, the number of failures
                that delay no one.

        Raises:
            SettingError: it is wrong, or another wrong one was not long enough ago.
        """
        with self._one:
            failed = self._failed.get(name, _Failed(since_ns=mono_ns))
            if mono_ns < failed.until_ns:
                seconds = -((mono_ns - failed.until_ns) // 10**9)
                error = SettingError(f"{REFUSED}: the last one failed; try again in {seconds} s")
                raise coded(error, "log_in_waits", seconds=str(seconds))
            if shared is not None:
                over = (mono_ns - failed.since_ns) // FORGET_NS
                failed.count = max(0, failed.count - over)
                failed.since_ns = failed.since_ns + over * FORGET_NS if failed.count else mono_ns
            found = verify()
            if found is None:
                beyond = failed.count - (shared or 0)
                wait = min(FIRST_WAIT_S * 2.0 ** min(beyond, 30), LONGEST_WAIT_S) if beyond >= 0 else 0.0
                failed.count += 1
                failed.until_ns = mono_ns + round(wait * 1e9)
                self._failed[name] = failed
                import structlog  # a command that only reads logs nothing

                structlog.get_logger().warning("log-in failed", by=name or "an unknown person", times=failed.count)
                left = f"{max(wait, FIRST_WAIT_S):g}"
                error = SettingError(f"{REFUSED}; the next one is possible in {left} s")
                raise coded(error, "log_in_refused", seconds=left)
            if shared is None:
                self._failed.pop(name, None)
            return found


@dataclass(frozen=True, slots=True)
class Ticket:
    """A log-in.

    Attributes:
        person: id of the person.
        by_badge: whether a badge identified the person.
        issued_ns, used_ns: monotonic times of the log-in and of the newest use.
    """

    person: str
    by_badge: bool
    issued_ns: int
    used_ns: int


class Tickets:
    """The tickets of one daemon; they end with it."""

    def __init__(self) -> None:
        self._held: dict[bytes, Ticket] = {}
        self._days: dict[str, str] = {}
        """Newest day on which each token was used."""
        self._turn = threading.Lock()

    def issue(self, person: str, *, by_badge: bool, mono_ns: int) -> str:
        """Return a new ticket for a person (id), issued at `mono_ns`."""
        text = secrets.token_urlsafe(32)
        with self._turn:
            self._held = {k: t for k, t in self._held.items() if _is_alive(t, mono_ns)}
            while len(self._held) >= MOST:
                del self._held[min(self._held, key=lambda k: self._held[k].used_ns)]
            self._held[_digest(text)] = Ticket(person, by_badge, mono_ns, mono_ns)
        return text

    def use(self, text: str, mono_ns: int) -> Ticket | None:
        """Return the log-in of a ticket that is used at `mono_ns`; None where it has ended or never was."""
        key = _digest(text)
        with self._turn:
            found = self._held.get(key)
            if found is None or not _is_alive(found, mono_ns):
                self._held.pop(key, None)
                return None
            self._held[key] = replace(found, used_ns=mono_ns)
            return found

    def first_of_day(self, token: str, day: str) -> bool:
        """Return whether a token (id) is used for the first time on a day (YYYY-MM-DD), as this process knows."""
        with self._turn:
            if self._days.get(token) == day:
                return False
            self._days[token] = day
            return True

    def end(self, text: str) -> bool:
        """End a ticket; return whether there was one."""
        with self._turn:
            return self._held.pop(_digest(text), None) is not None


def _is_alive(ticket: Ticket, mono_ns: int) -> bool:
    return mono_ns - ticket.issued_ns < LIFE_NS and mono_ns - ticket.used_ns < IDLE_NS


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()
