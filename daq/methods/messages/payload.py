"""The parts a result is made of, as pydantic models."""

import math
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field

from daq.core.faults import Quality
from daq.methods.concluding.conclusion import Row

Number = Annotated[float, Field(allow_inf_nan=False)] | None


class Part(BaseModel):
    """Base of all parts: nothing unknown, nothing that changes, no number that is not finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SampleData(Part):
    """What was measured, and what joins it to a batch."""

    id: str = Field(description="the sample's identifier in the laboratory")
    product: str | None = Field(default=None, description="identifier of the product")
    lot: str | None = None
    fill: str | None = Field(default=None, description="one filling of the vessel; runs of one fill are no replicates")
    replicate: int | None = None
    sampled_at: str | None = Field(default=None, description="when the sample was taken, ISO 8601 with offset")
    sheared: bool = Field(default=False, description="the fill was sheared while a speed was sought")


class UncertaintyData(Part):
    """Expanded uncertainty by JCGM 100, and the coverage interval."""

    expanded: float = Field(description="U = k u_c by JCGM 100, in the unit of the value")
    k: float = Field(description="coverage factor of U")
    coverage: float = Field(description="coverage probability of U and of the interval, 0 to 1")
    low: Number = Field(default=None, description="lower end of the coverage interval, in the unit of the value")
    high: Number = Field(default=None, description="upper end")
    method: str = Field(default="", description="how the interval was found: by JCGM 100 or JCGM 101")
    trials: int | None = Field(default=None, description="of the Monte Carlo propagation (JCGM 101); null without")
    seed: int | None = Field(default=None, description="of its random numbers")
    effective_degrees_of_freedom: Number = None
    components: list[dict[str, Any]] = Field(default_factory=list)
    left_out: list[str] = Field(default_factory=list, description="what the budget does not contain")


class SpanData(Part):
    """The readings the value was made of."""

    n: int
    seconds: float
    coverage: float = Field(description="readings in the span over readings expected, 0 to 1")
    statistic: str
    taken_at_s: Number = Field(default=None, description="time since the step began, s")
    stop_reason: str


class SignalData(Part):
    """Mean of one more signal."""

    value: float
    unit: str = Field(description="UCUM code")


class ConditionsData(Part):
    """Means over the span; null where not measured or not defined."""

    speed_set: Number = Field(default=None, description="/min")
    speed: Number = Field(default=None, description="confirmed, /min")
    torque_percent: Number = Field(default=None, description="% of full scale")
    torque: Number = Field(default=None, description="uN.m")
    torque_at_rest_percent: Number = Field(
        default=None, description="% of full scale, with the motor still before it first turned"
    )
    stress: Number = Field(default=None, description="Pa")
    shear_rate: Number = Field(default=None, description="/s; null where the geometry defines none")
    temperature: Number = Field(default=None, description="Cel, of the probe the method looks at")
    temperatures: dict[str, float] = Field(default_factory=dict, description="Cel, all probes")
    signals: dict[str, SignalData] = Field(
        default_factory=dict, description="what else was measured in the span, companions included"
    )


class GeometryData(Part):
    """Body and vessel."""

    name: str
    kind: str
    dimensions: dict[str, Any] = Field(description="mm and degrees")
    guard: bool
    vessel: str | None = None
    fill_volume_mL: Number = None  # noqa: N815 - the unit's own spelling
    immersion: str | None = None


class LimitData(Part):
    """One limit, what it binds to and what came of it."""

    quantity: str
    low: Number = None
    high: Number = None
    unit: str
    binds_to: dict[str, Any] = Field(default_factory=dict)
    verdict: Literal["within", "outside", "not_comparable", "none"]
    reasons: list[str] = Field(default_factory=list)


class VerdictData(Part):
    """Is the number inside the product's limits."""

    verdict: Literal["within", "outside", "not_comparable", "none"]
    decision_rule: Literal["unrounded", "rounded"] | None = None
    compared: str | None = Field(default=None, description="the number as compared")
    limits: list[LimitData] = Field(default_factory=list)
    reasons: list[str] = Field(default_factory=list)


class LevelData(Part):
    """One torque of a verification.  Values in the unit of the result."""

    step: str
    speed: Number = Field(default=None, description="/min")
    torque_percent: Number = Field(default=None, description="% of full scale")
    temperature: Number = Field(default=None, description="Cel")
    measured: Number = None
    certified: Number = Field(default=None, description="from the certificate, at the temperature measured")
    low: Number = Field(default=None, description="lower end of the acceptance band, included")
    high: Number = Field(default=None, description="upper end, included")
    deviation_percent: Number = Field(default=None, description="measured less certified, % of the certified value")
    deviation_uncertainty_percent: Number = Field(
        default=None, description="expanded (95 %), the certified fluid's own included; % of the certified value"
    )
    normalised_error: Number = Field(default=None, description="E_n of ISO 13528")
    accepted: bool | None = Field(default=None, description="null where the level could not be judged")
    reason: str = ""


