"""The reportable result of a sample, made from its runs by the product's rule, with every attempt listed.

It is a thing of its own, not one of the runs.  Pure: from the results as they are stored.
"""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from daq.core.context import ProductOfPlan
from daq.methods.concluding.intervals import components_of, restated, stated_interval
from daq.methods.concluding.judging import (
    Rule,
    expanded_of,
    guard_band_of,
    overall_verdict,
    reported,
    risk_outside,
    rule_of,
    standard_uncertainty,
)
from daq.methods.files.product import Product
from daq.methods.files.producttest import Replicates
from daq.methods.parts.component_names import PART_OF_A_TURN, SCATTER, WITHIN_ONE_STEP
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.nevercounting import never_counts
from daq.methods.parts.statement import Statement, distinct, state
from daq.quality.digits import SHOWN_ID
from daq.quality.limits import Rounding, Verdict
from daq.quality.replicates import Agreement, Outcome, judge_replicates, mean_uncertainty, repeatability_deviation
from daq.quality.statistics import dixon_test, grubbs_test
from daq.rheology.uncertainty import Component

HOW: Final = {
    Outcome.MEAN: "mean_of_results",
    Outcome.MEDIAN: "median_of_results",
    Outcome.MORE: "one_more_result",
}
"""Code of the statement by the outcome of judged replicates."""


JUDGED: Final = ("within", "outside", "undecided")
"""Verdicts under a limit that applies."""
FILLS: Final = "scatter between fills"
OF_ONE_RUN: Final = (SCATTER, WITHIN_ONE_STEP, PART_OF_A_TURN)
"""Components of one run that are part of the scatter between fills."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """One run of the sample, whether it counts, and why not."""

    run: str
    began: str
    method: str
    instrument: str
    fill: str
    value: float | None
    unit: str
    validity: str
    counted: bool
    why: tuple[Statement, ...] = ()
    """Why it does not count."""
    expanded: float | None = None
    """Expanded uncertainty of the run's own value; None without an interval."""


@dataclass(frozen=True, slots=True)
class Reportable:
    """The reportable result of a sample.  Values in `unit`."""

    sample: str
    product: str | None
    method: str
    quantity: str
    unit: str
    value: float | None
    reported: str | None
    """The value as the product reports it."""
    uncertainty: Uncertainty | None
    """The interval of the reportable value, or why it has none; None without a value."""
    decided: str
    """mean, median, single, more or none."""
    how: Statement
    verdict: str
    rounding: str | None
    acceptance: str | None
    """Decision rule (JCGM 106); None without limits."""
    risk_of_false_acceptance: float | None
    """For a value within: probability (0 to 1) that the true value is outside of the limits; None without one."""
    limits: tuple[Statement, ...]
    """The verdict under each limit; after one that could not be applied, the reasons."""
    outliers: tuple[Statement, ...]
    """Results of outlier tests; no value is left out because of them."""
    attempts: tuple[Attempt, ...]


def reportable(
    sample: str, runs: Sequence[tuple[Attempt, dict[str, Any] | None]], product: Product | None, method: str = ""
) -> Reportable:
    """Return the reportable result from all runs of a sample, oldest first, each with its newest result (`ResultData`).

    Counted are valid results of one method on one geometry under the same choices, the first of each fill, until the
    product's rule has decided.  `method` (id) chooses the method; otherwise it is that of the first valid result.
    Without a rule in the product the first valid result is reported.
    """
    rule = _rule(product, runs, method)
    needed, most = (1, 1) if rule is None else (rule.count, max(rule.most, rule.count))
    counted: list[dict[str, Any]] = []
    attempts: list[Attempt] = []
    fills: dict[str, str] = {}
    agreement: Agreement | None = None
    decided = False
    for attempt, data in runs:
        why = _why_not(attempt, data, counted, fills, method)
        if not why and decided:
            why = (state("sample_decided"),)
        if why or data is None:
            attempts.append(_with(attempt, why))
            continue
        counted.append(data)
        fills[attempt.fill] = attempt.run
        attempts.append(_with(attempt))
        if len(counted) < needed:
            continue
        if rule is None or needed == 1:
            decided = True
            continue
        values = [d["value"] for d in counted]
        agreement = judge_replicates(values, rule.limit_for(values, counted[0]["unit"]), most)
        decided = agreement.outcome is not Outcome.MORE
    limit = None if rule is None or not counted else rule.limit_for([d["value"] for d in counted], counted[0]["unit"])
    return _made(sample, product, counted, attempts, agreement, needed, limit)


def as_replicates(runs: Sequence[tuple[Attempt, dict[str, Any] | None]], method: str = "") -> list[Attempt]:
    """Return the runs as replicates of each other, without the rule of a product: each valid one on a fill of its own.

    They have one method, geometry, quantity and choices: those of the first that counts; `method` as in `reportable`.
    """
    counted: list[dict[str, Any]] = []
    fills: dict[str, str] = {}
    out: list[Attempt] = []
    for attempt, data in runs:
        why = _why_not(attempt, data, counted, fills, method)
        if not why and data is not None:
            counted.append(data)
            fills[attempt.fill] = attempt.run
        out.append(_with(attempt, why))
    return out


