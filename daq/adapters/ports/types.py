"""What an open port is to everybody above it."""

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Final

OUTPUT_LIMIT: Final = 65_536
"""So many bytes may wait until a port takes them."""

OnData = Callable[[bytes], None]
OnLost = Callable[[str], None]
Sent = Callable[[], None]


def nobody() -> None:
    """Nobody wants to know when bytes have gone out."""


class Connection(ABC):
    """An open port."""

    @abstractmethod
    def write(self, data: bytes, sent: Sent = nobody) -> None:
        """Hand over bytes for sending; `sent` is called when they go out, at once or, on a line others use, later.

        Raises:
            LinkError: the port is gone or does not take them.
        """

    @abstractmethod
    def close(self) -> None:
        """Close; no callback comes after it."""

    def free(self) -> None:  # noqa: B027 - a line of one's own needs nothing
        """No answer is awaited any more: a line that several instruments share is free for the others."""
