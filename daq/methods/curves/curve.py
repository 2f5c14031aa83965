"""The flow curve of a run, computed on demand from its plan and its kept values, never before the commit."""

import functools
import importlib.metadata
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from daq.core.context import MeasuringGeometry
from daq.core.plan import Plan
from daq.methods.curves.curvedata import (
    Branch,
    CurveBand,
    CurvePoint,
    FlowCurveData,
    RefusedModel,
)
from daq.methods.curves.curveshifts import Torques, shifts_of
from daq.methods.curves.curvetrends import loop, recovery, thinning
from daq.methods.curves.curveyield import FittedSeries, yield_stress_of
from daq.methods.curves.fittedmodels import fitted_model
from daq.methods.parts.finding import Finding
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state, statement_of
from daq.rheology import cylinders, rotors
from daq.rheology.flowcurves.curvefit import CurveFit, Series, choose

POINT_PART: Final = 0.005
"""Relative standard deviation given to each point besides the instrument's zero: ripple and drift from step to step
(our choice; only its size against the zero's matters)."""
LEAST_POINTS: Final = 3
BAND_POINTS: Final = 25
RIM: Final = 0.75
"""Change of the stress at the rim over that of a torque that adds to all points: its slope (Weissenberg, Rabinowitsch
and Mooney) falls as the torque rises, so that 3 + dlnT/dlnγ̇ becomes 3."""


def curve_of(plan: Plan, finding: Finding) -> FlowCurveData | None:
    """Return the flow curve of a run from its result's finding; None where the method asks for none.

    The points are the kept values.  Their common errors are those of the finding's own uncertainty budget.
    Pure: the same finding gives the same curve, bit for bit with the same versions of numpy and scipy (named in it) on
    the same kind of processor, and within 1e-9 with others.
    """
    asked, rows = plan.context.flow_curve, finding.steps
    if asked is None:
        return None
    points = _points(plan, rows)
    left_out: list[Statement] = []
    branch: Branch | Literal["both"] = asked.branch or _usual_branch(points)
    groups = _by_speed([p for p in points if p.used and (branch == "both" or branch in p.branches)])
    fitted = _fit(plan, finding, [_mean(g) for g in groups], left_out)
    chosen = None if fitted is None else fitted.chosen
    best = None if chosen is None else chosen.best
    if chosen is not None and best is None:
        left_out.append(state("no_model_supported"))
    wall = {} if best is None else _wall_rates(plan, points, best)
    least = min((f.fit.aicc for f in chosen.fits if f.fit.aicc is not None), default=None) if chosen else None
    index = plan.context.flow_behaviour_index or 1.0
    return FlowCurveData(
        branch=branch,
        rates=state(_wall(plan).code),
        points=[p.model_copy(update={"wall_rate": wall.get(p.step)}) for p in points],
        chosen=None if best is None else best.fit.model,
        fits=[] if chosen is None else [fitted_model(f, least) for f in chosen.fits],
        refused=[]
        if chosen is None
        else [RefusedModel(model=r.model, reason=statement_of(r.reason)) for r in chosen.refusals],
        band=[] if best is None else _band(best),
        yield_stress=None if fitted is None else yield_stress_of(plan, fitted),
        thinning=thinning(points, left_out),
        loop=loop(plan, points, index, left_out),
        recovery=recovery(plan, rows),
        left_out=left_out,
        libraries=dict(_libraries()),
    )


@functools.cache
def _libraries() -> tuple[tuple[str, str], ...]:
    return tuple((name, importlib.metadata.version(name)) for name in ("numpy", "scipy"))


@dataclass(frozen=True, slots=True)
class _Wall:
    """The conversion of a torque to stress and rate at the turning wall."""

    code: str
    """Code of the statement that describes it."""
    stress_over_representative: float
    radius_ratio: float | None
    rim: bool = False


def _geometry(plan: Plan) -> MeasuringGeometry:
    geometry = plan.context.geometry
    assert geometry is not None  # noqa: S101 - compiled plans of a flow curve have a geometry with a rate
    return geometry


def _wall(plan: Plan) -> _Wall:
    geometry = _geometry(plan)
    if geometry.kind == "coaxial_cylinders":
        ratio = (geometry.size("outer_radius") or math.nan) / (geometry.size("inner_radius") or math.nan)
        return _Wall("rates_at_inner_cylinder", 2.0 / (1.0 + ratio**-2), ratio)
    if geometry.kind == "single_cylinder_in_large_vessel":
        vessel = geometry.size("vessel_radius")
        ratio = math.inf if vessel is None else vessel / (geometry.size("radius") or math.nan)
        return _Wall("rates_at_single_cylinder", 1.0, ratio)
    if geometry.kind == "parallel_plates":
        return _Wall("rates_at_rim", 1.0, None, rim=True)
    return _Wall("rates_uniform", 1.0, None)