class VerificationData(Part):
    """Where the run is a verification with a certified fluid: what it came to."""

    order: Literal["as found", "as left"]
    fluid: str
    lot: str
    certificate: str
    expires: str
    passed: bool | None = Field(description="null where it was not decided")
    levels: list[LevelData] = Field(default_factory=list)
    reasons: list[str] = Field(default_factory=list)
    results_since_pass: list[str] = Field(
        default_factory=list, description="where it failed: ids of the results since the last pass, now in doubt"
    )


class VerifiedData(Part):
    """How the instrument stood with its verifications when the run began."""

    passed: bool | None = Field(description="the newest verification; null where there is none")
    date: str | None = Field(default=None, description="when that was, UTC day")
    run: str | None = Field(default=None, description="its run")
    order: str | None = None
    last_pass: str | None = Field(default=None, description="day of the last pass")
    due: str | None = Field(default=None, description="day by which the next one is due")
    overdue: bool


class DriftData(Part):
    """How the value changed inside its span."""

    percent_per_min: Number = Field(description="% of the value; null where that means nothing, as of a temperature")
    bound_percent_per_min: Number = None
    certain: bool
    per_min: Number = Field(default=None, description="in the unit of the value")
    bound_per_min: Number = None


class CorrectionData(Part):
    """The value as it would be at the product's reference temperature; the verdict is on the one measured."""

    value: Number = Field(description="in the unit of the value; null where the curve does not reach")
    reference_celsius: float
    measured_celsius: Number = None
    factor: Number = Field(default=None, description="corrected over measured")
    expanded: Number = Field(default=None, description="expanded uncertainty, 95 %")
    k: Number = None
    left_out: list[str] = Field(default_factory=list, description="what the uncertainty does not contain")
    reason: str = Field(default="", description="why there is no corrected value")


class AdviceData(Part):
    """What to change, computed from what was measured."""

    code: str
    text: str
    step: str
    speed: Number = Field(None, description="/min")
    geometry: str | None = None
    comparable: bool = Field(description="whether a result so obtained can be held against the product's limits")
    is_bound: bool = Field(description="the expected torque is a lower bound: the reading was saturated")
    torque_percent: Number = Field(None, description="expected torque, % of full scale")
    value_at_least: Number = Field(None, description="in the result's unit")


class MethodData(Part):
    """The recipe, exactly."""

    id: str
    version: str
    digest: str = Field(description="SHA-256 of the method's canonical form")
    title: str = ""
    choices: dict[str, Any] = Field(default_factory=dict)


class OriginData(Part):
    """Who measured, with what, and where the evidence is."""

    run: str
    instrument: str
    serial: str | None = None
    driver: str
    driver_digest: str
    companions: dict[str, str | None] = Field(default_factory=dict, description="name to serial number")
    journal_digest: str | None = None
    audit_head: str | None = None
    software: str | None = None
    operator: str | None = None
    began: str | None = Field(default=None, description="UTC, ISO 8601")
    ended: str | None = Field(default=None, description="UTC, ISO 8601")


class StepData(Part):
    """One kept value of the run."""

    step: int
    name: str
    at: str
    seconds: Number = None
    speed_set: Number = None
    speed: Number = None
    torque_percent: Number = None
    torque: Number = None
    shear_rate: Number = None
    stress: Number = None
    temperature: Number = None
    value: Number = None
    n: int
    span_seconds: float
    faults: list[str] = Field(default_factory=list)
    quality: Quality

    @classmethod
    def of(cls, row: Row) -> Self:
        """From one row of a conclusion."""
        return cls(
            step=row.step,
            name=row.name,
            at=row.at,
            seconds=finite(row.seconds),
            speed_set=finite(row.set_speed),
            speed=finite(row.speed),
            torque_percent=finite(row.torque_percent),
            torque=finite(row.torque),
            shear_rate=finite(row.shear_rate),
            stress=finite(row.stress),
            temperature=finite(row.temperature),
            value=finite(row.value),
            n=row.n,
            span_seconds=row.span_s,
            faults=list(row.faults),
            quality=row.quality,
        )


def finite(value: float | None) -> float | None:
    """The number, -0.0 as 0.0, and anything that is not finite as None."""
    return None if value is None or not math.isfinite(value) else value + 0.0
