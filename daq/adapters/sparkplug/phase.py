"""The phases of an edge node's life."""

from enum import StrEnum


class Phase(StrEnum):
    """Where a node is in its life."""

    AWAY = "away"
    WAITING = "waiting"
    """Connected, and not born yet."""
    ALIVE = "alive"
    LEAVING = "leaving"
    """Its death was published; only the connection's end is left."""
