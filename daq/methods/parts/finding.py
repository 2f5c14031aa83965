"""The parts that a conclusion and a result have in common."""

from typing import Literal

from pydantic import Field

from daq.core.faults import Quality
from daq.methods.parts.base import Measured, Part
from daq.methods.parts.judged import Advice, Judgement, Verification
from daq.methods.parts.known import Corrected, DryContent, Uncertainty
from daq.methods.parts.measured import Conditions, Drift, KeptValue, Span
from daq.methods.parts.statement import Statement

Validity = Literal["valid", "doubtful", "not_valid"]
Claim = Literal["at_time", "equilibrium", "peak", "time_to"]
MotorState = Literal["not_moved", "turning", "stopping", "still", "may_still_be_turning"]
"""State of a motor; ``stopping``: it was stopped, and the stop is not confirmed yet."""
Outcome = Literal["complete", "stopped", "interrupted", "failed"]


class Finding(Part):
    """Value, uncertainty, validity, verdict and advice of one run."""

    quantity: str
    value: Measured = Field(description="never rounded; null where the number cannot be believed")
    unit: str = Field(description="UCUM code")
    reported: str | None = Field(default=None, description="the value as the product reports it")
    quality: Quality = Field(description="status name of OPC UA Part 8")
    validity: Validity
    faults: tuple[str, ...] = ()
    reasons: tuple[Statement, ...] = Field(default=(), description="why it is not simply valid")
    claim: Claim
    steady: bool | None = Field(
        default=None, description="for the claim equilibrium: whether steadiness was shown; otherwise null"
    )
    outcome: Outcome | Literal[""] = Field(description="empty while the run goes on")
    uncertainty: Uncertainty | None = None
    corrected: Corrected | None = None
    dry_content: DryContent | None = None
    span: Span | None = None
    drift: Drift | None = None
    conditions: Conditions
    verdict: Judgement
    verification: Verification | None = None
    steps: tuple[KeptValue, ...] = Field(default=(), description="all kept values")
    advice: tuple[Advice, ...] = ()
