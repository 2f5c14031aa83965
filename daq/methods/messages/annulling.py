"""The result of an annulled run: Bad, without a number and without a verdict; everything else stays visible."""

from typing import Any

from daq.core.faults import ANNULLED, STATUS_CODES, worst
from daq.methods.messages.result import ResultData
from daq.methods.parts.judged import Judgement, LimitUsed, Verification
from daq.methods.parts.measured import KeptValue
from daq.methods.parts.statement import Statement, state
from daq.quality.limits import Verdict


def annulled(data: ResultData, *, who: str, because: str) -> ResultData:
    """Return a result as it is after `who` annulled its run; it is computed from the result and not from the journal.

    A run can be annulled because its journal is damaged.
    """
    reason = state(ANNULLED, who=who, because=because)
    faults = (ANNULLED, *data.faults)
    quality = worst(faults)
    update: dict[str, Any] = {
        "value": None,
        "reported": None,
        "uncertainty": None,
        "corrected": None,
        "dry_content": None,
        "steady": None,
        "advice": (),
        "quality": quality,
        "status_code": STATUS_CODES[quality],
        "validity": "not_valid",
        "faults": faults,
        "reasons": (reason, *data.reasons),
        "verdict": without_verdict(data.verdict, reason),
        "verification": None if data.verification is None else _verification(data.verification, reason),
        "steps": tuple(_step(row) for row in data.steps),
    }
    return data.model_copy(update=update)


def without_verdict(found: Judgement, reason: Statement) -> Judgement:
    """Return a judgement whose limits say nothing about the value any more; unchanged where there are no limits."""
    if found.verdict is Verdict.NONE:
        return found
    limits = tuple(_limit(limit, reason) for limit in found.limits)
    update = {
        "verdict": Verdict.NOT_COMPARABLE,
        "risk_of_false_acceptance": None,
        "compared": None,
        "limits": limits,
        "reasons": (reason,),
    }
    return found.model_copy(update=update)


def _limit(limit: LimitUsed, reason: Statement) -> LimitUsed:
    update = {"verdict": Verdict.NOT_COMPARABLE, "probability_outside": None, "reasons": (reason,)}
    return limit.model_copy(update=update)


def _verification(found: Verification, reason: Statement) -> Verification:
    levels = tuple(level.model_copy(update={"accepted": None, "reason": reason}) for level in found.levels)
    return found.model_copy(update={"passed": None, "levels": levels, "reasons": (reason,), "results_since_pass": ()})


def _step(row: KeptValue) -> KeptValue:
    faults = (ANNULLED, *row.faults)
    return row.model_copy(update={"value": None, "faults": faults, "quality": worst(faults)})
