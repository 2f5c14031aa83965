"""Tickets: a person who has logged in once acts by one, without giving the password again.

The daemon keeps the SHA-256 of each in memory.  Tickets have 256 random bits, so a slow hash would add nothing.
"""

import hashlib
import secrets
import threading
from dataclasses import dataclass, replace
from typing import Final

LIFE_NS: Final = 12 * 3600 * 10**9
"""Longest life of a ticket: a shift (common practice, no source)."""
IDLE_NS: Final = 3600 * 10**9
"""Longest time without use (common practice, no source)."""
MOST: Final = 1000
"""Greatest number of tickets; the one that was not used for the longest time ends for a new one."""


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

    def end(self, text: str) -> bool:
        """End a ticket; return whether there was one."""
        with self._turn:
            return self._held.pop(_digest(text), None) is not None


def _is_alive(ticket: Ticket, mono_ns: int) -> bool:
    return mono_ns - ticket.issued_ns < LIFE_NS and mono_ns - ticket.used_ns < IDLE_NS


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()
