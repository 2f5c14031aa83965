"""The torque of a motor that stands still: what the sensor shows when nothing turns."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from daq.core.effects import AtRest
from daq.core.statistics import Axis, summarise

STILL: Final = 0.005
"""A confirmed speed (/min) below this counts as standing still; the slowest set-points are twice that."""
TORQUE_REST_NS: Final = 30_000_000_000
"""A torque that is off its zero for this long while the motor stands still does not go back; a sensor unwinds in
seconds."""
REST_NS: Final = 10_000_000_000
"""Only what was seen this long before the motor turns counts; the zero moves with the temperature before."""
MOST_READINGS: Final = 1000
LEAST_READINGS: Final = 5
"""Fewer readings say nothing of a zero."""


class RestTorqueReadings:
    """Keeps the latest readings of a torque at rest."""

    def __init__(self) -> None:
        self._seen: deque[tuple[int, float]] = deque(maxlen=MOST_READINGS)

    def see(self, t: int, torque: float | None) -> None:
        """One reading at `t` (ns) with the motor still; None where the torque has no value."""
        if torque is not None:
            self._seen.append((t, torque))

    def summary(self, t: int) -> AtRest | None:
        """Mean and scatter over the last `REST_NS` before `t`; None of fewer than `LEAST_READINGS` readings."""
        recent = [(at, value) for at, value in self._seen if t - REST_NS < at <= t]
        if len(recent) < LEAST_READINGS:
            return None
        found = summarise([value for _, value in recent], Axis([at for at, _ in recent]))
        return AtRest(t, found.n, found.mean or 0.0, found.sd)


@dataclass(frozen=True, slots=True)
class TorqueAtRest:
    """The torque expected of a motor at rest: zero and tolerance in the unit of the channel at index `at`."""

    at: int
    zero: float
    tolerance: float


class RestWatch:
    """Notices a torque that does not go back to its zero: the speed that says standstill may be wrong."""

    def __init__(self, rest: TorqueAtRest, speed_at: int) -> None:
        """`speed_at` is the index of the speed's channel."""
        self._rest, self._speed_at = rest, speed_at
        self._off_since = 0

    def see(self, t: int, values: Sequence[float | None]) -> tuple[float | None, float] | None:
        """Take a reading at `t` (ns); returns torque and zero once the torque has been off for `TORQUE_REST_NS`."""
        rest, speed, torque = self._rest, values[self._speed_at], values[self._rest.at]
        still = speed is not None and abs(speed) < STILL
        if not still or (torque is not None and abs(torque - rest.zero) <= rest.tolerance):
            self._off_since = 0
            return None
        self._off_since = self._off_since or t
        return (torque, rest.zero) if t - self._off_since >= TORQUE_REST_NS else None
