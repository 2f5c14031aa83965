"""The motor of the lead instrument in a run: requests of motion, their confirmation, and the torque at rest."""

from collections.abc import Sequence
from typing import Final

from daq.core.driver import interval_of
from daq.core.effects import AtRest
from daq.core.faults import CHECKS, DECIMAL_EDGES
from daq.core.instruments import Instruments
from daq.core.linkstates import Motor
from daq.core.plan import Plan
from daq.core.resting import STILL, RestTorqueReadings, TorqueAtRest
from daq.core.units import as_written

REST_SHARE: Final = 0.2
"""Tolerance of the torque at rest, as a share of the lowest usable torque; beyond it a warning is given."""


class LeadMotor:
    """Motion of the lead instrument in one run.

    Attributes:
        turning: whether the last set-point requested was not standstill.
        set_speed: last speed requested (/min); None before the first.
        at_rest: torque at rest before the motor first turned; None where it is not known.
    """

    def __init__(self, plan: Plan, instruments: Instruments, checks: int = CHECKS) -> None:
        self.turning = False
        self.set_speed: float | None = None
        self.at_rest: AtRest | None = None
        self._plan, self._instruments, self._lead = plan, instruments, instruments.lead
        self._speed_at = plan.lead.channels.index(plan.speed_signal) if plan.speed_signal else -1
        # The torque at rest is of use only where a motor may turn later.
        watched = plan.band is not None and self._speed_at >= 0
        self._torque_at = plan.lead.channels.index(plan.band.signal) if plan.band is not None and watched else -1
        self._resting = RestTorqueReadings(interval_of(self._lead.driver), checks)
        self._written = as_written if checks >= DECIMAL_EDGES else float

    # ---- requests

    def turn(self, t: int, speed: float) -> None:
        """Request a speed (/min) at `t` (ns), and motion where the motor does not turn.

        Raises:
            DriverError: the instrument cannot do it.
        """
        self._lead.acked.clear()
        self.set_speed = speed
        self._lead.exchange.ask(t, self._lead.driver.action("speed", speed))
        if not self.turning:
            if not self._instruments.moved:
                self.at_rest = self._resting.summary(t)
            self._instruments.moved = self.turning = True
            self._lead.exchange.ask(t, self._lead.driver.action("turn", None))

    def halt(self, t: int) -> None:
        """Request standstill at `t` (ns), before all other requests.

        Raises:
            DriverError: the instrument cannot do it.
        """
        self._lead.acked.discard("halt")
        self._lead.exchange.ask(t, self._lead.driver.action("halt", None), first=True)

    # ---- readings; `values` are in the order of the lead's channels

    def speed(self, values: Sequence[float | None]) -> float | None:
        """Return the confirmed speed (/min) of a reading; None where it has none."""
        return values[self._speed_at] if self._speed_at >= 0 else None

    def see_before_motion(self, t: int, values: Sequence[float | None]) -> None:
        """Use a reading at `t` (ns) for the torque at rest, as long as the run has not moved the motor."""
        if self._torque_at >= 0 and not self._instruments.moved:
            turned = values[self._speed_at]
            if turned is not None and abs(turned) < STILL:
                self._resting.see(t, values[self._torque_at])

    def reached(self, speed: float, target: float) -> bool:
        """Return whether the set-point was acknowledged and the confirmed `speed` is at `target`; both in /min."""
        off = max(self._plan.speed_tolerance * abs(target), STILL)
        return "speed" in self._lead.acked and self._written(abs(speed - target)) <= self._written(off)

    @property
    def before_stop(self) -> Motor:
        """State of the motor before the stop of the run."""
        if not self._instruments.moved:
            return Motor.NOT_MOVED
        return Motor.TURNING if self.turning else Motor.STILL

    @property
    def torque_at_rest(self) -> TorqueAtRest | None:
        """Torque expected once the motor is at rest; None where the run did not turn the motor."""
        if not self._instruments.moved or self._torque_at < 0 or self._plan.band is None:
            return None
        zero = 0.0 if self.at_rest is None else self.at_rest.mean
        return TorqueAtRest(self._torque_at, zero, REST_SHARE * self._plan.band.low)
