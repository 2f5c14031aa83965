"""The interval of a reportable value: what the fills have in common, and their scatter."""

import zlib
from collections.abc import Mapping, Sequence
from typing import Any, Final

from daq.methods.concluding.budget import PART_OF_A_TURN, SCATTER, WITHIN_ONE_STEP
from daq.methods.concluding.intervals import components_of, stated_interval
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.statement import Statement, state
from daq.quality.replicates import Outcome, mean_uncertainty, repeatability_deviation
from daq.rheology.uncertainty import Component

FILLS: Final = "scatter between fills"
OF_ONE_RUN: Final = (SCATTER, WITHIN_ONE_STEP, PART_OF_A_TURN)
"""Components of one run that are part of the scatter between fills."""
SHOWN_ID: Final = 8


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
    reasons: list[Statement] = []
    if decided == Outcome.MEDIAN:
        reasons.append(state("median_without_interval"))
    for run, u in stated.items():
        if u is None or u.expanded is None:
            reasons.append(state("run_without_interval", run=run[:SHOWN_ID]))
            reasons += () if u is None else u.reasons
    found = [u for u in stated.values() if u is not None]
    if reasons or not found:
        return stated_interval(value, (), (), reasons)
    left_out = [x for u in found for x in u.left_out]
    if limit is None:
        # One fill under a product without replicates: the run's own interval, which cannot show another fill.
        return found[0].model_copy(update={"left_out": (*found[0].left_out, state("scatter_of_fills_unknown"))})
    common = max((_common(u) for u in found), key=_variance)
    fills = Component(FILLS, mean_uncertainty([d["value"] for d in counted.values()], repeatability_deviation(limit)))
    return stated_interval(value, [*common, fills], left_out, seed=zlib.crc32(" ".join(counted).encode()))


def _stated(data: dict[str, Any]) -> Uncertainty | None:
    given = data.get("uncertainty")
    return None if given is None else Uncertainty.model_validate(given)


def _common(found: Uncertainty) -> list[Component]:
    return components_of(x for x in found.components if x.name not in OF_ONE_RUN)


def _variance(components: Sequence[Component]) -> float:
    return sum(c.contribution**2 for c in components)
