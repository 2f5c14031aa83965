"""The interface of an open port."""

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Final

OUTPUT_LIMIT: Final = 65_536
"""Maximum number of bytes that wait until a port accepts them."""

OnData = Callable[[bytes], None]
OnLost = Callable[[str], None]
Sent = Callable[[], None]


def ignore_sent() -> None:
    """Do nothing when bytes go out; the default of `Connection.write`."""


class Connection(ABC):
    """An open port."""

    @abstractmethod
    def write(self, data: bytes, sent: Sent = ignore_sent) -> None:
        """Send bytes; `sent` is called when they go out: at once, or later on a shared line.

        Raises:
            LinkError: the port is gone or does not accept them.
        """

    @abstractmethod
    def close(self) -> None:
        """Close the port; no callback is made after that."""

    def free(self) -> None:  # noqa: B027 - a line that is not shared needs nothing
        """Free a shared line for the other instruments: no answer is awaited any more."""
