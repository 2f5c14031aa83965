"""The payload of a result, as one pydantic model and its JSON Schema."""

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from pydantic import Field

from daq.core.clocks import ClockFacts
from daq.core.context import Amount, MeasuringGeometry, RequiredControl, Standing
from daq.core.faults import STATUS_CODES
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.messages.leaves import UNITS, fixed_units
from daq.methods.parts.base import StatusCode
from daq.methods.parts.dimension_units import DIMENSION_UNITS
from daq.methods.parts.finding import Finding, MotorState, Outcome
from daq.methods.parts.judged import Controlled, Verified
from daq.methods.parts.origin import Attribution, GeometryUsed, MethodUsed, Origin, Place, Sample, Superseded
from daq.methods.parts.statement import Statement, state, statement_of
from daq.methods.planning.standing import day, moment

if TYPE_CHECKING:
    from daq.core.plan import Plan

SCHEMA_NAME = "result"
SCHEMA_VERSION: Literal[1] = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDetails:
    """Details of a run besides its plan and conclusion.  Times are ISO 8601 texts."""

    run: str
    sample: Sample
    place: Place | None = None
    operator: str | None = None
    attribution: Attribution = "unattributed"
    not_authorised: tuple[str, ...] = ()
    """Persons without an authorisation for the method; empty: the operator, where `attribution` says so."""
    began: str | None = None
    ended: str | None = None
    journal_digest: str | None = None
    audit_head: str | None = None
    audit_number: int | None = None
    audit_before: str | None = None
    audit_before_number: int | None = None
    software: str | None = None
    simulated: bool = False
    supersedes: Superseded | None = None
    warnings: tuple[Statement, ...] = ()
    """Statements about a correction, for a reader of the value."""


class ResultData(Finding):
    """The `data` of a result message: the finding, and its sample, geometry, method and origin."""

    schema_version: Literal[1] = SCHEMA_VERSION
    simulated: bool = Field(description="true where no real sample was measured")
    status_code: StatusCode = Field(description="number of `quality`")
    units: dict[str, str] = Field(description=UNITS)
    sample: Sample
    outcome: Outcome
    motor: MotorState = Field(
        default="not_moved",
        description="state of the motor when the result was made; a stop confirmed later is in the status of the bench",
    )
    geometry: GeometryUsed | None = None
    verified: Verified | None = None
    controlled: Controlled | None = None
    method: MethodUsed
    origin: Origin
    warnings: tuple[Statement, ...] = Field(default=(), description="what a reader of the value must know")
    supersedes: Superseded | None = Field(default=None, description="the result that this one corrects")

    @classmethod
    def build(cls, plan: "Plan", conclusion: Conclusion, details: RunDetails) -> "ResultData":
        """Return the payload of a finished run.

        Raises:
            pydantic.ValidationError: the run has no outcome yet.
        """
        context = plan.context
        geometry = context.geometry
        product = details.sample.product or (None if context.product is None else context.product.id)
        return cls(
            **{name: getattr(conclusion, name) for name in Finding.model_fields},
            simulated=details.simulated or context.simulated,
            status_code=STATUS_CODES[conclusion.quality],
            units=RESULT_UNITS | _dimension_units(geometry),
            sample=details.sample.model_copy(update={"product": product, "sheared": conclusion.sheared}),
            motor=conclusion.motor,
            geometry=None if geometry is None else _geometry(geometry),
            verified=_verified(context.standing),
            controlled=_controlled(context.control),
            method=MethodUsed(
                id=plan.method,
                version=plan.version,
                digest=plan.digest,
                title=context.title,
                choices={name: asdict(a) for name, a in context.choices.items()},
            ),
            origin=_origin(plan, details, conclusion.clock),
            warnings=(
                *details.warnings,
                *(statement_of(w) for w in context.warnings),
                *(statement_of(w) for w in (() if geometry is None else geometry.limits_of_use)),
                *conclusion.cautions,
                *_of_the_operator(plan, details),
            ),
            supersedes=details.supersedes,
        )


def _of_the_operator(plan: "Plan", details: RunDetails) -> tuple[Statement, ...]:
    """Return the warnings of a run whose operator has no authorisation for its method."""
    if details.attribution != "not_authorised":
        return ()
    persons = details.not_authorised or (details.operator or "",)
    return tuple(state("operator_not_authorised", operator=name, method=plan.method) for name in persons)


def _dimension_units(geometry: MeasuringGeometry | None) -> dict[str, str]:
    """Return the UCUM codes of a geometry's dimensions, without those that carry their own."""
    sizes = {} if geometry is None else geometry.dimensions
    return {f"geometry.dimensions.{k}": DIMENSION_UNITS.get(k, "mm") for k, v in sizes.items() if isinstance(v, float)}


def _geometry(geometry: MeasuringGeometry) -> GeometryUsed:
    return GeometryUsed(
        name=geometry.name,
        kind=geometry.kind,
        serial=geometry.serial or None,
        dimensions={k: asdict(v) if isinstance(v, Amount) else v for k, v in geometry.dimensions.items()},
        stirrup=geometry.stirrup,
        vessel=geometry.vessel or None,
        fill_volume_mL=geometry.fill_volume_ml,
        immersion=geometry.immersion or None,
    )


def _verified(standing: Standing | None) -> Verified | None:
    if standing is None:
        return None
    last, passed, due = standing.last, standing.last_pass_utc_ns, standing.due_utc_ns
    return Verified(
        passed=standing.passed,
        date=None if last is None else day(last.utc_ns),
        run=None if last is None else last.run,
        condition=None if last is None else last.condition,
        last_pass=None if passed is None else day(passed),
        due=None if due is None else day(due),
        overdue=standing.overdue,
    )


def _controlled(found: RequiredControl | None) -> Controlled | None:
    if found is None:
        return None
    last = found.last
    return Controlled(
        fluid=found.fluid,
        state=found.state,
        run=None if last is None else last.run,
        began=None if last is None else moment(last.utc_ns),
        serial=None if last is None else last.serial or None,
        geometry=None if last is None else last.geometry or None,
        geometry_serial=None if last is None else last.geometry_serial or None,
    )


def _origin(plan: "Plan", details: RunDetails, clock: ClockFacts) -> Origin:
    lead = plan.lead
    return Origin(
        run=details.run,
        place=details.place,
        instrument=lead.name,
        serial=plan.context.serial,
        driver=lead.driver,
        driver_digest=lead.driver_digest,
        companions={
            x.name: None if x.identity is None else x.identity.serial for x in plan.links if x.role == "companion"
        },
        journal_digest=details.journal_digest,
        audit_head=details.audit_head,
        audit_number=details.audit_number,
        audit_before=details.audit_before,
        audit_before_number=details.audit_before_number,
        software=details.software,
        operator=details.operator,
        attribution=details.attribution,
        began=details.began,
        ended=details.ended,
        clock_synchronised=clock.synchronised,
        clock_step=clock.largest_step,
        clock_steps=len(clock.steps),
    )


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of `ResultData`."""
    out = ResultData.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **out}


RESULT_UNITS: Final = fixed_units(ResultData) | {
    f"verdict.limits[].applies_at.{key}": code
    for key, code in {"speed": "/min", "time": "s", "temperature": "Cel"}.items()
}
"""UCUM code by path of each number of a result whose unit is fixed, without the dimensions of its geometry."""
