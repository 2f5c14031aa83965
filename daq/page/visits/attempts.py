"""Failed log-ins by address: they slow down the next ones, and lock the address for a while.

A failure counts for the person who was named, at this address, and for the address.  All persons at one machine, and
all behind a proxy, have one address: it permits the mistypes of many.  A wrong badge names no person: all badges at an
address have one count, which is slow before the daemon's count of badges delays other addresses.

The daemon counts by person besides (`daq.app.laboratory.log_ins`), where a right password ends the count.  Here a right
one changes nothing: otherwise a person with a log-in could try those of others without end.  A failure is forgotten
with time.  These bounds are common practice, no source.
"""

from dataclasses import dataclass
from typing import Final

from daq.core.errors import DaqError

FIRST_WAIT_S: Final = 1.0
"""Wait after the first failure that is not free, s; it doubles with each further one."""
LOCKED_S: Final = 15 * 60.0
MOST: Final = 10_000
"""Greatest number of counts that are kept."""
LONGEST_NAME: Final = 100
"""Number of characters of a person's name that are kept."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Numbers of failures that a count permits.

    Attributes:
        free: number of failures that delay no one.
        locked_after: number of failures from which each further one locks for `LOCKED_S`.
        forget_s: time in seconds after which one failure is forgotten.
    """

    free: int
    locked_after: int
    forget_s: float


PERSON: Final = Limit(free=1, locked_after=10, forget_s=15 * 60.0)
BADGE: Final = Limit(free=5, locked_after=15, forget_s=5 * 60.0)
ADDRESS: Final = Limit(free=40, locked_after=50, forget_s=3 * 60.0)


class TooManyAttemptsError(DaqError):
    """Log-ins from an address failed too often.  Example: the address is locked for 15 minutes.

    `key` is that of the sentence in the texts of the page, with its `values`.
    """

    def __init__(self, reason: str, key: str, **values: str) -> None:
        self.key, self.values = key, values
        super().__init__(reason)


@dataclass(slots=True)
class _Failed:
    limit: Limit
    count: int = 0
    since_s: float = 0.0
    """Time from which the oldest failure is forgotten after `limit.forget_s`."""
    until_s: float = 0.0
    busy: bool = False

    def forget(self, now_s: float) -> None:
        """Forget the failures whose time has passed."""
        over = int((now_s - self.since_s) // self.limit.forget_s)
        self.count = max(0, self.count - over)
        self.since_s += over * self.limit.forget_s

    def fail(self, now_s: float) -> None:
        """Count a failure."""
        if not self.count:
            self.since_s = now_s
        self.count += 1
        beyond = self.count - self.limit.free
        wait = LOCKED_S if self.count >= self.limit.locked_after else FIRST_WAIT_S * 2.0 ** (beyond - 1)
        self.until_s = now_s + (wait if beyond > 0 else 0.0)


Key = tuple[str, Limit, str]
"""Address, limit of the count, and person; "" for no person."""


class Attempts:
    """Counts failed log-ins, by address, and by the person who was named at an address."""

    def __init__(self) -> None:
        self._failed: dict[Key, _Failed] = {}

    def begin(self, address: str, person: str, now_s: float) -> None:
        """Begin a log-in from an address; `person` is "" for a badge.

        One of an address is checked at a time: several would all be checked before a failure.

        Raises:
            TooManyAttemptsError: another is being checked, or the last one failed not long enough ago.
        """
        whole = self._failed.setdefault((address, ADDRESS, ""), _Failed(ADDRESS))
        if whole.busy:
            raise TooManyAttemptsError(
                "another log-in from this address is being checked; try again", "refused.log_in_checked"
            )
        until_s = max(self._failed[key].until_s for key in _keys(address, person) if key in self._failed)
        if now_s < until_s:
            wait = f"{until_s - now_s:.0f}"
            raise TooManyAttemptsError(
                f"log-ins from this address failed; try again in {wait} s", "refused.log_ins_failed", seconds=wait
            )
        whole.busy = True
        self._forget(now_s)

    def end(self, address: str, person: str, now_s: float, *, failed: bool) -> None:
        """End a log-in after `begin`.

        `failed`: the secret was wrong.  A right secret, and a daemon that was not reached, change no count.
        """
        for key in _keys(address, person):
            found = self._failed.setdefault(key, _Failed(key[1]))
            found.busy = False
            found.forget(now_s)
            if failed:
                found.fail(now_s)
            elif not found.count:
                del self._failed[key]

    def _forget(self, now_s: float) -> None:
        """Forget counts, those whose wait ended longest ago first, beyond the bound."""
        if len(self._failed) <= MOST:
            return
        idle = [key for key, found in self._failed.items() if not found.busy]
        for key in sorted(idle, key=lambda k: self._failed[k].until_s)[: len(self._failed) - MOST]:
            if self._failed[key].until_s <= now_s or len(self._failed) > 2 * MOST:
                del self._failed[key]


def _keys(address: str, person: str) -> tuple[Key, ...]:
    """Return the counts of a log-in: that of its address, and that of its person or of badges."""
    return (address, ADDRESS, ""), (address, PERSON if person else BADGE, person[:LONGEST_NAME])
