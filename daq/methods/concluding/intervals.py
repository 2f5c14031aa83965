"""From the components of a budget to the one interval that is published: value ± U, or the reasons why there is none.

U is that of JCGM 100, k u_c.  Where limits prevail among the components it is half the interval of the propagated
distributions (JCGM 101); k u_c is then in the budget, for comparison.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Final

from daq.methods.parts.base import finite
from daq.methods.parts.component_names import COMPONENT_CODES
from daq.methods.parts.judged import Judgement
from daq.methods.parts.known import BudgetLine, ComparedInterval, Uncertainty
from daq.methods.parts.statement import Statement, distinct, state
from daq.rheology.uncertainty import Budget, Component, Distribution, bounded_share, combine

COVERAGE: Final = 0.95
PREVAILING: Final = 0.5
"""Share of the combined variance from which quantities known only by limits make the interval differ from k u_c."""
TRIALS: Final = 100_000
OF_THE_VALUE: Final = ("below_limit", "above_limit", "in_guard_band")
"""Codes of reasons that name the value; its digits follow the uncertainty."""
JCGM_100: Final = "JCGM 100: value ± k u_c"
JCGM_101: Final = "JCGM 101: propagated distributions, probabilistically symmetric"


def load() -> None:
    """Import what the propagation of distributions needs, so that the end of a run imports nothing."""
    import numpy.random  # noqa: F401, PLC0415

    import daq.rheology.montecarlo  # noqa: F401, PLC0415 - loaded where a run begins, not by every command


def stated_interval(
    value: float,
    components: Sequence[Component],
    left_out: Sequence[Statement],
    reasons: Sequence[Statement] = (),
    *,
    unit: str,
    seed: int | None = None,
) -> Uncertainty:
    """Return the uncertainty of a value as a result states it.

    Args:
        value: the value.
        components: the budget, in the unit of the value.
        left_out: what the budget does not contain.
        reasons: why there is no interval; empty where there may be one.
        unit: UCUM code of the value, and of the components without a unit of their own.
        seed: of the random numbers of the propagation by JCGM 101; None: U = k u_c in any case.
    """
    combined = combine(components, coverage=COVERAGE) if components else None
    if combined is None or not combined.u_c > 0.0:
        reasons = reasons or (state("no_contribution_known"),)
    lines = () if combined is None else lines_of(combined, unit)
    if combined is None or reasons:
        return Uncertainty(coverage=COVERAGE, reasons=distinct(reasons), components=lines, left_out=distinct(left_out))
    expanded, method, trials, compared = combined.expanded, JCGM_100, None, None
    if seed is not None and is_propagated(components):
        from daq.rheology.montecarlo import propagate_budget  # noqa: PLC0415 - numpy is loaded at the end of a run only

        spread = propagate_budget(0.0, components, seed=seed, trials=TRIALS, coverage=COVERAGE)
        compared = ComparedInterval(method=JCGM_100, expanded=expanded, k=combined.k)
        expanded, method, trials = (spread.high - spread.low) / 2.0, JCGM_101, TRIALS
    return Uncertainty(
        expanded=expanded,
        k=expanded / combined.u_c,
        coverage=COVERAGE,
        low=finite(value - expanded),
        high=finite(value + expanded),
        method=method,
        trials=trials,
        seed=None if trials is None else seed,
        effective_degrees_of_freedom=combined.nu_eff,
        components=lines,
        compared=compared,
        left_out=distinct(left_out),
    )


def is_propagated(components: Sequence[Component]) -> bool:
    """Return whether limits prevail and every component has enough readings for its t to have a standard deviation.

    With 2 degrees of freedom or less (JCGM 101 6.4.9) a few trials far out would make the interval many times as wide
    as anything that was ever seen; there Welch and Satterthwaite's k says more.
    """
    scattered = [c.dof for c in components if c.distribution is Distribution.STUDENT]
    return bounded_share(components) >= PREVAILING and min(scattered, default=math.inf) > 2.0


def lines_of(combined: Budget, unit: str) -> tuple[BudgetLine, ...]:
    """Return the lines of a budget of a value in `unit` (UCUM) under the names of a result."""
    names = {"u": "standard_uncertainty", "dof": "degrees_of_freedom"}
    rows = ({names.get(k, k): v for k, v in row.items()} for row in combined.rows())
    return tuple(
        BudgetLine(**row | {"code": COMPONENT_CODES.get(row["name"], ""), "unit": row["unit"] or unit}) for row in rows
    )


def components_of(lines: Iterable[BudgetLine], factor: float = 1.0) -> list[Component]:
    """Return the components of a stated budget, their sensitivities times `factor`."""
    return [
        Component(
            x.name,
            x.standard_uncertainty,
            Distribution(x.distribution),
            math.inf if x.degrees_of_freedom is None else x.degrees_of_freedom,
            x.sensitivity * factor,
            x.unit,
        )
        for x in lines
    ]


def restated(reasons: Iterable[Statement], expanded: float | None) -> tuple[Statement, ...]:
    """Return reasons that name the value with its expanded uncertainty, which gives them their digits."""
    return tuple(
        state(r.code, **r.parameters | {"expanded": expanded}) if expanded and r.code in OF_THE_VALUE else r
        for r in reasons
    )


def with_uncertainty(verdict: Judgement, found: Uncertainty | None) -> Judgement:
    """Return a verdict whose reasons name the value with its expanded uncertainty, where they name the value."""
    if found is None or found.expanded is None:
        return verdict
    limits = tuple(x.model_copy(update={"reasons": restated(x.reasons, found.expanded)}) for x in verdict.limits)
    return verdict.model_copy(update={"limits": limits, "reasons": restated(verdict.reasons, found.expanded)})
