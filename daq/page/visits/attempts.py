"""Failed log-ins by address: they slow down the next ones, and lock the address for a while.

The daemon counts by person besides (`daq.app.laboratory.log_ins`), where a right password ends the count.  Here a right
one changes nothing: otherwise a person with a log-in could try those of others without end.  A failure is forgotten
with time.  These bounds are common practice, no source.
"""

from dataclasses import dataclass
from typing import Final

from daq.core.errors import DaqError

FIRST_WAIT_S: Final = 1.0
"""Wait after the second failed log-in from an address, s; it doubles with each further one."""
LOCKED_AFTER: Final = 10
LOCKED_S: Final = 15 * 60.0
FORGET_S: Final = 15 * 60.0
"""Time in seconds after which one failure of an address is forgotten."""
MOST: Final = 10_000
"""Greatest number of addresses that are counted."""


class TooManyAttemptsError(DaqError):
    """Log-ins from an address failed too often.  Example: the address is locked for 15 minutes.

    `key` is that of the sentence in the texts of the page, with its `values`.
    """

    def __init__(self, reason: str, key: str, **values: str) -> None:
        self.key, self.values = key, values
        super().__init__(reason)


@dataclass(slots=True)
class _Failed:
    count: int = 0
    since_s: float = 0.0
    """Time from which the oldest failure is forgotten after `FORGET_S`."""
    until_s: float = 0.0
    busy: bool = False


class Attempts:
    """Counts failed log-ins, by address."""

    def __init__(self) -> None:
        self._failed: dict[str, _Failed] = {}

    def begin(self, address: str, now_s: float) -> None:
        """Begin a log-in from an address.  One is checked at a time: several would all be checked before a failure.

        Raises:
            TooManyAttemptsError: another is being checked, or the last one failed not long enough ago.
        """
        found = self._failed.setdefault(address, _Failed())
        if found.busy:
            raise TooManyAttemptsError(
                "another log-in from this address is being checked; try again", "refused.log_in_checked"
            )
        if now_s < found.until_s:
            wait = f"{found.until_s - now_s:.0f}"
            raise TooManyAttemptsError(
                f"log-ins from this address failed; try again in {wait} s", "refused.log_ins_failed", seconds=wait
            )
        found.busy = True
        self._forget(now_s)

    def end(self, address: str, now_s: float, *, failed: bool) -> None:
        """End a log-in after `begin`.

        `failed`: the secret was wrong.  A right secret, and a daemon that was not reached, leave the count as it is.
        """
        found = self._failed.get(address)
        if found is None:
            return
        found.busy = False
        over = int((now_s - found.since_s) // FORGET_S)
        found.count = max(0, found.count - over)
        found.since_s += over * FORGET_S
        if not failed:
            if not found.count:
                del self._failed[address]
            return
        if not found.count:
            found.since_s = now_s
        found.count += 1
        wait = LOCKED_S if found.count >= LOCKED_AFTER else FIRST_WAIT_S * 2.0 ** max(0, found.count - 2)
        found.until_s = now_s + (wait if found.count > 1 else 0.0)

    def _forget(self, now_s: float) -> None:
        """Forget addresses, those whose wait ended longest ago first, beyond the bound."""
        if len(self._failed) <= MOST:
            return
        idle = [a for a, f in self._failed.items() if not f.busy]
        for address in sorted(idle, key=lambda a: self._failed[a].until_s)[: len(self._failed) - MOST]:
            if self._failed[address].until_s <= now_s or len(self._failed) > 2 * MOST:
                del self._failed[address]
