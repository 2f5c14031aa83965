"""The verdict: the value against the product's limits, where they apply."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from daq.core.context import ProductLimit, ProductOfPlan
from daq.core.faults import CHECKS, DECIMAL_LIMITS, DECIMAL_MEANS
from daq.core.units import UNITS, as_written, convert
from daq.methods.concluding.applying import Subject, hindrances
from daq.methods.parts.judged import Judgement, LimitUsed
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, distinct, state
from daq.quality.guardbands import Acceptance, Guarded, judge_guarded, probability_outside
from daq.quality.limits import Rounding, Verdict, as_reported, decimal_of, judge

if TYPE_CHECKING:
    from daq.core.effects import Kept
    from daq.core.plan import Plan

BINDINGS: Final = ("geometry", "vessel", "speed", "time", "temperature")


def judgement(
    plan: "Plan",
    quantity: str,
    unit: str,
    value: float | None,
    row: KeptValue | None,
    kept: "Kept | None",
    budget: Uncertainty | None,
    *,
    checks: int = CHECKS,
) -> Judgement:
    """Return the verdict on `value` (in `unit`) under the limits of the plan's product.

    A limit that was set for another method, or applies at another geometry, vessel, speed, time, temperature or unit,
    says nothing about the value.  Neither does any limit after a failed or overdue verification, or without a
    required control.
    Outside of one comparable limit is outside, undecided under one is undecided; without a comparable limit the verdict
    is not_comparable.  A seek gets no verdict.  `checks` is `Facts.checks`.
    """
    if plan.seek is not None:
        return Judgement(verdict=Verdict.NONE, reasons=(state("seek_shears"),))
    product = plan.context.product
    if product is None or not product.limits:
        return Judgement(verdict=Verdict.NONE, reasons=(state("no_limits"),) if product else ())
    rule = rule_of(product, value, quantity, checks)
    subject = Subject(plan, quantity, unit, value, row, kept, checks)
    used = tuple(_one(subject, limit, rule, budget) for limit in product.limits)
    overall = overall_verdict(u.verdict for u in used)
    compared = None
    if value is not None and overall is not Verdict.NOT_COMPARABLE:
        compared = rule.compared(value)
    reasons = distinct(r for u in used if u.verdict == overall for r in u.reasons)
    risk = None
    if overall is Verdict.WITHIN and value is not None:
        edges = [(u.low, u.high) for u in used if u.verdict is Verdict.WITHIN]
        risk = risk_outside(value, standard_uncertainty(budget), edges)
    return Judgement(
        verdict=overall,
        rounding=rule.rounding,
        acceptance=rule.acceptance,
        risk_of_false_acceptance=risk,
        compared=compared,
        limits=used,
        reasons=reasons,
    )


def overall_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict under several limits: outside before undecided, undecided before within."""
    found = set(verdicts)
    order = (Verdict.OUTSIDE, Verdict.UNDECIDED, Verdict.WITHIN, Verdict.NOT_COMPARABLE)
    return next(v for v in order if v in found)


@dataclass(frozen=True, slots=True)
class Rule:
    """The decision rule of a product for one value."""

    rounding: Rounding
    acceptance: Acceptance
    decimals: int
    """Decimals of the reported number."""
    guard_factor: float
    checks: int = CHECKS
    """Numbers are compared by the rules of this number: see `Facts.checks`."""

    def compared(self, value: float) -> str:
        """Return the number as it is compared with the limits."""
        if self.rounding is Rounding.ROUNDED:
            return as_reported(_to_round(value, self.checks), self.decimals)
        return repr(value)

    def written(self, value: float) -> float:
        """Return a number as it is compared: see `as_written`."""
        return value if self.checks < DECIMAL_LIMITS else as_written(value)

    def judged(
        self,
        value: float,
        low: float | None,
        high: float | None,
        unit: str,
        expanded: float | None,
        guard_band: float | None = None,
    ) -> tuple[Verdict, list[Statement], Guarded | None]:
        """Return the verdict on a value under one limit, its reasons, and the acceptance limits of guard bands.

        Args:
            value: the value; all numbers are in `unit`.
            low: lower limit, or None.
            high: upper limit, or None.
            unit: UCUM code.
            expanded: expanded uncertainty of the value; None where it has no interval.
            guard_band: the stated guard band; None: the multiple of `expanded`.
        """
        # The mean of readings that are all on the limit may be beyond it by a rounding error.
        by_rounding = self.rounding is Rounding.ROUNDED
        decided = _to_round(value, self.checks) if by_rounding else self.written(value)
        if self.acceptance is Acceptance.SIMPLE:
            found = judge(decided, low, high, rule=self.rounding, decimals=self.decimals)
            beyond = float(self.compared(value)) if by_rounding and self.checks >= DECIMAL_MEANS else value
            return found, _edge(found, value, beyond, low, high, unit), None
        if expanded is None:
            return Verdict.UNDECIDED, [state("guard_without_interval")], None
        guard_band = self.guard_factor * expanded if guard_band is None else self.written(guard_band)
        guarded = judge_guarded(decided, low, high, guard_band)
        if guarded.verdict is not Verdict.UNDECIDED:
            return guarded.verdict, _edge(guarded.verdict, value, value, low, high, unit), guarded
        reasons = [
            state("in_guard_band", value=value, limit=_nearer(value, low, high), guard_band=guard_band, unit=unit)
        ]
        if guarded.low is not None and guarded.high is not None and guarded.low > guarded.high:
            reasons.append(state("guard_bands_leave_nothing", guard_band=guard_band, unit=unit))
        return guarded.verdict, reasons, guarded


