"""Codes that pair a browser with a bench: each is good once, and for an hour.

A program that starts the page prints one in an address; a person opens it in the browser of the bench.
"""

import hashlib
import hmac
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

GOOD_S: Final = 3600
"""Time in seconds for which a code is good."""
CODE_KEY_BYTES: Final = 32
LENGTH: Final = 20
"""Number of hexadecimal digits of the signature in a code: 80 bits, which no one finds by trying within `GOOD_S`."""


@dataclass(frozen=True, slots=True)
class PairingCodes:
    """Makes and takes codes.

    Attributes:
        signing_key: of this process of the page; codes that were used are known to the same process alone.
        clock: gives UTC in s.
    """

    signing_key: bytes = field(repr=False)
    clock: Callable[[], float] = time.time
    _taken: set[str] = field(default_factory=set)

    def made(self, bench: str) -> str:
        """Return a code for a bench: the second at which it ends, and a signature."""
        ends = f"{int(self.clock()) + GOOD_S:x}"
        return f"{ends}-{self._signature(bench, ends)}"

    def take(self, bench: str, code: str) -> bool:
        """Return whether a code is good for a bench; from then on it is not."""
        ends, _, signature = code.partition("-")
        if not hmac.compare_digest(self._signature(bench, ends).encode(), signature.encode()):
            return False
        if self.clock() >= int(ends, 16) or code in self._taken:
            return False
        self._taken.add(code)
        return True

    def _signature(self, bench: str, ends: str) -> str:
        return hmac.new(self.signing_key, f"code:{ends}:{bench}".encode(), hashlib.sha256).hexdigest()[:LENGTH]
