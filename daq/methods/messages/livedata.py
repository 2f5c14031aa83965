"""The payload of a live message: the newest reading of one instrument, for displays."""

from typing import Final, Literal

from pydantic import Field

from daq.core.faults import Quality
from daq.methods.parts.base import Number, Part, StatusCode
from daq.methods.parts.origin import Place

LIVE_SCHEMA: Final = "live"
LIVE_VERSION: Literal[1] = 1


class LiveValue(Part):
    """One channel or derived quantity."""

    value: Number = Field(description="null where there is none that can be believed")
    unit: str = Field(description="UCUM code")
    quality: Quality = Field(description="status name of OPC UA Part 8")
    status_code: StatusCode = Field(description="number of `quality`")


class LiveData(Part):
    """The newest reading of an instrument.  Sent at most once, never queued, and no record."""

    schema_version: Literal[1] = LIVE_VERSION
    time: str = Field(description="when it was looked at, UTC, ISO 8601")
    source: str = Field(description="identity of the database with its epoch, as in results")
    place: Place | None = Field(default=None, description="levels of the plant, as in the topics")
    instrument: str
    run: str | None = Field(default=None, description="the run it leads, where there is one")
    state: str = Field(description="of the run, otherwise of the instrument")
    values: dict[str, LiveValue]
