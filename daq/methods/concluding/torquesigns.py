"""Signs that the torque is not that of the sample: a torque at rest, or one that no speed changes."""

from typing import Final

from daq.core.derive import roots
from daq.core.effects import Facts, Kept
from daq.core.faults import DECIMAL_MEANS
from daq.core.plan import Plan
from daq.core.quietness import is_too_quiet
from daq.core.torqueband import TorqueBand
from daq.methods.concluding.budget import torque_at_rest
from daq.methods.parts.statement import Statement, state

ENOUGH: Final = 20
"""Smallest number of equal readings at rest that shows a coarse display."""
LEAST_AT_REST: Final = 0.05
"""Part of the torque's limit from which a torque at rest needs an explanation, where the band begins lower.  Our
choice."""
HELD: Final = 0.995
"""Part of the greatest torque of a run up to which a sample may hold a torque at rest.  Our choice: what a sample holds
is below the torque at which it flows; a stuck sensor shows the same one."""
LEAST_RATIO: Final = 2.0
"""Ratio of two speeds from which an equal torque is a fault.  Our choice: at half the speed the torque of a fluid with
a flow behaviour index of 0.1 is 7 % lower, which every display shows."""
ROUNDING: Final = 1e-12
"""Standard deviation of equal readings, as a part of their mean, that is a rounding error."""


def torque_faults(plan: Plan, facts: Facts) -> list[str]:
    """Return the faults of a result that is computed from the torque.

    They are `zero_off`, `torque_stuck` and `torque_too_quiet`.
    """
    band = _band(plan)
    if band is None:
        return []
    found = ["zero_off"] if _rests(facts, band) and not _may_be_held(plan, facts, band) else []
    if _is_stuck(plan, facts, band):
        found.append("torque_stuck")
    if _is_quieter_than_at_rest(plan, facts, band):
        found.append("torque_too_quiet")
    return found


def rest_caution(plan: Plan, facts: Facts) -> Statement | None:
    """Return a caution for a torque at rest that a sample may hold, and that may be an error of the zero as well."""
    band = _band(plan)
    if band is None or not _rests(facts, band) or not _may_be_held(plan, facts, band):
        return None
    return state("torque_at_rest_unexplained", torque=torque_at_rest(plan, facts))


def _band(plan: Plan) -> TorqueBand | None:
    """Return the band of the torque; None where the result is not computed from it."""
    is_used = plan.band is not None and plan.band.signal in roots(plan.primary, {d.name: d for d in plan.derivations})
    return plan.band if is_used else None


def _rests(facts: Facts, band: TorqueBand) -> bool:
    """Return whether the torque at rest is as large as a usable one."""
    return facts.at_rest is not None and _is_usable(band, facts.at_rest.mean)


def _may_be_held(plan: Plan, facts: Facts, band: TorqueBand) -> bool:
    """Return whether the sample may hold the torque at rest, which is then no sign of the instrument.

    Such a torque has the direction of the rotation, and is below that of the turning rotor.  A fluid with a
    certificate's table is Newtonian (common practice, no source), and holds none.
    """
    fluid = plan.context.fluid
    if facts.at_rest is None or facts.at_rest.mean < 0.0 or (fluid is not None and fluid.table):
        return False
    turning = [s.mean for k in facts.kept if _speed(plan, k) and (s := k.summaries.get(band.signal)) and s.mean]
    return not turning or facts.at_rest.mean < HELD * max(turning)


def _is_usable(band: TorqueBand, torque: float) -> bool:
    return abs(torque) >= max(band.low, LEAST_AT_REST * band.limit)


def _is_stuck(plan: Plan, facts: Facts, band: TorqueBand) -> bool:
    """Return whether the torque was constant, and the same, at two speeds that differ by `LEAST_RATIO`.

    A coarse display shows that of an honest plateau too.  It is coarse where the torque at rest was constant over
    `ENOUGH` readings: fewer may be equal on a fine one.
    """
    exact = facts.checks >= DECIMAL_MEANS
    rest = facts.at_rest
    is_constant = rest is not None and (rest.sd or 0.0) <= (ROUNDING * abs(rest.mean) if exact else 0.0)
    if rest is not None and is_constant and (rest.n >= ENOUGH or not exact):
        return False
    speeds: dict[float, set[float]] = {}
    for kept in facts.kept:
        torque = kept.summaries.get(band.signal)
        if torque is None or torque.mean is None or torque.minimum is None or not _is_usable(band, torque.mean):
            continue
        # The mean of equal readings may have a rounding error, and then they have a standard deviation.
        if torque.n > 1 and (torque.minimum == torque.maximum if exact else torque.sd == 0.0):
            speeds.setdefault(torque.minimum if exact else torque.mean, set()).add(_speed(plan, kept))
    return any(len(found) > 1 and max(found) >= LEAST_RATIO * min(found) for found in speeds.values())


def _is_quieter_than_at_rest(plan: Plan, facts: Facts, band: TorqueBand) -> bool:
    """Return whether a usable torque of the turning rotor has too little noise for that at rest."""
    rest = None if facts.at_rest is None else facts.at_rest.noise
    return rest is not None and any(
        is_too_quiet(rest, kept.noise, torque.mean)
        for kept in facts.kept
        if kept.noise is not None
        and (torque := kept.summaries.get(band.signal)) is not None
        and torque.mean is not None
        and _is_usable(band, torque.mean)
        and _speed(plan, kept)
    )


def _speed(plan: Plan, kept: Kept) -> float:
    speed = plan.steps[kept.step].speed if kept.speed is None else kept.speed
    return abs(speed or 0.0)
