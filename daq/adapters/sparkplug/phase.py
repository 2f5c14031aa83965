"""The phases of an edge node."""

from enum import StrEnum


class Phase(StrEnum):
    """Phase of an edge node."""

    AWAY = "away"
    """Not connected."""
    WAITING = "waiting"
    """Connected, and its birth is not yet published."""
    ALIVE = "alive"
    """Its birth is published."""
    LEAVING = "leaving"
    """Its death is published; the connection ends next."""
