"""Sample, geometry and method of a result, and the origin of its evidence."""

from typing import Annotated, Any, Literal

from pydantic import Field

from daq.methods.parts.base import IDENTITY, Moment, Number, Part, Seconds, unit

Attribution = Literal["unattributed", "authorised", "not_authorised"]
"""A known person, authorised for the method on the day of the run or not; or no known person."""


class Sample(Part):
    """The sample, with its product, lot and fill."""

    id: str = Field(description="the sample's identifier in the laboratory")
    product: str | None = Field(default=None, description="identifier of the product")
    lot: str | None = None
    fill: str | None = Field(default=None, description="one filling of the vessel; runs of one fill are no replicates")
    replicate: int | None = None
    sampled_at: Moment = Field(default=None, description="when the sample was taken, ISO 8601 with offset")
    sheared: bool = Field(default=False, description="the fill was sheared while a speed was sought")


class Superseded(Part):
    """The result that a correction replaces."""

    source: str = Field(description="identity of its database with its epoch, as in its own message")
    id: Annotated[str, IDENTITY] = Field(description="id of its message")


class GeometryUsed(Part):
    """The measuring geometry, with its vessel."""

    name: str
    kind: str
    serial: str | None = Field(default=None, description="its serial number; null where none is stated")
    dimensions: dict[str, Any] = Field(description="mm and degrees")
    stirrup: bool
    vessel: str | None = None
    fill_volume_mL: Annotated[Number, unit("mL")] = None  # noqa: N815 - the unit's own spelling
    immersion: str | None = None


class MethodUsed(Part):
    """The method, with the choices of this run."""

    id: str
    version: str
    digest: str = Field(description="SHA-256 of the method's canonical form")
    title: str = ""
    choices: dict[str, Any] = Field(default_factory=dict, description="what was chosen for this run, with its unit")


class Place(Part):
    """The levels of the plant (ISA-95, IEC 62264-1) as the topics have them; null where a level is not configured."""

    enterprise: str | None = None
    site: str | None = None
    area: str | None = None
    line: str | None = Field(default=None, description="work centre")
    cell: str | None = Field(default=None, description="work unit")


class Origin(Part):
    """The operator, the instrument, and the digests of the evidence."""

    run: str
    place: Place | None = Field(default=None, description="levels of the plant; null where nothing is published")
    instrument: str
    serial: str | None = None
    driver: str
    driver_digest: str
    companions: dict[str, str | None] = Field(default_factory=dict, description="name to serial number")
    journal_digest: str | None = None
    audit_head: str | None = Field(default=None, description="hash of the result's entry in the audit trail")
    audit_number: int | None = Field(default=None, description="number of that entry")
    audit_before: str | None = Field(
        default=None, description="audit_head of the result before this one in the database, of any instrument"
    )
    audit_before_number: int | None = Field(default=None, description="audit_number of that result; 0: there is none")
    software: str | None = None
    operator: str | None = Field(
        default=None, description="id of the person who measured; of an unattributed run a login or a typed name"
    )
    attribution: Attribution = Field(
        default="unattributed",
        description="whether the operator is a known person, and authorised for the method on the day of the run",
    )
    began: Moment = Field(default=None, description="UTC, ISO 8601")
    ended: Moment = Field(
        default=None, description="UTC, ISO 8601: the start and the duration by the monotonic clock; null where unknown"
    )
    clock_synchronised: bool | None = Field(
        default=None, description="whether a time source disciplined the computer's clock in the run; null: unknown"
    )
    clock_step: Seconds = Field(
        default=None, description="largest step of the computer's clock in the run, positive forward; null: none"
    )
    clock_steps: int = Field(default=0, description="number of these steps")
