"""Evaluate the torque at rest: the zero of the sensor before a run, and the return to it after a run."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import fsum
from typing import Final

from daq.core.effects import AtRest
from daq.core.faults import CHECKS
from daq.core.quietness import noise_at_rest
from daq.core.statistics import Axis, summarise

STILL: Final = 0.005
"""A confirmed speed (/min) below this counts as standstill; the slowest set-points are twice as fast."""
TORQUE_REST_NS: Final = 30_000_000_000
"""Time after which a torque off its zero at standstill is reported; a sensor unwinds in seconds."""
REST_NS: Final = 10_000_000_000
"""Span of the torque at rest before the motor first turns; before that the zero drifts with the temperature."""
MOST_READINGS: Final = 1000
LEAST_READINGS: Final = 5
"""Smallest number of readings from which a zero is computed."""
LONGEST_REST_NS: Final = 60_000_000_000
"""Span of the torque at rest of an instrument that is read too seldom for `REST_NS`."""
REST_OF_SLOW_LEADS: Final = 5
"""Number of the checks since which an instrument that is read every 2 s or less often has a torque at rest."""
TREND: Final = 0.5
"""Part of the mean that readings which go one way change in all, from which their mean is no zero.  Our choice."""


class RestTorqueReadings:
    """The latest readings of the torque at rest."""

    def __init__(self, interval_ns: int, checks: int = CHECKS) -> None:
        """Begin without readings.

        Args:
            interval_ns: expected interval of the readings of the instrument, ns.
            checks: number of the checks of the daq whose run this is.
        """
        self._readings: deque[tuple[int, float]] = deque(maxlen=MOST_READINGS)
        # A fast instrument has too few only where readings are missing: older ones may be from another state.
        self._is_slow = checks >= REST_OF_SLOW_LEADS and interval_ns * LEAST_READINGS >= REST_NS

    def see(self, t: int, torque: float | None) -> None:
        """Add a reading at `t` (ns) with the motor still; `torque` is None where it has no value."""
        if torque is not None:
            self._readings.append((t, torque))

    def summary(self, t: int) -> AtRest | None:
        """Return mean and scatter over the last `REST_NS` before `t`; None where there are too few readings.

        Of a slow instrument the last `LEAST_READINGS` count, unless one is older than `LONGEST_REST_NS`, or they have a
        trend: the rotor may have been fitted meanwhile.
        """
        known = [(at, value) for at, value in self._readings if t - LONGEST_REST_NS < at <= t]
        recent = [(at, value) for at, value in known if t - REST_NS < at]
        if len(recent) < LEAST_READINGS and self._is_slow:
            recent = known[-LEAST_READINGS:]
            if _has_trend([value for _, value in recent]):
                return None
        if len(recent) < LEAST_READINGS:
            return None
        values = [value for _, value in recent]
        found = summarise(values, Axis([at for at, _ in recent]))
        return AtRest(t, found.n, found.mean or 0.0, found.sd, noise_at_rest(values))


def _has_trend(values: Sequence[float]) -> bool:
    """Return whether the readings go one way only, and so far that their mean is not their level."""
    changes = [b - a for a, b in pairwise(values)]
    one_way = all(c >= 0.0 for c in changes) or all(c <= 0.0 for c in changes)
    return one_way and abs(fsum(changes)) > TREND * abs(fsum(values) / max(1, len(values)))


@dataclass(frozen=True, slots=True)
class TorqueAtRest:
    """Torque expected at rest: zero and tolerance in the unit of the channel at index `at`."""

    at: int
    zero: float
    tolerance: float


class RestWatch:
    """Detection of a torque that does not return to its zero after a run.

    The confirmed speed may be wrong: a motor that still turns shows a torque.
    """

    def __init__(self, rest: TorqueAtRest, speed_at: int) -> None:
        """Set up the detection; `speed_at` is the index of the speed channel."""
        self._rest, self._speed_at = rest, speed_at
        self._off_since = 0

    def see(self, t: int, values: Sequence[float | None]) -> tuple[float | None, float] | None:
        """Take a reading at `t` (ns); return torque and zero once the torque was off its zero for `TORQUE_REST_NS`."""
        rest, speed, torque = self._rest, values[self._speed_at], values[self._rest.at]
        still = speed is not None and abs(speed) < STILL
        if not still or (torque is not None and abs(torque - rest.zero) <= rest.tolerance):
            self._off_since = 0
            return None
        self._off_since = self._off_since or t
        return (torque, rest.zero) if t - self._off_since >= TORQUE_REST_NS else None
