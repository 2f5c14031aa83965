"""The payload of a message about a reportable result, which is also how it is stored."""

from dataclasses import fields
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field

from daq.methods.concluding.reportable import Attempt, Reportable
from daq.methods.messages.named import In, names
from daq.methods.parts.base import Measured, Moment, Part, Ratio, unit_at
from daq.methods.parts.known import Uncertainty
from daq.methods.parts.statement import Statement
from daq.quality.limits import Verdict

REPORTABLE_SCHEMA: Final = "reportable"
REPORTABLE_VERSION: Literal[1] = 1
ReportableState = Literal["open", "complete", "blocked"]


class AttemptData(Part):
    """One run of the sample, whether it counts, and why not."""

    run: str
    began: Moment = None
    method: str = Field(description="id and version")
    instrument: str
    fill: str
    value: Annotated[float | None, unit_at("attempts[].unit")] = None
    expanded: Annotated[float | None, unit_at("attempts[].unit")] = Field(
        default=None, description="expanded uncertainty of this run's own value; null without an interval"
    )
    validity: str
    counted: bool
    why: tuple[Statement, ...] = Field(default=(), description="why it does not count")
    result: str | None = Field(default=None, description="id of its newest result; null where it has none")
    digest: str | None = Field(default=None, description="SHA-256 of that result as stored")
    # The last one: the name hides the function `unit` in the lines after it.
    unit: str = Field(description="UCUM code; empty without a result")


class ReportableData(Part):
    """The reportable result of one test of a sample, made from its runs by the product's rule.

    A later one of the same sample and test replaces it: the one with the greater `revision` is in force.
    """

    schema_version: Literal[1] = REPORTABLE_VERSION
    revision: Annotated[int, Field(ge=1)] = Field(description="counted from 1 on, for each sample and test")
    sample: str
    test: str = Field(description="id of the method")
    product: str | None = None
    simulated: bool = Field(description="whether a run that counts was measured on a simulated instrument")
    state: ReportableState = Field(
        description="open: no value yet; blocked: a value that must not be released, see 'blocked'"
    )
    blocked: tuple[Statement, ...] = ()
    method: str = Field(description="id and version of the method of the results that count; empty without one")
    quantity: str
    value: Measured = None
    reported: str | None = Field(default=None, description="the value as the product reports it")
    uncertainty: Uncertainty | None = Field(
        default=None, description="interval of `value`, with the scatter between fills; null without a value"
    )
    decided: str = Field(description="mean, median, single, more or none")
    how: Statement
    verdict: Verdict
    rounding: str | None = None
    acceptance: str | None = Field(default=None, description="decision rule by JCGM 106; null without limits")
    risk_of_false_acceptance: Ratio = Field(
        default=None, description="for a value within: probability that the true value is outside, 0 to 1"
    )
    limits: tuple[Statement, ...] = ()
    outliers: tuple[Statement, ...] = ()
    attempts: tuple[AttemptData, ...] = Field(default=(), description="every run of the test, oldest first")
    # The last one: the name hides the function `unit` in the lines after it.
    unit: str = Field(description="UCUM code; empty without a value")

    @classmethod
    def of(
        cls,
        found: Reportable,
        results: dict[str, tuple[str, str]],
        *,
        test: str,
        simulated: bool,
        blocked: tuple[Statement, ...],
    ) -> Self:
        """Return the payload of a reportable result, as revision 1.

        Args:
            found: the reportable result.
            results: id and digest of the newest result of each run, by the run.
            test: id of the method.
            simulated: whether a run that counts was simulated.
            blocked: why it must not be released.
        """
        state: ReportableState = "open" if found.value is None else "blocked" if blocked else "complete"
        own: dict[str, Any] = {f.name: getattr(found, f.name) for f in fields(found) if f.name != "attempts"}
        attempts = tuple(_attempt(a, results.get(a.run)) for a in found.attempts)
        return cls(revision=1, test=test, simulated=simulated, state=state, blocked=blocked, attempts=attempts, **own)


def _attempt(a: Attempt, result: tuple[str, str] | None) -> AttemptData:
    own: dict[str, Any] = {f.name: getattr(a, f.name) for f in fields(a)}
    ident, digest = (None, None) if result is None else result
    return AttemptData(**own, result=ident, digest=digest)


REPORTABLE_NAMES: Final = names(
    ReportableData,
    (
        ("revision", "revision", In.COLLECTOR),
        ("simulated", "simulated", In.COLLECTOR),
        ("sample", "sample", In.COLLECTOR),
        ("test", "test", In.COLLECTOR),
        ("product", "product", In.COLLECTOR),
        ("state", "state", In.COLLECTOR),
        ("method", "method", In.COLLECTOR, True),
        ("quantity", "quantity", In.COLLECTOR, True),
        ("value", "value", In.COLLECTOR),
        ("unit", "unit", In.COLLECTOR, True),
        ("reported", "reported", In.COLLECTOR),
        ("expanded", "uncertainty.expanded", In.COLLECTOR),
        ("interval_low", "uncertainty.low", In.COLLECTOR),
        ("interval_high", "uncertainty.high", In.COLLECTOR),
        ("decided", "decided", In.COLLECTOR),
        ("verdict", "verdict", In.COLLECTOR),
    ),
)
"""The collector's columns of a reportable result; all else is in the event."""
