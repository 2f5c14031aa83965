"""The payload of a result: what the plant's historian gets, as one pydantic model and its JSON Schema."""

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from pydantic import Field

from daq.core.context import Amount, Standing
from daq.core.faults import Quality
from daq.core.plan import Plan
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.messages.envelope import envelope
from daq.methods.messages.flatten import Scalar, columns, flat_model, flattened
from daq.methods.messages.payload import (
    AdviceData,
    ConditionsData,
    CorrectionData,
    DriftData,
    GeometryData,
    LevelData,
    LimitData,
    MethodData,
    Number,
    OriginData,
    Part,
    SampleData,
    SignalData,
    SpanData,
    StepData,
    UncertaintyData,
    VerdictData,
    VerificationData,
    VerifiedData,
    finite,
)
from daq.methods.planning.standing import day

__all__ = [
    "FLAT_NAME",
    "SCHEMA_NAME",
    "SCHEMA_VERSION",
    "FlatResultData",
    "ResultData",
    "RunRecord",
    "envelope",
    "flat_schema",
    "schema",
]

SCHEMA_NAME = "result"
FLAT_NAME = "result-flat"
SCHEMA_VERSION: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class RunRecord:
    """What the application knows of a run besides its plan and conclusion.  Times are ISO 8601 texts."""

    run: str
    sample: str
    product: str | None = None
    lot: str | None = None
    fill: str | None = None
    replicate: int | None = None
    sampled_at: str | None = None
    operator: str | None = None
    began: str | None = None
    ended: str | None = None
    journal_digest: str | None = None
    audit_head: str | None = None
    software: str | None = None
    simulated: bool = False
    supersedes: str | None = None
    notes: list[str] = field(default_factory=list)


class ResultData(Part):
    """The `data` of a result message."""

    schema_version: Literal[1] = SCHEMA_VERSION
    simulated: bool = Field(description="true where no real sample was measured")
    sample: SampleData
    quantity: str
    value: Number = Field(description="never rounded; null where the number cannot be believed")
    unit: str = Field(description="UCUM code")
    reported: str | None = Field(default=None, description="the value as the product reports it")
    quality: Quality = Field(description="status name of OPC UA Part 8")
    validity: Literal["valid", "doubtful", "not valid"]
    faults: list[str] = Field(default_factory=list)
    reasons: list[str] = Field(default_factory=list, description="why it is not simply valid, for a person")
    claim: Literal["at_time", "equilibrium", "peak", "time_to"]
    steady: bool | None = None
    outcome: Literal["complete", "stopped", "interrupted", "failed"]
    uncertainty: UncertaintyData | None = None
    corrected: CorrectionData | None = None
    span: SpanData | None = None
    drift: DriftData | None = None
    conditions: ConditionsData
    geometry: GeometryData | None = None
    verdict: VerdictData
    verification: VerificationData | None = None
    verified: VerifiedData | None = None
    method: MethodData
    origin: OriginData
    steps: list[StepData] = Field(default_factory=list)
    advice: list[AdviceData] = Field(default_factory=list)
    warnings: list[str] = Field(default_factory=list)
    supersedes: str | None = Field(default=None, description="id of the message this one corrects")

    @classmethod
    def build(cls, plan: Plan, conclusion: Conclusion, record: RunRecord) -> "ResultData":
        """The payload of a finished run.

        Raises:
            pydantic.ValidationError: the run has no outcome yet.
        """
        c, row, context = conclusion, conclusion.row, plan.context
        body = context.geometry
        u = c.uncertainty
        return cls(
            simulated=record.simulated or context.simulated,
            sample=SampleData(
                id=record.sample,
                product=record.product or (None if context.product is None else context.product.id),
                lot=record.lot,
                fill=record.fill,
                replicate=record.replicate,
                sampled_at=record.sampled_at,
                sheared=c.sheared,
            ),
            quantity=c.quantity,
            value=finite(c.value),
            unit=c.unit,
            reported=c.reported,
            quality=c.quality,
            validity=c.validity,  # type: ignore[arg-type]  # one of the three names
            faults=list(c.faults),
            reasons=list(c.reasons),
            claim=c.claim,  # type: ignore[arg-type]  # compiled from a Claim
            steady=c.steady,
            outcome=c.outcome,  # type: ignore[arg-type]  # refused by pydantic where the run goes on
            uncertainty=None
            if u is None
            else UncertaintyData(
                expanded=u.expanded,
                k=u.k,
                coverage=u.coverage,
                low=finite(u.low),
                high=finite(u.high),
                method=u.method,
                trials=u.trials,
                seed=u.seed,
                effective_degrees_of_freedom=u.nu_eff,
                components=list(u.components),
                left_out=list(u.left_out),
            ),
            span=None
            if row is None
            else SpanData(
                n=row.n,
                seconds=row.span_s,
                coverage=row.coverage,
                statistic=row.statistic,
                taken_at_s=row.seconds,
                stop_reason=c.stop_reason,
            ),
            corrected=None
            if c.corrected is None
            else CorrectionData(**{**asdict(c.corrected), "left_out": list(c.corrected.left_out)}),
            drift=None if c.drift is None else DriftData(**asdict(c.drift)),
            conditions=_conditions(c),
            geometry=None
            if body is None
            else GeometryData(
                name=body.name,
                kind=body.kind,
                dimensions={k: asdict(v) if isinstance(v, Amount) else v for k, v in body.dimensions.items()},
                guard=body.guard,
                vessel=body.vessel or None,
                fill_volume_mL=body.fill_volume_ml,
                immersion=body.immersion or None,
            ),
            verdict=VerdictData(
                verdict=c.judgement.verdict,  # type: ignore[arg-type]  # a Verdict's value
                decision_rule=c.judgement.decision_rule,  # type: ignore[arg-type]  # a DecisionRule's value
                compared=c.judgement.compared,
                limits=[LimitData(**{**asdict(limit), "reasons": list(limit.reasons)}) for limit in c.judgement.limits],
                reasons=list(c.judgement.reasons),
            ),
            verification=_verification(c),
            verified=_verified(context.standing),
            method=MethodData(
                id=plan.method,
                version=plan.version,
                digest=plan.digest,
                title=context.title,
                choices={name: asdict(a) for name, a in context.choices.items()},
            ),
            origin=_origin(plan, record),
            steps=[StepData.of(r) for r in c.rows],
            advice=[AdviceData(**asdict(a)) for a in c.advice],
            warnings=[
                *context.warnings,
                *(() if body is None else body.limits_of_use),
                *c.cautions,
                *record.notes,
            ],
            supersedes=record.supersedes,
        )

    def flat(self) -> dict[str, Scalar]:
        """The same without nesting: always the same keys, as in ``conditions_speed``, and lists joined by ``; ``.

        Budget and steps are left to the nested form; of several limits the first is given, as ``limit_low`` and
        ``limit_high``.
        """
        first = self.verdict.limits[0] if self.verdict.limits else None
        return {
            **flattened(self.model_dump(mode="json"), FLAT_COLUMNS),
            "limit_low": None if first is None else first.low,
            "limit_high": None if first is None else first.high,
            "limit_unit": None if first is None else first.unit,
            "step_count": len({s.step for s in self.steps}),
        }