def _points(plan: Plan, rows: Sequence[KeptValue]) -> list[CurvePoint]:
    """Return one point for each step that turns: its last value at the end."""
    last = {r.step: r for r in rows if r.at == "end" and plan.steps[r.step].speed}
    taken = [r for _, r in sorted(last.items()) if r.speed and r.shear_rate and r.stress]
    top = max(range(len(taken)), key=lambda i: abs(taken[i].speed or 0.0), default=0)
    wall = _wall(plan)
    out: list[CurvePoint] = []
    for i, r in enumerate(taken):
        branches: list[Branch] = (["up"] if i <= top else []) + (["down"] if i >= top else [])  # type: ignore[assignment]  # literals
        stress = abs(r.stress or 0.0)
        out.append(
            CurvePoint(
                step=r.step,
                name=r.name,
                branches=branches,
                speed=abs(r.speed or 0.0),
                shear_rate=abs(r.shear_rate or 0.0),
                stress=stress,
                wall_stress=stress * wall.stress_over_representative,
                used=not r.faults,
                reasons=[state(f) for f in r.faults],
            )
        )
    return out


def _usual_branch(points: Sequence[CurvePoint]) -> Branch:
    """Return down where it has enough points, because all samples reach it in the same state; otherwise up."""
    return "down" if len({p.speed for p in points if "down" in p.branches}) >= LEAST_POINTS else "up"


def _wall_rates(plan: Plan, points: Sequence[CurvePoint], best: CurveFit) -> dict[int, float]:
    """Return the rate (1/s) at the wall under the chosen model for the points of both branches, by step."""
    import numpy as np  # noqa: PLC0415 - loaded only where a curve is fitted

    ratio = _wall(plan).radius_ratio
    if ratio is None:
        return {p.step: p.shear_rate for p in points}
    omegas = np.array([cylinders.angular_speed(p.speed) for p in points])
    return {p.step: float(r) for p, r in zip(points, best.rates_at(omegas, ratio), strict=True)}


def _by_speed(points: Sequence[CurvePoint]) -> list[list[CurvePoint]]:
    """Return the points grouped by speed, so that every speed counts once."""
    by_speed: dict[float, list[CurvePoint]] = {}
    for p in points:
        near = next((s for s in by_speed if math.isclose(s, p.speed, rel_tol=1e-2)), p.speed)
        by_speed.setdefault(near, []).append(p)
    return [group for _, group in sorted(by_speed.items())]


def _mean(group: Sequence[CurvePoint]) -> CurvePoint:
    if len(group) == 1:
        return group[0]
    means = {
        k: math.fsum(getattr(p, k) for p in group) / len(group)
        for k in ("speed", "shear_rate", "stress", "wall_stress")
    }
    return group[0].model_copy(update=means)


def _fit(plan: Plan, finding: Finding, points: Sequence[CurvePoint], left_out: list[Statement]) -> FittedSeries | None:
    if len(points) < LEAST_POINTS:
        left_out.append(state("too_few_speeds", speeds=len(points), needed=LEAST_POINTS))
        return None
    import numpy as np  # noqa: PLC0415 - loaded only where a curve is fitted

    wall = _wall(plan)
    omegas = np.array([cylinders.angular_speed(p.speed) for p in points])
    stresses = np.array([p.wall_stress for p in points])
    rates = None if wall.radius_ratio is not None else np.array([p.shear_rate for p in points])
    full_scale = (plan.context.full_scale_unm or 0.0) * 1e-6 * (_geometry(plan).stress_per_torque or 0.0)
    torques = Torques(stresses, full_scale * wall.stress_over_representative)
    if wall.rim and rates is not None:
        stresses = rotors.plates_rim_stress(stresses, cylinders.local_slopes(rates, stresses))
        torques = Torques(stresses, full_scale, RIM)
    shifts, zero = shifts_of(plan, finding, torques, left_out)
    sigma = np.hypot(POINT_PART * stresses, zero)
    asked = plan.context.flow_curve
    models = () if asked is None else asked.models
    series = Series(omegas, stresses, sigma, wall.radius_ratio, rates, POINT_PART * stresses)
    return FittedSeries(series, tuple(shifts), torques.full_scale, choose(series, models, shifts))


def _band(best: CurveFit) -> list[CurveBand]:
    import numpy as np  # noqa: PLC0415 - loaded only where a curve is fitted

    rates = np.geomspace(min(best.rates), max(best.rates), BAND_POINTS)
    low, high = best.band(rates)
    return [
        CurveBand(rate=float(r), stress=float(s), low=float(a), high=float(b))
        for r, s, a, b in zip(rates, best.fit.stress(rates), low, high, strict=True)
    ]
