"""Failed log-ins slow down the next ones of the same person."""

import threading
from collections.abc import Callable
from typing import Final, TypeVar

from daq.core.errors import SettingError

T = TypeVar("T")

FIRST_WAIT_S: Final = 1.0
"""Wait after the first failed log-in of a person, s; it doubles with each further one (common practice, no source)."""
LONGEST_WAIT_S: Final = 60.0
"""Longest wait, s.  A stranger can hold a person up for as long."""
REFUSED: Final = "the log-in is refused"
"""The same for every reason, so that it tells a stranger nothing."""


class LogIns:
    """Counts failed log-ins, by person; those by badge by login, because a wrong code names no person.

    One log-in is checked at a time.  Several at once would all be checked before the first failure is counted.
    """

    def __init__(self) -> None:
        self._failed: dict[str, tuple[int, int]] = {}
        """Number of failures, and the monotonic time (ns) until which no other is checked."""
        self._one = threading.Lock()

    def check(self, name: str, mono_ns: int, verify: Callable[[], T | None]) -> T:
        """Return what `verify` returns.

        Args:
            name: under which failures are counted.
            mono_ns: monotonic time, ns.
            verify: checks the password or code; returns None where it is wrong.

        Raises:
            SettingError: it is wrong, or another wrong one was not long enough ago.
        """
        with self._one:
            count, until = self._failed.get(name, (0, 0))
            if mono_ns < until:
                seconds = -((mono_ns - until) // 10**9)
                raise SettingError(f"{REFUSED}: the last one failed; try again in {seconds} s")
            found = verify()
            if found is None:
                wait = min(FIRST_WAIT_S * 2.0 ** min(count, 30), LONGEST_WAIT_S)
                self._failed[name] = (count + 1, mono_ns + round(wait * 1e9))
                import structlog  # a command that only reads logs nothing

                structlog.get_logger().warning("log-in failed", by=name or "an unknown person", times=count + 1)
                raise SettingError(f"{REFUSED}; the next one is possible in {wait:g} s")
            self._failed.pop(name, None)
            return found
