"""Judgements on the value: limits and verdict, verification, advice."""

from typing import Annotated, Literal

from pydantic import Field

from daq.core.context import CheckKind, ControlState
from daq.methods.parts.base import Celsius, Measured, Number, Part, Percent, Ratio, Speed, unit_at
from daq.methods.parts.statement import Statement
from daq.quality.guardbands import Acceptance
from daq.quality.limits import Rounding, Verdict

Limit = Annotated[Number, unit_at("verdict.limits[].unit")]


class LimitUsed(Part):
    """One limit, the conditions at which it applies, and the verdict under it."""

    quantity: str
    low: Limit = None
    high: Limit = None
    unit: str = Field(description="UCUM code of both ends")
    applies_at: dict[str, str | float] = Field(
        default_factory=dict, description="speed in /min, time in s, temperature in Cel"
    )
    accepted_low: Limit = Field(
        default=None, description="lower acceptance limit: low plus the guard band; null for simple acceptance"
    )
    accepted_high: Limit = Field(default=None, description="upper acceptance limit: high less the guard band")
    probability_outside: Ratio = Field(
        default=None,
        description="probability that the true value is outside of these limits, 0 to 1 (JCGM 106); null where the "
        "limits do not apply or the value has no uncertainty",
    )
    verdict: Verdict
    reasons: tuple[Statement, ...] = ()


class Judgement(Part):
    """The verdict on the value under the product's limits."""

    verdict: Verdict
    rounding: Rounding | None = Field(default=None, description="whether the value is rounded before it is compared")
    acceptance: Acceptance | None = Field(default=None, description="decision rule by JCGM 106; null without limits")
    risk_of_false_acceptance: Ratio = Field(
        default=None,
        description="for a value within: probability that the true value is outside of the limits, 0 to 1 (specific "
        "consumer's risk, JCGM 106); null for any other verdict and without an uncertainty",
    )
    compared: str | None = Field(default=None, description="the number as compared")
    limits: tuple[LimitUsed, ...] = ()
    reasons: tuple[Statement, ...] = ()


class Level(Part):
    """One torque of a verification: the measured value, and the certified one at its temperature; or a control."""

    step: str
    speed: Speed = None
    torque_percent: Percent = Field(default=None, description="of full scale")
    temperature: Celsius = None
    measured: Measured = None
    certified: Measured = Field(
        default=None, description="from the certificate, at the temperature measured; of a control its centre line"
    )
    standard_deviation: Measured = Field(default=None, description="of single values of a control, from its limits")
    low: Measured = Field(
        default=None, description="lower end of the acceptance band, or lower control limit; included"
    )
    high: Measured = Field(default=None, description="upper end, included")
    deviation_percent: Percent = Field(default=None, description="measured less certified, of the certified value")
    deviation_uncertainty_percent: Percent = Field(
        default=None, description="expanded (95 %), the certified fluid's own included; of the certified value"
    )
    normalised_error: Ratio = Field(
        default=None,
        description="E_n of ISO 13528: within -1..1 the two agree within their uncertainties; it does not decide",
    )
    accepted: bool | None = Field(default=None, description="null where the level could not be judged")
    reason: Statement | None = Field(default=None, description="why it could not be judged")


class Verification(Part):
    """The outcome of a verification with a certified fluid, or of a control with a control fluid."""

    kind: CheckKind = Field(
        default="verification", description="a control compares one value with the limits of its control chart"
    )
    condition: Literal["as_found", "as_left"]
    fluid: str
    lot: str
    certificate: str = Field(description="empty for a control fluid without one")
    expires: str
    limits_fixed_by: str | None = Field(
        default=None, description="of a control: who fixed its limits; null where they are those of the fluid's file"
    )
    limits_fixed_on: str | None = Field(default=None, description="the day on which that was done")
    passed: bool | None = Field(
        description="null where it was not decided: too few levels could be judged, and none of them was outside"
    )
    levels: tuple[Level, ...] = ()
    reasons: tuple[Statement, ...] = ()
    results_since_pass: tuple[str, ...] = Field(
        default=(), description="where it failed: ids of the results since the last pass, now in doubt"
    )


class Verified(Part):
    """The state of the instrument's verifications when the run started."""

    passed: bool | None = Field(description="the newest verification; null where there is none")
    date: str | None = Field(default=None, description="when that was, UTC day")
    run: str | None = Field(default=None, description="its run")
    condition: str | None = None
    last_pass: str | None = Field(default=None, description="day of the last pass")
    due: str | None = Field(default=None, description="day by which the next one is due")
    overdue: bool


class Controlled(Part):
    """The control of the shift that the bench requires, when the run started."""

    fluid: str
    state: ControlState
    run: str | None = Field(default=None, description="the newest control; null where there is none")
    began: str | None = Field(default=None, description="start of that run, UTC")
    serial: str | None = Field(default=None, description="serial number of the instrument at that control")
    geometry: str | None = Field(default=None, description="measuring geometry at that control")
    geometry_serial: str | None = None


class Advice(Statement):
    """A change to make, computed from what was measured."""

    step: str
    speed: Speed = None
    geometry: str | None = None
    comparable: bool = Field(
        default=True, description="whether such a result can be compared with the product's limits"
    )
    is_bound: bool = Field(default=False, description="the expected torque is a lower bound: the reading was saturated")
    torque_percent: Percent = Field(default=None, description="expected torque, of full scale")
    value_at_least: Measured = Field(default=None, description="from a saturated reading")
