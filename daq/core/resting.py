"""The torque of a motor that stands still: what the sensor shows when nothing turns."""

from collections import deque
from typing import Final

from daq.core.effects import AtRest
from daq.core.statistics import Axis, summarise

REST_NS: Final = 10_000_000_000
"""Only what was seen this long before the motor turns counts; the zero moves with the temperature before."""
MOST: Final = 1000
LEAST: Final = 5
"""Fewer readings say nothing of a zero."""


class Resting:
    """Keeps the latest readings of a torque at rest."""

    def __init__(self) -> None:
        self._seen: deque[tuple[int, float]] = deque(maxlen=MOST)

    def see(self, t: int, torque: float | None) -> None:
        """One reading at `t` (ns) with the motor still; None where the torque has no value."""
        if torque is not None:
            self._seen.append((t, torque))

    def summary(self, t: int) -> AtRest | None:
        """Mean and scatter over the last `REST_NS` before `t`; None of fewer than `LEAST` readings."""
        recent = [(at, value) for at, value in self._seen if t - REST_NS < at <= t]
        if len(recent) < LEAST:
            return None
        found = summarise([value for _, value in recent], Axis([at for at, _ in recent]))
        return AtRest(t, found.n, found.mean or 0.0, found.sd)
