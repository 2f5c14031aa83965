"""Time limits of the states of a run and the outcome when a limit is reached; the torque limit."""

from collections.abc import Sequence

from daq.core.driver import Values
from daq.core.effects import LimitReached
from daq.core.framing import NEVER
from daq.core.link import STOP_NS
from daq.core.plan import Plan
from daq.core.remarks import Remark, remark
from daq.core.run import State


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


def too_late(plan: Plan, state: State) -> Remark:
    """Return the reason of the failure of a run whose state lasted too long."""
    c = plan.conditioning
    if state is State.EQUILIBRATING:
        return remark("temperature_not_in_band", signal=c.signal, low=c.low, high=c.high, longest=c.longest_ns / 1e9)
    if state is State.ENDING_PRESHEAR:
        return remark("stop_not_confirmed")
    return remark("speed_not_confirmed", longest=plan.speed_timeout_ns / 1e9)


def limit_reached(
    plan: Plan, t: int, state: State, step: int, set_speed: float, raw: Sequence[float | None], checked: Values
) -> tuple[LimitReached, Remark] | None:
    """Return the fact and the reason where a reading has the torque at or beyond its limit; otherwise None.

    `raw` holds the values as read, in the order of the lead's channels; speeds in /min.
    """
    band = plan.band
    if band is None or (band.signal, "saturated") not in checked.faults:
        return None
    torque = raw[plan.lead.channels.index(band.signal)]
    speed = checked.values[plan.lead.channels.index(plan.speed_signal)] if plan.speed_signal else None
    fact = LimitReached(t, state.value, step, set_speed, speed, torque, band.limit)
    if torque is None:
        return fact, remark("torque_at_stop", limit=band.limit, unit=band.unit, speed=speed)
    return fact, remark("torque_limit_reached", limit=band.limit, torque=torque, unit=band.unit, speed=speed)
