"""The verdict: the value against the product's limits, where they apply."""

import math
from typing import Any, Final, NamedTuple

from daq.core.context import ProductLimit, ProductOfPlan
from daq.core.plan import Plan
from daq.core.units import UNITS, convert
from daq.methods.concluding.seekadvice import seek_of
from daq.methods.parts.judged import Judgement, LimitUsed
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, distinct, state
from daq.quality.limits import Rounding, Verdict, as_reported, decimal_of, judge

BINDINGS: Final = ("geometry", "vessel", "speed", "time", "temperature")


class _Subject(NamedTuple):
    """The value to judge, with its conditions."""

    plan: Plan
    quantity: str
    unit: str
    value: float | None
    row: KeptValue | None


def judgement(plan: Plan, quantity: str, unit: str, value: float | None, row: KeptValue | None) -> Judgement:
    """Return the verdict on `value` (in `unit`) under the limits of the plan's product.

    A limit that applies at another geometry, vessel, speed, time, temperature or unit says nothing about the value.
    Outside of one comparable limit is outside; without a comparable limit the verdict is not_comparable.
    A seek gets no verdict.
    """
    if seek_of(plan) is not None:
        return Judgement(verdict=Verdict.NONE, reasons=(state("seek_shears"),))
    product = plan.context.product
    if product is None or not product.limits:
        return Judgement(verdict=Verdict.NONE, reasons=(state("no_limits"),) if product else ())
    rule = Rounding(product.rounding)
    decimals = None if value is None else reported_decimals(value, product, quantity)
    subject = _Subject(plan, quantity, unit, value, row)
    used = tuple(_one(subject, limit, rule, decimals) for limit in product.limits)
    verdicts = {u.verdict for u in used}
    overall = next(v for v in (Verdict.OUTSIDE, Verdict.WITHIN, Verdict.NOT_COMPARABLE) if v in verdicts)
    compared = None
    if value is not None and overall is not Verdict.NOT_COMPARABLE:
        compared = as_reported(value, decimals or 0) if rule is Rounding.ROUNDED else repr(value)
    reasons = distinct(r for u in used if u.verdict == overall for r in u.reasons)
    return Judgement(
        verdict=overall, rounding=rule, acceptance="simple_acceptance", compared=compared, limits=used, reasons=reasons
    )


def reported_decimals(value: float, product: ProductOfPlan, quantity: str) -> int:
    """Return the decimals of the reported number: of the quantity's limit, of the product, or by significant digits."""
    own = (limit.decimals for limit in product.limits if limit.quantity == quantity)
    fixed = next((d for d in own if d is not None), product.reported_decimals)
    if fixed is not None:
        return fixed
    exact = decimal_of(value)
    return product.reported_digits - 1 - (exact.adjusted() if exact else 0)


def reported(value: float | None, product: ProductOfPlan | None, quantity: str, unit: str) -> str | None:
    """Return the value (in `unit`) as the product reports it; None without value or product.

    The digits of a product are those of its own unit and of the quantities it has limits for: three digits of a
    viscosity say nothing about a mass.
    """
    if value is None or product is None:
        return None
    dimension = UNITS[unit].dimension if unit in UNITS else unit
    if dimension != UNITS[product.unit].dimension and quantity not in {x.quantity for x in product.limits}:
        return None
    return as_reported(value, reported_decimals(value, product, quantity))


def _one(subject: _Subject, limit: ProductLimit, rule: Rounding, decimals: int | None) -> LimitUsed:
    value, unit = subject.value, subject.unit
    low, high = limit.low, limit.high
    reasons = _hindrances(subject, limit)
    if value is None:
        reasons.insert(0, state("no_value_to_compare"))
    if reasons:
        return _used(limit, low, high, limit.unit, Verdict.NOT_COMPARABLE, reasons)
    low, high = (None if x is None else convert(x, limit.unit, unit) for x in (low, high))
    found = judge(value, low, high, rule=rule, decimals=decimals)
    if found is Verdict.OUTSIDE and value is not None:
        below = low is not None and value < low
        edge = low if below else high
        reasons = [state("below_limit" if below else "above_limit", value=value, limit=edge, unit=unit)]
    return _used(limit, low, high, unit, found, reasons)


def _used(
    limit: ProductLimit, low: float | None, high: float | None, unit: str, verdict: Verdict, reasons: list[Statement]
) -> LimitUsed:
    binds: dict[str, Any] = {k: v for k in BINDINGS if (v := getattr(limit, k)) is not None}
    if "time" in binds:
        binds["time"] /= 1e9
    return LimitUsed(
        quantity=limit.quantity, low=low, high=high, unit=unit, applies_at=binds, verdict=verdict,
        reasons=tuple(reasons),
    )  # fmt: skip


def _hindrances(subject: _Subject, limit: ProductLimit) -> list[Statement]:
    """Return why a limit does not apply; empty where it does."""
    quantity, unit, row = subject.quantity, subject.unit, subject.row
    out: list[Statement] = []
    if limit.quantity != quantity:
        # The other conditions of the limit do not matter then.
        return [state("limit_of_other_quantity", limited=limit.quantity, quantity=quantity)]
    if UNITS[limit.unit].dimension != (UNITS[unit].dimension if unit in UNITS else unit):
        out.append(state("limit_in_other_unit", limit_unit=limit.unit, unit=unit))
    geometry = subject.plan.context.geometry
    fitted, vessel = (None, None) if geometry is None else (geometry.name, geometry.vessel)
    if limit.geometry is not None and limit.geometry != fitted:
        out.append(state("limit_of_other_geometry", wanted=limit.geometry, fitted=fitted))
    if limit.vessel is not None and limit.vessel != vessel:
        out.append(state("limit_of_other_vessel", wanted=limit.vessel, used=vessel or None))
    if row is None:
        return out
    speed = limit.speed
    if speed is not None and (row.set_speed is None or not math.isclose(speed, row.set_speed, rel_tol=1e-6)):
        out.append(state("limit_at_other_speed", wanted=speed, speed=row.set_speed))
    time = limit.time
    # While a step goes on, its start is not among the facts, and the value is provisional.
    if time is not None and row.seconds is not None and abs(row.seconds - time / 1e9) > limit.time_band / 1e9:
        out.append(state("limit_at_other_time", wanted=time / 1e9, taken=row.seconds))
    temperature = limit.temperature
    if temperature is not None:
        if row.temperature is None:
            out.append(state("limit_needs_temperature", wanted=temperature))
        elif abs(row.temperature - temperature) > limit.temperature_band:
            out.append(
                state(
                    "limit_at_other_temperature",
                    wanted=temperature,
                    band=limit.temperature_band,
                    temperature=row.temperature,
                )
            )
    return out
