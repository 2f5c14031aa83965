"""The interval to expect of a value while its step still goes on, which gives the value its digits on a screen."""

import math
from typing import Final

from daq.core.effects import Facts, Kept
from daq.core.plan import Plan
from daq.methods.concluding.budget import (
    PART_OF_A_TURN,
    SCATTER,
    WITHIN_ONE_STEP,
    budget,
    percent_of_full_scale,
)
from daq.methods.concluding.claims import raw_value
from daq.rheology.uncertainty import combine

OF_THE_SPAN: Final = (SCATTER, PART_OF_A_TURN, WITHIN_ONE_STEP)
"""Components that come from the readings of the span; the others follow from instrument and geometry."""


def expected_expanded(plan: Plan, facts: Facts, kept: Kept) -> float | None:
    """Return the expanded uncertainty (95 %, JCGM 100) of a value that is not final, in the unit of the primary signal.

    With too few readings for an interval the scatter is left out: then it is that of instrument and geometry alone.
    None where no component is known, or there is no value.
    """
    value = raw_value(plan, kept)
    if value is None or not math.isfinite(value):
        return None
    torque = None if plan.band is None else kept.summaries.get(plan.band.signal)
    found = budget(plan, facts, kept, value, percent_of_full_scale(plan, None if torque is None else torque.mean))
    if found is None:
        return None
    parts = [c for c in found.components if not found.reasons or c.name not in OF_THE_SPAN]
    expanded = combine(parts).expanded if parts else 0.0
    return expanded if expanded > 0.0 else None
