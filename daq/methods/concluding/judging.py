"""The verdict: the value against the product's limits, where they apply."""

from typing import Any, Final

from daq.core.context import ProductLimit, ProductOfPlan
from daq.core.effects import Kept
from daq.core.plan import Plan
from daq.core.units import UNITS, convert
from daq.methods.concluding.applying import Subject, hindrances
from daq.methods.concluding.seekadvice import seek_of
from daq.methods.parts.judged import Judgement, LimitUsed
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, distinct, state
from daq.quality.limits import Rounding, Verdict, as_reported, decimal_of, judge

BINDINGS: Final = ("geometry", "vessel", "speed", "time", "temperature")


def judgement(plan: Plan, quantity: str, unit: str, value: float | None, row: KeptValue | None, kept: Kept | None) -> Judgement:
    """Return the verdict on `value` (in `unit`) under the limits of the plan's product.

    A limit that was set for another method, or applies at another geometry, vessel, speed, time, temperature or unit,
    says nothing about the value.  Neither does any limit after a failed or overdue verification.
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
    subject = Subject(plan, quantity, unit, value, row, kept)
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


def _one(subject: Subject, limit: ProductLimit, rule: Rounding, decimals: int | None) -> LimitUsed:
    value, unit = subject.value, subject.unit
    low, high = limit.low, limit.high
    reasons = hindrances(subject, limit)
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
    if limit.methods:
        binds = {"method": " or ".join(limit.methods), **binds}
    return LimitUsed(
        quantity=limit.quantity, low=low, high=high, unit=unit, applies_at=binds, verdict=verdict,
        reasons=tuple(reasons),
    )  # fmt: skip
