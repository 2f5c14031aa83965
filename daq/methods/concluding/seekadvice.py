"""What to say of a seek: that it shears, and which geometry to fit where no speed serves."""

import math
from collections.abc import Sequence
from typing import Final

from daq.core.effects import Facts, Kept
from daq.core.plan import Plan, Seek
from daq.core.seeking import LEAST_INDEX, Try, local_index, next_speed
from daq.methods.concluding.advising import other_geometries, zero_of
from daq.methods.concluding.budget import percent_of_full_scale
from daq.methods.parts.judged import Advice
from daq.rheology.ranges import Candidate, Expected, FlowConstants, plan_ranges, speeds_between
from daq.rheology.torque import BandClass

SHEARS: Final = (
    "a seek shears the sample while it looks for a speed: measure on a fresh fill, or with a method that declares a "
    "pre-shear and a rest"
)
GREATEST_INDEX: Final = 2.0
"""No product may state a greater flow behaviour index; two tries that say so say more of their noise."""


def seek_of(plan: Plan) -> Seek | None:
    """How the plan seeks a speed; None for a plan that measures."""
    return next((s.seek for s in plan.steps if s.seek is not None), None)


def tries_of(plan: Plan, kept: Sequence[Kept]) -> list[Try]:
    """Speeds and torques (in the band's unit) that a seek has tried."""
    if plan.band is None:
        return []
    found = [(k.speed, k.summaries[plan.band.signal].mean) for k in kept if plan.steps[k.step].seek is not None]
    return [Try(speed, torque) for speed, torque in found if speed is not None and torque is not None]


def advice_to_fit(plan: Plan, facts: Facts) -> list[Advice]:
    """Which geometry of the instrument to fit, where a seek has found that no speed serves; empty otherwise."""
    seek, tries = seek_of(plan), tries_of(plan, facts.kept)
    if seek is None or not tries or seek.low <= tries[-1].torque <= seek.high or next_speed(seek, tries) is not None:
        return []
    last = tries[-1]
    torque, low = (percent_of_full_scale(plan, x) or 0.0 for x in (last.torque, seek.low))
    step = next(s.name for s in plan.steps if s.seek is not None)
    fitted = plan.context.geometry_name or "this body"
    said = f"the torque is {torque:.1f} % at {last.speed:.4g} min⁻¹ with {fitted}"
    index = _index(seek, tries)
    best = _best_body(plan, facts, seek, last, index)
    if best is None:
        wanted = "higher" if torque < low else "lower"
        speeds = f"{seek.slowest:g} to {seek.fastest:g} min⁻¹"
        text = (
            f"{said}; no other geometry of this instrument serves at {speeds}: use a body that gives a {wanted} torque"
        )
        return [Advice(code="other_body", text=text, step=step, comparable=False)]
    text = (
        f"{said}; fit {best.geometry}: {best.torque_percent:.0f} % is expected at {best.speed_per_min:g} min⁻¹ "
        f"(flow behaviour index {index:.2g})"
    )
    return [
        Advice(
            code="fit_geometry", text=text, step=step, speed=best.speed_per_min, geometry=best.geometry,
            comparable=False, torque_percent=best.torque_percent,
        )
    ]  # fmt: skip


def _best_body(plan: Plan, facts: Facts, seek: Seek, last: Try, index: float) -> Candidate | None:
    """Another geometry with a speed that brings the torque nearest to the middle of the seek's band, or None."""
    body, full_scale = plan.context.geometry, plan.context.full_scale_unm
    low, high, torque = (percent_of_full_scale(plan, x) or 0.0 for x in (seek.low, seek.high, last.torque))
    net = torque - zero_of(plan, facts)
    if net <= 0.0 or full_scale is None or body is None or not body.viscosity_constant:
        return None
    fitted = FlowConstants(body.viscosity_constant, body.rate_per_omega)
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
    """The local flow behaviour index between the two tries at the greatest torques, otherwise the product's, or 1."""
    sure = sorted((t for t in tries if t.torque > seek.doubt), key=lambda t: t.torque)[-2:]
    found = local_index(*sure) if len(sure) == 2 else None
    return seek.flow_behaviour_index or 1.0 if found is None else min(max(found, LEAST_INDEX), GREATEST_INDEX)
