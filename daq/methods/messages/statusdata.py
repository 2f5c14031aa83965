"""The payloads of the status topic, of a request for results again, and of a collector."""

from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from daq.methods.messages.envelope import SOURCE_PATTERN
from daq.methods.parts.base import IDENTITY, Part
from daq.methods.parts.finding import MotorState
from daq.methods.parts.origin import Place

STATUS_SCHEMA: Final = "status"
STATUS_VERSION: Literal[1] = 1
REFILL_SCHEMA: Final = "refill"
REFILL_VERSION: Literal[1] = 1
ANSWER_SCHEMA: Final = "refill-answer"
ANSWER_VERSION: Literal[1] = 1
COLLECTED_SCHEMA: Final = "collected"
COLLECTED_VERSION: Literal[1] = 1


class ProtocolData(Part):
    """The daemon's connection to the broker."""

    protocol: Literal["5", "3.1.1"]
    refusals_visible: bool = Field(description="whether a publish refused by the broker's rules is noticed")


class PutBackData(Part):
    """The start of the present epoch because the database was put back from an older copy."""

    epoch: int
    time: str = Field(description="UTC, ISO 8601")
    reason: str = Field(description="the sign that showed it")


class FittedData(Part):
    """The measuring geometry that is recorded as fitted to an instrument."""

    geometry: str = Field(description="its name in the instrument's file")
    serial: str | None = Field(default=None, description="its serial number; null where it is not known")


class StatusData(BaseModel):
    """The state of a daemon.  Retained; the broker publishes it with `offline` when the daemon is lost."""

    model_config = ConfigDict(frozen=True)

    state: Literal["online", "offline"]
    reason: str | None = Field(default=None, description="why it is offline")
    time: str = Field(description="UTC, ISO 8601; of a will, when the connection was made")
    source: str = Field(description="identity of the database with its epoch, as in results")
    epoch: int
    instance: str = Field(
        default="", description="identity of the process; another one under the same prefix has another"
    )
    sequences: dict[str, int] = Field(description="last number of each stream (instrument)")
    instruments: dict[str, str] = Field(default_factory=dict, description="state by name, while online")
    motors: dict[str, MotorState] = Field(
        default_factory=dict, description="state of each motor by instrument, while online; newer than that of a result"
    )
    fitted: dict[str, FittedData] = Field(
        default_factory=dict, description="measuring geometry recorded as fitted, by instrument, while online"
    )
    out_of_service: dict[str, str] = Field(
        default_factory=dict,
        description="reason by piece of equipment (bench-1, bench-1/coaxial-12), of those that no run may use",
    )
    unfinished_runs: dict[str, str] = Field(
        default_factory=dict, description="runs that ended and are not stored yet, while online: run to instrument"
    )
    put_back: PutBackData | None = Field(
        default=None, description="while online: why the present epoch began, if the database was put back"
    )
    versions: dict[str, str] = Field(default_factory=dict)
    mqtt: ProtocolData
    note: str | None = None
    place: Place | None = Field(default=None, description="levels of the plant, as in the topics")


class RefillRequest(BaseModel):
    """A request for results again: the same messages with the same ids come on their own topics."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    source: str = Field(pattern=SOURCE_PATTERN)
    stream: Annotated[str, Field(min_length=1)]
    first: Annotated[int, Field(ge=1, description="number of the first result wanted")]
    last: Annotated[int, Field(ge=1, description="number of the last, included; not below first")]


class RefillAnswer(BaseModel):
    """The answer to a request, where it had a response topic: what will come, or why not."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    source: str = Field(description="identity of the database with its present epoch")
    granted: bool
    messages: Annotated[int, Field(ge=0, description="number of messages that come again")]
    stream: str | None = Field(default=None, description="as requested, where it was granted")
    epoch: int | None = Field(default=None, description="epoch of the numbers")
    first: int | None = Field(default=None, description="number of the first result that may come")
    last: int | None = Field(default=None, description="number of the last; request those above it again")
    reason: str | None = Field(default=None, description="why nothing comes")


class CollectedData(BaseModel):
    """The highest result of a stream that a collector has stored.

    Retained.  The daemon compares its database with it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    source: str = Field(pattern=SOURCE_PATTERN)
    epoch: Annotated[int, Field(ge=1, description="epoch of the source, the number at its end")]
    stream: Annotated[str, Field(min_length=1, description="name of the instrument")]
    sequence: Annotated[int, Field(ge=1, description="highest stored number of the stream in this epoch")]
    id: Annotated[str, IDENTITY] = Field(description="id of that result's message")
