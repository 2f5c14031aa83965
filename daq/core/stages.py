"""Time limits of the states of a run and the outcome when a limit is reached; the torque limit."""

from collections.abc import Sequence

from daq.core.driver import Values
from daq.core.effects import LimitReached
from daq.core.framing import NEVER
from daq.core.link import STOP_NS
from daq.core.plan import Plan
from daq.core.run import State
from daq.core.units import symbol


def stage_end(plan: Plan, state: State, start: int) -> int:
    """Return the time (ns) at which a state entered at `start` (ns) ends; `NEVER` where time does not end it."""
    c = plan.conditioning
    lasts = {
        State.EQUILIBRATING: c.longest_ns,
        State.SOAKING: c.soak_ns,
        State.STARTING_PRESHEAR: plan.speed_timeout_ns,
        State.PRESHEARING: c.preshear_ns,
        State.ENDING_PRESHEAR: STOP_NS,
        State.RESTING: c.rest_ns,
        State.STARTING: plan.speed_timeout_ns,
    }
    return start + lasts[state] if state in lasts else NEVER


#: Trigger at the end of the time of a state.  In a state that is not here, the end of the time is a failure.
TIMED_TRIGGERS = {State.SOAKING: "soaked", State.PRESHEARING: "sheared", State.RESTING: "rested"}


def too_late(plan: Plan, state: State) -> str:
    """Return the reason of the failure of a run whose state lasted too long."""
    c = plan.conditioning
    if state is State.EQUILIBRATING:
        return f"{c.signal} did not stay within {c.low:g} to {c.high:g} in {c.longest_ns / 1e9:g} s"
    if state is State.ENDING_PRESHEAR:
        return "the motor did not come to rest after the pre-shear"
    return f"the speed was not confirmed within {plan.speed_timeout_ns / 1e9:g} s"


def limit_reached(
    plan: Plan, t: int, state: State, step: int, set_speed: float, raw: Sequence[float | None], checked: Values
) -> tuple[LimitReached, str] | None:
    """Return the fact and its sentence where a reading has the torque at or beyond its limit; otherwise None.

    `raw` holds the values as read, in the order of the lead's channels; speeds in /min.
    """
    band = plan.band
    if band is None or (band.signal, "saturated") not in checked.faults:
        return None
    torque = raw[plan.lead.channels.index(band.signal)]
    speed = checked.values[plan.lead.channels.index(plan.speed_signal)] if plan.speed_signal else None
    unit = symbol(band.unit)
    read = "the sensor is at its stop" if torque is None else f"the reading is {torque:g} {unit}"
    at = "" if speed is None else f" at {speed:.4g} min⁻¹"
    fact = LimitReached(t, state.value, step, set_speed, speed, torque, band.limit)
    return fact, f"torque limit {band.limit:g} {unit}: {read}{at}"
