"""Revolutions that the torque sensor needs to settle after a change of speed, while its spring winds up or unwinds.

After about one revolution the deflection is within 1 % of a change of torque, at any speed (common practice, no
source).  After a step down the change is large compared with the new torque, so that more revolutions are needed.
Otherwise an unwinding spring would look like a sample that thins with time, or hide a sample that recovers.
"""

import math
from typing import Final

from daq.core.arguments import require_index, require_not_negative, require_within
from daq.core.errors import ArgumentError

SLOWEST: Final = 1e-6
"""/min; a turn then takes two years."""
FASTEST: Final = 1e6
"""/min; the fastest motors of instruments turn at some thousand."""
REVOLUTIONS_TO_A_HUNDREDTH: Final = 1.0
TIME_CONSTANTS: Final = 5.0
"""Time constants of an instrument's own filter until exp(-5), less than 1 %, is left of a change."""
SETTLED: Final = 0.01
"""Largest part of the new torque that can remain of the change."""


def needed_revolutions(before: float | None, after: float, flow_behaviour_index: float = 1.0) -> float:
    """Return the revolutions until the torque is within 1 % of its new value.

    The speed changes from `before` (None: at rest) to `after`.

    Torques are in the ratio of the speeds to the power of the flow behaviour index; 0 where nothing changes.

    Raises:
        ArgumentError: a speed that is not finite, `after` 0, or an index that no fluid has.
    """
    if before is not None:
        require_within("before", before, -FASTEST, FASTEST, "/min")
    require_within("after", after, -FASTEST, FASTEST, "/min")
    if abs(after) < SLOWEST:
        raise ArgumentError(f"must not be 0, is {after:g}", key="after")
    require_index("flow_behaviour_index", flow_behaviour_index)
    change = 1.0 if before is None else abs((abs(before) / abs(after)) ** flow_behaviour_index - 1.0)
    if change <= SETTLED:
        return 0.0
    return REVOLUTIONS_TO_A_HUNDREDTH * math.log(change / SETTLED) / math.log(1.0 / 0.01)


def settled(settle_revolutions: float, before: float | None, after: float, flow_behaviour_index: float = 1.0) -> bool:
    """Return True if `settle_revolutions` after the change are enough; a shortfall within rounding is accepted."""
    require_not_negative("settle_revolutions", settle_revolutions)
    return settle_revolutions >= needed_revolutions(before, after, flow_behaviour_index) * (1.0 - 1e-6) - 1e-9