FLAT_COLUMNS = list(
    columns(
        ResultData,
        frozenset(
            (
                "steps",
                "levels",
                "components",
                "left_out",
                "limits",
                "choices",
                "dimensions",
                "temperatures",
                "signals",
                "companions",
            )
        ),
    )
)
FlatResultData = flat_model(
    "FlatResultData",
    FLAT_COLUMNS,
    {
        "limit_low": (Number, Field(description="of the first limit")),
        "limit_high": (Number, Field(description="of the first limit")),
        "limit_unit": (str | None, Field(description="UCUM code of both")),
        "step_count": (int, Field(description="steps with at least one kept value")),
    },
)


def _conditions(c: Conclusion) -> ConditionsData:
    row = c.row
    if row is None:
        return ConditionsData()
    return ConditionsData(
        speed_set=finite(row.set_speed),
        speed=finite(row.speed),
        torque_percent=finite(row.torque_percent),
        torque=finite(row.torque),
        torque_at_rest_percent=finite(c.torque_at_rest_percent),
        stress=finite(row.stress),
        shear_rate=finite(row.shear_rate),
        temperature=finite(row.temperature),
        temperatures=c.temperatures,
        signals={name: SignalData(value=value + 0.0, unit=unit) for name, (value, unit) in c.signals.items()},
    )


def _verification(c: Conclusion) -> VerificationData | None:
    v = c.verification
    if v is None:
        return None
    return VerificationData(
        order=v.order,  # type: ignore[arg-type]  # one of the two names
        fluid=v.fluid,
        lot=v.lot,
        certificate=v.certificate,
        expires=v.expires,
        passed=v.passed,
        levels=[LevelData(**asdict(level)) for level in v.levels],
        reasons=list(v.reasons),
        results_since_pass=list(v.results_since_pass),
    )


def _verified(standing: Standing | None) -> VerifiedData | None:
    if standing is None:
        return None
    last, passed, due = standing.last, standing.last_pass_utc_ns, standing.due_utc_ns
    return VerifiedData(
        passed=standing.passed,
        date=None if last is None else day(last.utc_ns),
        run=None if last is None else last.run,
        order=None if last is None else last.order,
        last_pass=None if passed is None else day(passed),
        due=None if due is None else day(due),
        overdue=standing.overdue,
    )


def _origin(plan: Plan, record: RunRecord) -> OriginData:
    lead = plan.lead
    return OriginData(
        run=record.run,
        instrument=lead.name,
        serial=plan.context.serial,
        driver=lead.driver,
        driver_digest=lead.driver_digest,
        companions={
            x.name: None if x.identity is None else x.identity.serial for x in plan.links if x.role == "companion"
        },
        journal_digest=record.journal_digest,
        audit_head=record.audit_head,
        software=record.software,
        operator=record.operator,
        began=record.began,
        ended=record.ended,
    )


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of `ResultData`."""
    out = ResultData.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **out}


def flat_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the flat variant."""
    out = FlatResultData.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **out}
