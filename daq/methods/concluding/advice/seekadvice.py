"""Advice after a seek: the geometry to fit where no speed serves."""

import math
from collections.abc import Sequence
from typing import Final

from daq.core.effects import Facts, Kept
from daq.core.plan import Plan, Seek
from daq.core.remarks import Parameter
from daq.core.seeking import LEAST_INDEX, Try, local_index, next_speed
from daq.methods.concluding.advice.advising import other_geometries, zero_of
from daq.methods.concluding.budget import percent_of_full_scale
from daq.methods.parts.judged import Advice
from daq.methods.parts.statement import state
from daq.rheology.ranges import Candidate, Expected, FlowConstants, plan_ranges, speeds_between
from daq.rheology.torque import BandClass

GREATEST_INDEX: Final = 2.0
"""Largest flow behaviour index taken from two tries; a larger one is noise, and no product may state it."""


def tries_of(plan: Plan, kept: Sequence[Kept]) -> list[Try]:
    """Return the speeds (/min) and torques (in the band's unit) that a seek has tried."""
    if plan.band is None:
        return []
    found = [(k.speed, k.summaries[plan.band.signal].mean) for k in kept if plan.steps[k.step].seek is not None]
    return [Try(speed, torque) for speed, torque in found if speed is not None and torque is not None]


def advice_to_fit(plan: Plan, facts: Facts) -> list[Advice]:
    """Return advice on the geometry to fit where a seek found that no speed serves; empty otherwise."""
    seek, tries = plan.seek, tries_of(plan, facts.kept)
    if seek is None or not tries or seek.low <= tries[-1].torque <= seek.high or next_speed(seek, tries) is not None:
        return []
    last = tries[-1]
    torque, low = (percent_of_full_scale(plan, x) or 0.0 for x in (last.torque, seek.low))
    step = next(s.name for s in plan.steps if s.seek is not None)
    found: dict[str, Parameter] = {"torque": torque, "speed": last.speed, "fitted": plan.context.geometry_name}
    index = _index(seek, tries)
    best = _best_geometry(plan, facts, seek, last, index)
    if best is None:
        code = "no_geometry_gives_more" if torque < low else "no_geometry_gives_less"
        none = state(code, slowest=seek.slowest, fastest=seek.fastest, **found)
        return [Advice(**dict(none), step=step, comparable=False)]
    fit = state(
        "fit_geometry", geometry=best.geometry, expected=best.torque_percent, new_speed=best.speed_per_min,
        index=index, **found,
    )  # fmt: skip
    return [
        Advice(
            **dict(fit), step=step, speed=best.speed_per_min, geometry=best.geometry, comparable=False,
            torque_percent=best.torque_percent,
        )
    ]  # fmt: skip


def _best_geometry(plan: Plan, facts: Facts, seek: Seek, last: Try, index: float) -> Candidate | None:
    """Return the other geometry and speed whose torque is nearest to the middle of the seek's band, or None."""
    geometry, full_scale = plan.context.geometry, plan.context.full_scale_unm
    low, high, torque = (percent_of_full_scale(plan, x) or 0.0 for x in (seek.low, seek.high, last.torque))
    net = torque - zero_of(plan, facts)
    if net <= 0.0 or full_scale is None or geometry is None or not geometry.viscosity_constant:
        return None
    fitted = FlowConstants(geometry.viscosity_constant, geometry.rate_per_omega)
    found = plan_ranges(
        full_scale * 1e-6,
        other_geometries(plan),
        speeds_between(seek.slowest, seek.fastest),
        Expected.from_torque(net, last.speed, full_scale * 1e-6, fitted, index),
        low_percent=low,
        high_percent=high,
    )
    usable = [c for c in found if c.band == BandClass.VALID]
    return min(usable, key=lambda c: abs(math.log(2.0 * c.torque_percent / (low + high))), default=None)


def _index(seek: Seek, tries: Sequence[Try]) -> float:
    """Return the flow behaviour index between the two tries at the greatest torques, otherwise the product's, or 1."""
    sure = sorted((t for t in tries if t.torque > seek.doubt), key=lambda t: t.torque)[-2:]
    found = local_index(*sure) if len(sure) == 2 else None
    return seek.flow_behaviour_index or 1.0 if found is None else min(max(found, LEAST_INDEX), GREATEST_INDEX)
