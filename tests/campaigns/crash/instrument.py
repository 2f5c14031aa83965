"""A simulated instrument whose terminal is tapped: every chunk in both directions goes into a file, with its time.

`python -m tests.campaigns.crash.instrument TAP ARGUMENTS OF simulators.host`.  A line of the file is
``time direction hex``: time in ns of the monotonic clock, which all processes share;
``<`` is what the host sent, ``>`` what the instrument answered while the host had the terminal open.
"""

import functools
import os
import sys
import time
from pathlib import Path

from simulators import host
from simulators.links import PtyLink


class TappedLink(PtyLink):
    """A pseudo-terminal that records all bytes that pass."""

    def __init__(self, tap: Path, link: Path) -> None:
        super().__init__(link)
        self._tap = os.open(tap, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def read(self) -> bytes:
        data = super().read()
        if data:
            self._note("<", data)
        return data

    def write(self, data: bytes) -> None:
        if self.descriptors():
            self._note(">", data)
        super().write(data)

    def _note(self, direction: str, data: bytes) -> None:
        os.write(self._tap, f"{time.monotonic_ns()} {direction} {data.hex()}\n".encode())


if __name__ == "__main__":
    host.PtyLink = functools.partial(TappedLink, Path(sys.argv[1]))  # type: ignore[misc,assignment]
    sys.exit(host.main(sys.argv[2:]))