def counting(runs: Sequence[tuple[Attempt, dict[str, Any] | None]], method: str = "") -> list[str]:
    """Return the runs that may count by themselves, in their order; `method` as in `reportable`."""
    return [a.run for a, data in runs if not _why_not(a, data, (), {}, method)]


def _rule(
    product: Product | None, runs: Sequence[tuple[Attempt, dict[str, Any] | None]], method: str
) -> Replicates | None:
    """Return the product's rule for the method of the first run that counts; None: one valid result is reported."""
    if product is None:
        return None
    first = next((a for a, data in runs if not _why_not(a, data, (), {}, method)), None)
    return product.replicates if first is None else product.replicates_of(first.method)


def _with(attempt: Attempt, why: tuple[Statement, ...] = ()) -> Attempt:
    return replace(attempt, counted=not why, why=why)


def _why_not(
    attempt: Attempt, data: dict[str, Any] | None, counted: Sequence[dict[str, Any]], fills: dict[str, str], method: str
) -> tuple[Statement, ...]:
    """Return why a run does not count; empty where it does."""
    if data is None:
        return (state("without_result"),)
    if why := never_counts(data):
        return why
    if method and data["method"]["id"] != method:
        return (state("of_other_method", method=data["method"]["id"]),)
    if data["validity"] != "valid" or data["value"] is None:
        statements = state("without_valid_result", validity=data["validity"])
        return (statements, *(Statement.model_validate(reason) for reason in data["reasons"]))
    if attempt.fill in fills:
        return (state("fill_repeated", run=fills[attempt.fill][:8]),)
    first = counted[0] if counted else data
    for what, key in (("method", _method), ("geometry", _geometry), ("choices", _choices), ("quantity", _quantity)):
        if key(data) != key(first):
            return (state("differs_from_first", aspect=what),)
    return ()


def _method(data: dict[str, Any]) -> Any:
    return data["method"]["id"], data["method"]["version"], data["method"]["digest"]


def _geometry(data: dict[str, Any]) -> Any:
    geometry = data.get("geometry")
    return geometry and (geometry["name"], geometry["vessel"])


def _choices(data: dict[str, Any]) -> Any:
    return data["method"]["choices"]


def _quantity(data: dict[str, Any]) -> Any:
    return data["quantity"], data["unit"]


def _made(
    sample: str,
    product: Product | None,
    counted: Sequence[dict[str, Any]],
    attempts: Sequence[Attempt],
    agreement: Agreement | None,
    needed: int,
    limit: float | None,
) -> Reportable:
    first = counted[0] if counted else None
    unit = "" if first is None else first["unit"]
    value: float | None = None
    if agreement is not None:
        value, decided = agreement.value, str(agreement.outcome)
        a = agreement
        how = state(HOW[a.outcome], results=a.n, spread=a.spread, limit=a.limit, unit=unit)
    elif first is not None and needed == 1:
        value, decided, how = first["value"], "single", state("first_valid_result")
    else:
        more = needed - len(counted)
        decided, how = ("more" if counted else "none"), state("more_results_needed", more=more)
    planned = None if product is None else product.planned()
    uncertainty = None
    if value is not None:
        runs = (a.run for a in attempts if a.counted)
        uncertainty = reportable_interval(value, dict(zip(runs, counted, strict=True)), decided, limit)
    judged = _verdict(value, unit, counted, planned, uncertainty)
    return Reportable(
        sample=sample,
        product=None if product is None else product.id,
        method="" if first is None else f"{first['method']['id']} {first['method']['version']}",
        quantity="" if first is None else first["quantity"],
        unit=unit,
        value=value,
        reported=reported(value, planned, "" if first is None else first["quantity"], unit),
        uncertainty=uncertainty,
        decided=decided,
        how=how,
        verdict=judged.verdict.value,
        rounding=None if judged.rule is None else judged.rule.rounding.value,
        acceptance=None if judged.rule is None else judged.rule.acceptance.value,
        risk_of_false_acceptance=judged.risk,
        limits=judged.statements,
        outliers=_outliers([d["value"] for d in counted], unit),
        attempts=tuple(attempts),
    )


def _outliers(values: Sequence[float], unit: str) -> tuple[Statement, ...]:
    if len(values) < 3:
        return ()
    out = []
    for code, test in (("grubbs_outlier", grubbs_test), ("dixon_outlier", dixon_test)):
        found = test(values)
        if found.is_outlier:
            out.append(state(code, value=found.value, unit=unit, statistic=found.statistic, critical=found.critical))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Judged:
    """The verdict on the reportable number, its rule, and the statements about each limit."""

    verdict: Verdict
    rule: Rule | None = None
    risk: float | None = None
    statements: tuple[Statement, ...] = ()


