"""A result that a person makes Uncertain, without a verdict: a check or a calibration after it put it in doubt."""

from collections.abc import Sequence
from typing import Any, Final, Literal, TypeVar, get_args

from daq.core.faults import STATUS_CODES, worst
from daq.methods.concluding.conclude import VALIDITY
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.messages.annulling import without_verdict
from daq.methods.messages.result import ResultData
from daq.methods.parts.statement import Statement, state

Doubt = Literal[
    "verification_failed_later",
    "verification_withdrawn_later",
    "control_failed_later",
    "control_withdrawn_later",
    "calibration_outside_later",
]
DOUBTED: Final[tuple[Doubt, ...]] = get_args(Doubt)
"""Faults of the value of such a result."""
F = TypeVar("F", Conclusion, ResultData)


def doubted(found: F, *, fault: Doubt, who: str, because: str, verification: str) -> F:
    """Return a result as it is after `who` decided on it.

    Args:
        found: the result.
        fault: what puts it in doubt.
        who: the person.
        because: the reason.
        verification: id of the run of the verification or control, or the name of the calibration.
    """
    return _under(found, (state(fault, verification=verification, who=who, because=because),))


def still_doubted(before: ResultData, found: Conclusion) -> Conclusion:
    """Return a corrected conclusion with the doubt that the result before it had; unchanged where it had none.

    A correction of a sample or a lot says nothing about the instrument.
    """
    reasons = [reason for reason in before.reasons if reason.code in DOUBTED]
    return _under(found, reasons) if reasons else found


def _under(found: F, reasons: Sequence[Statement]) -> F:
    faults = tuple(dict.fromkeys((*found.faults, *(reason.code for reason in reasons))))
    quality = worst(faults)
    update: dict[str, Any] = {
        "faults": faults,
        "quality": quality,
        "validity": VALIDITY[quality.severity],
        "reasons": (*reasons, *found.reasons),
        "verdict": without_verdict(found.verdict, reasons[0]),
    }
    if isinstance(found, ResultData):
        update["status_code"] = STATUS_CODES[quality]
    return found.model_copy(update=update)