def rule_of(product: ProductOfPlan, value: float | None, quantity: str, checks: int = CHECKS) -> Rule:
    """Return the decision rule of a product for a value of `quantity`; `checks` is `Facts.checks`."""
    decimals = 0 if value is None else reported_decimals(_to_round(value, checks), product, quantity)
    return Rule(Rounding(product.rounding), Acceptance(product.acceptance), decimals, product.guard_factor, checks)


def _to_round(value: float, checks: int) -> float:
    """Return a value as it is rounded: without the error of its mean, by which a half would not be one."""
    return value if checks < DECIMAL_MEANS else as_written(value)


def expanded_of(budget: Uncertainty | None) -> float | None:
    """Return the expanded uncertainty that is published with a value; None where there is none."""
    return None if budget is None or not budget.expanded else budget.expanded


def standard_uncertainty(budget: Uncertainty | None) -> float | None:
    """Return the combined standard uncertainty of a value, U/k; None where there is none."""
    expanded = expanded_of(budget)
    return None if budget is None or expanded is None or not budget.k else expanded / budget.k


def risk_outside(value: float, u: float | None, edges: Iterable[tuple[float | None, float | None]]) -> float | None:
    """Return the probability that the true value is outside of one of the limits (low, high); None without `u`."""
    found = list(edges)
    if u is None or not found:
        return None
    low = max((low for low, _ in found if low is not None), default=None)
    high = min((high for _, high in found if high is not None), default=None)
    return 1.0 if low is not None and high is not None and low > high else probability_outside(value, u, low, high)


def guard_band_of(limit: ProductLimit, unit: str) -> float | None:
    """Return the guard band that a limit states, in `unit` (UCUM); None where it states none.

    It is a width, so that the zero of a temperature scale does not count.
    """
    stated = limit.guard_band
    return None if stated is None else convert(stated, limit.unit, unit) - convert(0.0, limit.unit, unit)


def _edge(
    found: Verdict, value: float, compared: float, low: float | None, high: float | None, unit: str
) -> list[Statement]:
    """Return the limit that the compared number is beyond; nothing where it is not outside."""
    if found is not Verdict.OUTSIDE:
        return []
    below = low is not None and compared < low
    return [state("below_limit" if below else "above_limit", value=value, limit=low if below else high, unit=unit)]


def _nearer(value: float, low: float | None, high: float | None) -> float:
    return min((x for x in (low, high) if x is not None), key=lambda x: abs(x - value))


def reported_decimals(value: float, product: ProductOfPlan, quantity: str) -> int:
    """Return the decimals of the reported number: of the quantity's limit, of the product, or by significant digits."""
    own = (limit.decimals for limit in product.limits if limit.quantity == quantity)
    fixed = next((d for d in own if d is not None), product.reported_decimals)
    if fixed is not None:
        return fixed
    exact = decimal_of(value)
    return product.reported_digits - 1 - (exact.adjusted() if exact else 0)


def reported(
    value: float | None, product: ProductOfPlan | None, quantity: str, unit: str, *, checks: int = CHECKS
) -> str | None:
    """Return the value (in `unit`) as the product reports it; None without value or product.

    The digits of a product are those of its own unit and of the quantities it has limits for: three digits of a
    viscosity say nothing about a mass.  `checks` is `Facts.checks`.
    """
    if value is None or product is None:
        return None
    dimension = UNITS[unit].dimension if unit in UNITS else unit
    if dimension != UNITS[product.unit].dimension and quantity not in {x.quantity for x in product.limits}:
        return None
    rounded = _to_round(value, checks)
    return as_reported(rounded, reported_decimals(rounded, product, quantity))


def _one(subject: Subject, limit: ProductLimit, rule: Rule, budget: Uncertainty | None) -> LimitUsed:
    value, unit = subject.value, subject.unit
    low, high = limit.low, limit.high
    reasons = hindrances(subject, limit)
    if value is None:
        reasons.insert(0, state("no_value_to_compare"))
    if reasons or value is None:
        return _used(limit, low, high, limit.unit, Verdict.NOT_COMPARABLE, reasons)
    low, high = (None if x is None else rule.written(convert(x, limit.unit, unit)) for x in (low, high))
    found, reasons, guarded = rule.judged(value, low, high, unit, expanded_of(budget), guard_band_of(limit, unit))
    return _used(limit, low, high, unit, found, reasons).model_copy(
        update={
            "accepted_low": None if guarded is None or guarded.low is None else float(guarded.low),
            "accepted_high": None if guarded is None or guarded.high is None else float(guarded.high),
            "probability_outside": risk_outside(value, standard_uncertainty(budget), [(low, high)]),
        }
    )


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
