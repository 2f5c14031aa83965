"""The uncertainty of a value and the drift inside its span."""

import math
from typing import Any, Final, cast

from daq.core.effects import Kept
from daq.core.plan import Plan
from daq.core.statistics import Summary
from daq.core.steady import effective_count, t_975
from daq.methods.conclusion import Drift, Uncertainty
from daq.rheology.uncertainty import Component, Distribution, from_limit, from_readings, welch_satterthwaite
from daq.rheology.viscosity_budget import Included, Specification, viscosity_components

COVERAGE: Final = 0.95
VISCOSITIES: Final = ("viscosity", "apparent_viscosity")


def uncertainty(plan: Plan, kept: Kept, value: float, torque_percent: float | None) -> Uncertainty | None:
    """Expanded uncertainty (95 %) of `value` (unit of the plan's primary signal), or None where nothing is known.

    Limits of the specification are rectangular (JCGM 100, 4.3.7); readings count as many as their autocorrelation
    leaves independent; k is Student's t for the effective degrees of freedom, truncated (JCGM 100, G.4).
    """
    summary = kept.summaries.get(plan.primary)
    if summary is None or value == 0.0 or not math.isfinite(value):
        return None
    left_out: list[str] = []
    if plan.primary in VISCOSITIES:
        components = [
            *_viscosity(plan, value, torque_percent, left_out),
            *_repeatability(summary, kept.statistic),
        ]
    else:
        components = _plain(plan, summary, kept.statistic, left_out)
    if not components:
        return None
    u_c = math.sqrt(math.fsum(c.contribution**2 for c in components))
    nu = welch_satterthwaite(u_c, components) if u_c > 0.0 else math.inf
    # A whole number that rounding left a hair short stays whole.
    k = t_975(max(math.floor(nu + 1e-9), 1)) if nu < 1e6 else t_975(1e6)
    return Uncertainty(
        expanded=k * u_c,
        k=k,
        coverage=COVERAGE,
        nu_eff=nu if math.isfinite(nu) else None,
        components=tuple(_row(c, u_c) for c in components),
        left_out=tuple(left_out),
    )


def _viscosity(plan: Plan, value: float, torque_percent: float | None, left_out: list[str]) -> list[Component]:
    given: dict[str, Any] = plan.context.get("specification") or {}
    product: dict[str, Any] = plan.context.get("product") or {}
    coefficient = product.get("temperature_coefficient")
    if torque_percent is None or torque_percent <= 0.0 or value <= 0.0:
        left_out.append("instrument: without a torque above zero its share cannot be given")
        return []
    includes = frozenset(cast("list[Included]", given.get("includes", [])))
    specification = Specification(
        torque_percent_full_scale=given.get("torque") or 0.0,
        torque_percent_reading=given.get("torque_reading") or 0.0,
        resolution_percent_full_scale=given.get("torque_resolution") or 0.0,
        speed_percent=given.get("speed") or 0.0,
        geometry_percent=given.get("geometry") or 0.0,
        temperature_kelvin=given.get("temperature") or 0.0,
        includes=includes,
    )
    for part in ("torque", "geometry", "speed", "temperature"):
        if part in includes:
            left_out.append(f"{part}: contained in the accuracy of the torque")
        elif not given.get(part):
            left_out.append(f"{part}: not in the instrument's specification")
    if given.get("temperature") and coefficient is None:
        left_out.append("temperature: the product states no temperature_coefficient")
    return viscosity_components(
        value, torque_percent, specification, temperature_coefficient=-(coefficient or 0.0) / 100.0
    )


def _plain(plan: Plan, summary: Summary, statistic: str, left_out: list[str]) -> list[Component]:
    """Budget of a quantity that is measured directly: the channel's accuracy and the readings."""
    given: dict[str, Any] = plan.context.get("specification") or {}
    limit = given.get("accuracy", {}).get(plan.primary)
    if limit is None and plan.primary == "temperature":
        limit = given.get("temperature")
    if limit is None:
        left_out.append(f"instrument: its specification states no accuracy of {plan.primary}")
    return [*([] if limit is None else [from_limit("instrument", limit)]), *_repeatability(summary, statistic)]


def _repeatability(summary: Summary, statistic: str) -> list[Component]:
    if summary.sd is None or summary.n < 2:
        return []
    if statistic == "mean":
        return [from_readings("repeatability", summary.sd, summary.n, summary.lag1 or 0.0)]
    return [Component("repeatability", summary.sd, Distribution.STUDENT, summary.n - 1)]


def _row(c: Component, u_c: float) -> dict[str, Any]:
    return {
        "name": c.name,
        "standard_uncertainty": c.u,
        "distribution": str(c.distribution),
        "degrees_of_freedom": None if math.isinf(c.dof) else c.dof,
        "sensitivity": c.sensitivity,
        "contribution": c.contribution,
        "share": (c.contribution / u_c) ** 2 if u_c > 0.0 else 0.0,
    }


def drift(summary: Summary, span_s: float) -> Drift | None:
    """Slope of the readings in the span in % of the mean per minute, with its 95 % bound.

    The residuals' sum of squares is that of the readings less the line's part, with readings evenly spaced over the
    span; the lag-one autocorrelation is the readings' own, which a drift raises: the bound errs to the safe side.
    """
    if summary.slope is None or summary.sd is None or not summary.mean or span_s <= 0.0:
        return None
    per_minute = 100.0 * 60.0 / abs(summary.mean)
    n = summary.n
    spread = n * span_s**2 / 12.0
    rest = max((n - 1) * summary.sd**2 - summary.slope**2 * spread, 0.0)
    worth = effective_count(n, summary.lag1 or 0.0)
    if worth < 4.0:
        return Drift(summary.slope * per_minute, None, certain=False)
    half = t_975(worth - 2.0) * math.sqrt(rest / (worth - 2.0) / spread)
    return Drift(
        percent_per_min=summary.slope * per_minute,
        bound_percent_per_min=(abs(summary.slope) + half) * per_minute,
        certain=abs(summary.slope) > half,
    )
