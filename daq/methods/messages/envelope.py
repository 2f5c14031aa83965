"""The CloudEvents 1.0 envelope of every message (structured JSON mode)."""

from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

ENVELOPE_SCHEMA: Final = "envelope"
ENVELOPE_VERSION: Literal[1] = 1
SEQUENCE_DIGITS: Final = 12
"""Least number of digits of a sequence number, with zeros in front."""
SOURCE_PATTERN: Final = r"^urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}#[1-9][0-9]{0,8}$"


class Envelope(BaseModel):
    """A CloudEvents 1.0 message in structured JSON mode: `data` has the schema that `type` and `dataschema` name."""

    model_config = ConfigDict(frozen=True)

    specversion: Literal["1.0"]
    id: Annotated[str, Field(json_schema_extra={"format": "uuid"}, description="unique within `source`")]
    source: str = Field(pattern=SOURCE_PATTERN, description="identity of the database with its epoch")
    type: str = Field(pattern=r"^lab\.[a-z-]+\.v[1-9][0-9]*$", description="name and version of the schema of `data`")
    subject: Annotated[str, Field(min_length=1, description="the stream: the instrument, and the topic's last level")]
    time: Annotated[
        str,
        Field(
            json_schema_extra={"format": "date-time"},
            description="of a result the end of its run, otherwise that of the change; UTC, ISO 8601",
        ),
    ]
    datacontenttype: Literal["application/json"]
    sequence: str = Field(
        pattern=rf"^[0-9]{{{SEQUENCE_DIGITS},15}}$", description="number in the stream, without holes, from 1 on"
    )
    data: dict[str, Any]
    dataschema: str | None = Field(default=None, description="topic of the schema of `data`, as mqtt:TOPIC")


def envelope(
    data: dict[str, Any],
    *,
    id: str,  # noqa: A002 - CloudEvents' own name
    source: str,
    sequence: int,
    time: str,
    type: str,  # noqa: A002 - CloudEvents' own name
    subject: str,
    dataschema: str | None = None,
) -> dict[str, Any]:
    """Return a CloudEvents 1.0 message in structured JSON mode around `data`.

    `sequence` follows the sequence extension of CloudEvents as text of fixed width, so that it also sorts as text.

    Raises:
        ValueError: an attribute that must not be empty is.
    """
    for name, text in (("id", id), ("source", source), ("type", type), ("time", time)):
        if not text:
            raise ValueError(f"the CloudEvents attribute {name} must not be empty")
    event: dict[str, Any] = {
        "specversion": "1.0",
        "id": id,
        "source": source,
        "type": type,
        "subject": subject,
        "time": time,
        "datacontenttype": "application/json",
        "sequence": f"{sequence:0{SEQUENCE_DIGITS}d}",
        "data": data,
    }
    if dataschema:
        event["dataschema"] = dataschema
    return event
