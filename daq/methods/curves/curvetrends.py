"""Figures of a flow curve besides the fit: thinning over a tenfold speed, loop area, recovery."""

import itertools
import math
from collections.abc import Sequence
from typing import Final

from daq.core.arguments import require_within
from daq.core.errors import ArgumentError
from daq.core.extent import Extent
from daq.core.plan import Plan
from daq.methods.curves.curvedata import Branch, CurvePoint, Loop, Recovery, ThinningIndex
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.rules import in_time
from daq.methods.planning.settling import settled
from daq.rheology.flowcurves.structure import loop_area, recovery_fraction, shear_thinning_index

TEN: Final = 10.0
SAME_SPEED: Final = 0.01


def thinning(points: Sequence[CurvePoint], left_out: list[Statement]) -> list[ThinningIndex]:
    """Return the shear-thinning index of every pair of speeds of one branch that are a factor of ten apart."""
    out: list[ThinningIndex] = []
    branches: tuple[Branch, ...] = ("up", "down")
    for branch in branches:
        here = [p for p in points if p.used and branch in p.branches]
        for slow in here:
            for fast in here:
                if math.isclose(fast.speed, TEN * slow.speed, rel_tol=SAME_SPEED):
                    index = shear_thinning_index(slow.stress / slow.shear_rate, fast.stress / fast.shear_rate)
                    out.append(ThinningIndex(slow=slow.speed, fast=fast.speed, branch=branch, index=index))
    if not out:
        left_out.append(state("no_tenfold_speeds"))
    return out


def loop(
    plan: Plan, points: Sequence[CurvePoint], flow_behaviour_index: float, left_out: list[Statement]
) -> Loop | None:
    """Return the area of the loop from representative values; None where the spring had not unwound in time."""
    up = [p for p in points if p.used and "up" in p.branches]
    down = [p for p in points if p.used and "down" in p.branches]
    if not any("up" not in p.branches for p in points):
        return None  # no step leads down
    for p in points:
        if "up" not in p.branches and not _unwound(plan, p.step, flow_behaviour_index):
            left_out.append(state("loop_not_settled", step=p.name))
            return None
    if any(len({p.shear_rate for p in b}) < max(len(b), 2) for b in (up, down)):
        left_out.append(state("loop_without_points"))
        return None
    low = max(min(p.shear_rate for p in b) for b in (up, down))
    high = min(max(p.shear_rate for p in b) for b in (up, down))
    if low >= high:
        left_out.append(state("loop_without_overlap"))
        return None
    area = loop_area(
        [p.shear_rate for p in up], [p.stress for p in up], [p.shear_rate for p in down], [p.stress for p in down]
    )
    ordered = sorted((p for p in up if low <= p.shear_rate <= high), key=lambda p: p.shear_rate)
    below = math.fsum(
        (a.stress + b.stress) / 2.0 * (b.shear_rate - a.shear_rate) for a, b in itertools.pairwise(ordered)
    )
    return Loop(area=area, relative=area / below if below > 0.0 else 0.0, rate_low=low, rate_high=high)


def _unwound(plan: Plan, step: int, flow_behaviour_index: float) -> bool:
    here, speed = plan.steps[step], plan.steps[step].speed
    before = plan.steps[step - 1].speed if step else None
    if not speed or before is None or abs(before) <= abs(speed):
        return True
    turns = here.settle.revolutions or here.settle.ns / in_time_of_a_turn(speed)
    return settled(turns, before, speed, flow_behaviour_index)


def in_time_of_a_turn(speed: float) -> float:
    """Return the time (ns) of one revolution at a speed (/min), which must not be 0."""
    require_within("speed", speed, -1e6, 1e6, "/min")
    require_within("speed", abs(speed), 1e-6, 1e6, "/min")
    return in_time(Extent(revolutions=1.0), abs(speed))


def recovery(plan: Plan, rows: Sequence[KeptValue]) -> Recovery | None:
    """Return the recovery in the last slow step after a faster one; None without an earlier step of the same speed.

    The values along the last step (kept at every interval) show how it came back; at least two are needed.
    """
    speeds = [s.speed for s in plan.steps]
    for late in range(len(speeds) - 1, 1, -1):
        slow = speeds[late]
        if not slow:
            continue
        early = next((i for i in range(late) if speeds[i] and math.isclose(speeds[i] or 0.0, slow, rel_tol=1e-6)), None)
        if early is None or not any((s or 0.0) > slow for s in speeds[early:late]):
            continue
        before = [r for r in rows if r.step == early and r.at == "end" and r.value is not None]
        along = [r for r in rows if r.step == late and r.at in ("every", "end") and r.value is not None]
        if not before or len(along) < 2 or any(r.faults for r in (before[-1], along[0], along[-1])):
            continue
        first, last = along[0], along[-1]
        try:
            fraction = recovery_fraction(last.value or 0.0, before[-1].value or 0.0, first.value or 0.0)
        except ArgumentError:
            return None  # the shearing lowered nothing, so there is nothing to recover
        return Recovery(
            speed=slow,
            before=before[-1].value or 0.0,
            broken=first.value or 0.0,
            after=last.value or 0.0,
            fraction=fraction,
            seconds=(last.seconds or 0.0) - (first.seconds or 0.0),
            unit=plan.context.units[plan.primary],
        )
    return None
