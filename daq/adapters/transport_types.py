"""What an open port is to everybody above it."""

from collections.abc import Callable
from typing import Final, Protocol

OUTPUT_LIMIT: Final = 65_536
"""So many bytes may wait until a port takes them."""

OnData = Callable[[bytes], None]
OnLost = Callable[[str], None]
Sent = Callable[[], None]


def nobody() -> None:
    """Nobody wants to know when bytes have gone out."""


class Connection(Protocol):
    """An open port."""

    def write(self, data: bytes, sent: Sent = nobody) -> None:
        """Hand over bytes for sending; `sent` is called when they go out, at once or, on a line others use, later.

        Raises:
            LinkError: the port is gone or does not take them.
        """
        ...

    def close(self) -> None:
        """Close; no callback comes after it."""
        ...
