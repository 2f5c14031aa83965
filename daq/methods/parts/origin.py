"""Sample, geometry and method of a result, and the origin of its evidence."""

from typing import Annotated, Any

from pydantic import Field

from daq.methods.parts.base import Moment, Number, Part, Seconds, unit


class Sample(Part):
    """The sample, with its product, lot and fill."""

    id: str = Field(description="the sample's identifier in the laboratory")
    product: str | None = Field(default=None, description="identifier of the product")
    lot: str | None = None
    fill: str | None = Field(default=None, description="one filling of the vessel; runs of one fill are no replicates")
    replicate: int | None = None
    sampled_at: Moment = Field(default=None, description="when the sample was taken, ISO 8601 with offset")
    sheared: bool = Field(default=False, description="the fill was sheared while a speed was sought")


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


class Origin(Part):
    """The operator, the instrument, and the digests of the evidence."""

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
