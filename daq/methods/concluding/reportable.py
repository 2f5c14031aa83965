"""The reportable result of a sample: made from its runs by the product's rule, every attempt listed.

It is a thing of its own, not one of the runs.  Pure: from the results as they are stored.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from daq.core.context import ProductOfPlan
from daq.core.units import symbol
from daq.methods.concluding.judging import reported, reported_decimals
from daq.methods.files.product import Product
from daq.quality.limits import Rounding, Verdict, as_reported, judge
from daq.quality.replicates import Agreement, Outcome, judge_replicates
from daq.quality.statistics import dixon_test, grubbs_test

HOW: Final = {
    Outcome.MEAN: "mean of {n}: their range {spread:.4g} {unit} is within {limit:.4g} {unit}",
    Outcome.MEDIAN: "median of {n}: their range {spread:.4g} {unit} is beyond {limit:.4g} {unit} and no more are "
    "allowed; look for the reason",
    Outcome.MORE: "not decided: the range {spread:.4g} {unit} of {n} is beyond {limit:.4g} {unit}; measure one more, "
    "on a fresh fill",
}


@dataclass(frozen=True, slots=True)
class Attempt:
    """One run of the sample, counted or not, and why not."""

    run: str
    began: str
    method: str
    instrument: str
    fill: str
    value: float | None
    unit: str
    validity: str
    counted: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Reportable:
    """What is reported of a sample.  Values in `unit`."""

    sample: str
    product: str | None
    method: str
    quantity: str
    unit: str
    value: float | None
    reported: str | None
    """The value as the product reports it."""
    expanded: float | None
    """Expanded uncertainty: the greatest of the values counted, because errors of one instrument do not average out."""
    decided: str
    """mean, median, single, more or none."""
    how: str
    verdict: str
    rounding: str | None
    limits: tuple[str, ...]
    outliers: tuple[str, ...]
    """What outlier tests say; nothing is left out for it."""
    attempts: tuple[Attempt, ...]


def reportable(
    sample: str, runs: Sequence[tuple[Attempt, dict[str, Any] | None]], product: Product | None, method: str = ""
) -> Reportable:
    """The reportable result from all runs of a sample, oldest first, each with its newest result (`ResultData`).

    Counted are valid results of one method on one geometry under the same choices, the first of each fill, until the
    product's rule has decided.  `method` (id) chooses the method; otherwise it is that of the first valid result.
    Without a rule in the product the first valid result is reported.
    """
    rule = None if product is None else product.replicates
    needed, most = (1, 1) if rule is None else (rule.count, max(rule.most, rule.count))
    counted: list[dict[str, Any]] = []
    attempts: list[Attempt] = []
    fills: dict[str, str] = {}
    agreement: Agreement | None = None
    decided = False
    for attempt, data in runs:
        why = _why_not(attempt, data, counted, fills, method)
        if not why and decided:
            why = "the sample was decided before"
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
    return _made(sample, product, counted, attempts, agreement, needed)


def _with(attempt: Attempt, why: str = "") -> Attempt:
    a = attempt
    return Attempt(
        a.run, a.began, a.method, a.instrument, a.fill, a.value, a.unit, a.validity, counted=not why, why=why
    )


def _why_not(
    attempt: Attempt, data: dict[str, Any] | None, counted: Sequence[dict[str, Any]], fills: dict[str, str], method: str
) -> str:
    """Why a run does not count; "" where it does."""
    if data is None:
        return "it has no result"
    if data.get("verification"):
        return "it is a verification"
    if data["sample"].get("sheared"):
        return "its fill was sheared while a speed was sought"
    if method and data["method"]["id"] != method:
        return f"another method: {data['method']['id']}"
    if data["validity"] != "valid" or data["value"] is None:
        return f"{data['validity']}: {'; '.join(data['reasons']) or data['outcome']}"
    if attempt.fill in fills:
        return f"a repeat on the fill of run {fills[attempt.fill][:8]} is no replicate"
    first = counted[0] if counted else data
    for what, key in (("method", _method), ("geometry", _geometry), ("choices", _choices), ("quantity", _quantity)):
        if key(data) != key(first):
            return f"another {what} than the first that counts"
    return ""


def _method(data: dict[str, Any]) -> Any:
    return data["method"]["id"], data["method"]["version"], data["method"]["digest"]


def _geometry(data: dict[str, Any]) -> Any:
    body = data.get("geometry")
    return body and (body["name"], body["vessel"])


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
) -> Reportable:
    first = counted[0] if counted else None
    unit = "" if first is None else first["unit"]
    value: float | None = None
    if agreement is not None:
        value, decided = agreement.value, str(agreement.outcome)
        a = agreement
        how = HOW[a.outcome].format(n=a.n, spread=a.spread, limit=a.limit, unit=symbol(unit))
    elif first is not None and needed == 1:
        value, decided, how = first["value"], "single", "the first valid result; the product asks for no replicates"
    else:
        more = needed - len(counted)
        decided, how = ("more" if counted else "none"), f"not decided: {more} more valid, each on a fresh fill"
    planned = None if product is None else product.planned()
    verdict, rule, limits = _verdict(value, unit, counted, planned)
    expanded = [d["uncertainty"]["expanded"] for d in counted if d.get("uncertainty")]
    return Reportable(
        sample=sample,
        product=None if product is None else product.id,
        method="" if first is None else f"{first['method']['id']} {first['method']['version']}",
        quantity="" if first is None else first["quantity"],
        unit=unit,
        value=value,
        reported=reported(value, planned, "" if first is None else first["quantity"], unit),
        expanded=max(expanded) if value is not None and len(expanded) == len(counted) else None,
        decided=decided,
        how=how,
        verdict=verdict,
        rounding=rule,
        limits=limits,
        outliers=_outliers([d["value"] for d in counted], unit),
        attempts=tuple(attempts),
    )


def _outliers(values: Sequence[float], unit: str) -> tuple[str, ...]:
    if len(values) < 3:
        return ()
    out = []
    for name, letter, test in (("Grubbs", "G", grubbs_test), ("Dixon", "Q", dixon_test)):
        found = test(values)
        if found.is_outlier:
            out.append(
                f"{name}: {found.value:.4g} {symbol(unit)} stands out, {letter} = {found.statistic:.3f} above "
                f"{found.critical:.3f}; it counts all the same"
            )
    return tuple(out)


def _verdict(
    value: float | None, unit: str, counted: Sequence[dict[str, Any]], product: ProductOfPlan | None
) -> tuple[str, str | None, tuple[str, ...]]:
    """Verdict on the reportable number under the limits that every counted result could be compared with."""
    if value is None or product is None or not counted or not counted[0]["verdict"]["limits"]:
        return Verdict.NONE.value, None, ()
    rule = Rounding(product.rounding)
    decimals = reported_decimals(value, product, counted[0]["quantity"])
    said: list[str] = []
    verdicts: list[Verdict] = []
    for i, limit in enumerate(counted[0]["verdict"]["limits"]):
        same = [d["verdict"]["limits"][i] for d in counted]
        comparable = all(x["verdict"] in ("within", "outside") for x in same)
        edges = f"{limit['quantity']} {_edge(limit['low'])} to {_edge(limit['high'])} {symbol(limit['unit'])}"
        if not comparable or limit["unit"] != unit:
            verdicts.append(Verdict.NOT_COMPARABLE)
            reasons = dict.fromkeys(r for x in same if x["verdict"] == "not_comparable" for r in x["reasons"])
            said.append(f"{edges}: not comparable: {'; '.join(reasons) or 'another unit'}")
            continue
        found = judge(value, limit["low"], limit["high"], rule=rule, decimals=decimals)
        shown = as_reported(value, decimals) if rule is Rounding.ROUNDED else repr(value)
        verdicts.append(found)
        said.append(f"{edges}: {found.value}, compared as {shown}")
    overall = next(v for v in (Verdict.OUTSIDE, Verdict.WITHIN, Verdict.NOT_COMPARABLE) if v in verdicts)
    return overall.value, rule.value, tuple(said)


def _edge(value: float | None) -> str:
    return "any" if value is None or not math.isfinite(value) else f"{value:g}"