def _verdict(
    value: float | None,
    unit: str,
    counted: Sequence[dict[str, Any]],
    product: ProductOfPlan | None,
    uncertainty: Uncertainty | None,
) -> _Judged:
    """Return the verdict on the reportable number under the limits that applied to every counted result.

    `uncertainty` is that of `value`, all in `unit`.
    """
    # A result that was measured without the product has no limits; the mean with one that has is not comparable.
    limits: list[dict[str, Any]] = max((d["verdict"]["limits"] for d in counted), key=len, default=[])
    if value is None or product is None:
        return _Judged(Verdict.NONE)
    if not limits:
        # The sample has a product with limits, and its value was measured without it: nobody compared the two.
        unnamed = product.limits and not all(d["sample"].get("product") for d in counted)
        return _Judged(Verdict.NOT_COMPARABLE if unnamed else Verdict.NONE)
    quantity = counted[0]["quantity"]
    rule = rule_of(product, value, quantity)
    expanded, u = expanded_of(uncertainty), standard_uncertainty(uncertainty)
    statements: list[Statement] = []
    verdicts: list[Verdict] = []
    within: list[tuple[float | None, float | None]] = []
    for i, limit in enumerate(limits):
        same = [_limit_of(d, i) for d in counted]
        comparable = all(x["verdict"] in JUDGED for x in same)
        edges = {name: limit[name] for name in ("quantity", "low", "high", "unit")}
        if not comparable or limit["unit"] != unit:
            verdicts.append(Verdict.NOT_COMPARABLE)
            reasons = (r for x in same if x["verdict"] == "not_comparable" for r in x["reasons"])
            statements.append(state("limit_not_comparable", **edges))
            statements += distinct(Statement.model_validate(r) for r in reasons)
            continue
        # The product's file may have changed since; then the multiple of the uncertainty counts.
        own = product.limits[i] if i < len(product.limits) else None
        is_same = own is not None and own.quantity == limit["quantity"] and own.unit == limit["unit"]
        guard_band = guard_band_of(own, unit) if own is not None and is_same else None
        found, why, _ = rule.judged(value, limit["low"], limit["high"], unit, expanded, guard_band)
        verdicts.append(found)
        # The unrounded value is the reportable one itself; it is not printed with digits that say nothing.
        compared = rule.compared(value) if rule.rounding is Rounding.ROUNDED else None
        statements.append(state("limit_judged", verdict=found.value, compared=compared, **edges))
        if found is Verdict.WITHIN:
            within.append((limit["low"], limit["high"]))
        if found is Verdict.UNDECIDED:
            statements += restated(why, expanded)
    overall = overall_verdict(verdicts)
    risk = risk_outside(value, u, within) if overall is Verdict.WITHIN else None
    return _Judged(overall, rule, risk, tuple(statements))


def _limit_of(data: dict[str, Any], i: int) -> dict[str, Any]:
    """Return the verdict of a result under a limit; not comparable where the result has no such limit."""
    limits = data["verdict"]["limits"]
    return limits[i] if i < len(limits) else {"verdict": "not_comparable", "reasons": []}


def reportable_interval(
    value: float, counted: Mapping[str, dict[str, Any]], decided: str, limit: float | None
) -> Uncertainty:
    """Return the interval of a reportable value, or why it has none.

    The errors of the instrument are common to all fills: of the runs counted, those of the run with the greatest ones
    are taken, and they do not average out.  The scatter between fills is added: s/sqrt(n) for the mean of n fills, with
    the product's repeatability standard deviation (`daq.quality.replicates.mean_uncertainty`).  It contains the scatter
    of the readings of each run.

    Args:
        value: the reportable value.
        counted: the results that count (`ResultData` as a dict) by run, at least one.
        decided: mean, median or single.
        limit: the product's repeatability limit in the unit of the value; None where it states none.
    """
    stated = {run: _stated(d) for run, d in counted.items()}
    unit = str(next(iter(counted.values()))["unit"])
    reasons: list[Statement] = []
    if decided == Outcome.MEDIAN:
        reasons.append(state("median_without_interval"))
    for run, u in stated.items():
        if u is None or u.expanded is None:
            reasons.append(state("run_without_interval", run=run[:SHOWN_ID]))
            reasons += () if u is None else u.reasons
    found = [u for u in stated.values() if u is not None]
    if reasons or not found:
        return stated_interval(value, (), (), reasons, unit=unit)
    left_out = [x for u in found for x in u.left_out]
    if limit is None:
        # One fill under a product without replicates: the run's own interval, which cannot show another fill.
        return found[0].model_copy(update={"left_out": (*found[0].left_out, state("scatter_of_fills_unknown"))})
    common = max((_common(u) for u in found), key=_variance)
    fills = Component(FILLS, mean_uncertainty([d["value"] for d in counted.values()], repeatability_deviation(limit)))
    seed = zlib.crc32(" ".join(counted).encode())
    return stated_interval(value, [*common, fills], left_out, unit=unit, seed=seed)


def _stated(data: dict[str, Any]) -> Uncertainty | None:
    given = data.get("uncertainty")
    return None if given is None else Uncertainty.model_validate(given)


def _common(found: Uncertainty) -> list[Component]:
    return components_of(x for x in found.components if x.name not in OF_ONE_RUN)


def _variance(components: Sequence[Component]) -> float:
    return sum(c.contribution**2 for c in components)
