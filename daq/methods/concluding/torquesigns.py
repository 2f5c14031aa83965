"""Signs that the torque is not that of the sample: a torque at rest, or one that no speed changes."""

from typing import Final

from daq.core.derive import roots
from daq.core.effects import Facts, Kept
from daq.core.plan import Plan
from daq.core.torqueband import TorqueBand

LEAST_AT_REST: Final = 0.05
"""Part of the torque's limit from which a torque at rest is a fault, where the band begins lower.  Our choice."""
LEAST_RATIO: Final = 2.0
"""Ratio of two speeds from which an equal torque is a fault.  Our choice: at half the speed the torque of a fluid with
a flow behaviour index of 0.1 is 7 % lower, which every display shows."""


def torque_faults(plan: Plan, facts: Facts) -> list[str]:
    """Return the faults of a result that is computed from the torque: `zero_off` and `torque_stuck`.

    The budget contains a zero that is off, but a stuck sensor gives any value.  A sample with a yield stress may hold
    such a torque too; then a person decides.
    """
    band = plan.band
    if band is None or band.signal not in roots(plan.primary, {d.name: d for d in plan.derivations}):
        return []
    found = ["zero_off"] if facts.at_rest is not None and _is_usable(band, facts.at_rest.mean) else []
    return [*found, "torque_stuck"] if _is_stuck(plan, facts, band) else found


def _is_usable(band: TorqueBand, torque: float) -> bool:
    return abs(torque) >= max(band.low, LEAST_AT_REST * band.limit)


def _is_stuck(plan: Plan, facts: Facts, band: TorqueBand) -> bool:
    """Return whether the torque was constant, and the same, at two speeds that differ by `LEAST_RATIO`."""
    speeds: dict[float, set[float]] = {}
    for kept in facts.kept:
        torque = kept.summaries.get(band.signal)
        if torque is not None and torque.mean is not None and torque.sd == 0.0 and _is_usable(band, torque.mean):
            speeds.setdefault(torque.mean, set()).add(_speed(plan, kept))
    return any(len(found) > 1 and max(found) >= LEAST_RATIO * min(found) for found in speeds.values())


def _speed(plan: Plan, kept: Kept) -> float:
    speed = plan.steps[kept.step].speed if kept.speed is None else kept.speed
    return abs(speed or 0.0)
