"""The usable range of a torque sensor, as plan and screens have it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TorqueBand:
    """Usable range of the torque sensor, in the unit of its signal."""

    signal: str
    unit: str
    low: float
    high: float
    limit: float
    """From this value (absolute) on the reading is saturated, also where the instrument reports no fault."""
