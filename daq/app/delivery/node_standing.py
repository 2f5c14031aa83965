"""The state of the Sparkplug node, apart from the node itself: a client of the daemon only reads it."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class NodeStanding:
    """State of the node, for screens and metrics."""

    alive: bool = False
    state: str = "not started"
    trouble: str = ""
    devices: list[str] = field(default_factory=list)
    results: int = 0
    """Number of results that the broker has received, repeated ones included."""
    late: int = 0
    """Number of these that were sent as historical data."""
    rebirths: int = 0
    not_followed: int = 0
    """Number of messages to the node that it does not follow: unknown commands and states."""
