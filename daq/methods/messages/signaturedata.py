"""The payload of a message about a signature."""

from typing import Annotated, Final, Literal

from pydantic import Field

from daq.methods.messages.named import In, names
from daq.methods.parts.base import DATE_TIME, IDENTITY, Part

SIGNATURE_SCHEMA: Final = "signature"
SIGNATURE_VERSION: Literal[1] = 1


class SignedData(Part):
    """One stored text that a signature covers."""

    kind: str = Field(description="result, or the kind of a record")
    id: str
    revision: int = Field(default=0, description="of a record; 0 of a result")
    digest: str = Field(description="SHA-256 of it as stored")


class WithdrawnData(Part):
    """The withdrawal of a signature."""

    by: str
    at: Annotated[str, DATE_TIME]
    because: str


class SuspendedData(Part):
    """A failed check, or a calibration, that suspends a release until a person decides about the result."""

    verification: str = Field(description="id of the run of the verification or control, or name of the calibration")
    instrument: str
    at: Annotated[str, DATE_TIME] = Field(description="time of its audit entry")


class ResumedData(Part):
    """The end of a suspension: a person upholds the result, or the verification itself was wrong."""

    by: str
    at: Annotated[str, DATE_TIME]
    because: str


class SignatureData(Part):
    """A signature, its withdrawal, or its suspension: while `state` is withdrawn, the record is not released by it.

    A later message of the same signature replaces it: the one with the greater `revision` is in force.
    """

    schema_version: Literal[1] = SIGNATURE_VERSION
    signature: Annotated[str, IDENTITY] = Field(description="id of the signature, the same in its withdrawal")
    revision: Annotated[int, Field(ge=1)] = Field(default=1, description="counted from 1 on, for each signature")
    state: Literal["in_force", "withdrawn"]
    meaning: Literal["measured", "reviewed", "released", "rejected"]
    by: str = Field(description="id of the person")
    name: str = Field(description="full name of the person; may be empty")
    signed_at: Annotated[str, DATE_TIME] = Field(description="UTC, ISO 8601")
    because: str = Field(default="", description="reason of a rejection")
    of: str = Field(description="run, reportable or report: what is signed")
    subject: str = Field(description="its id; that of a reportable result is SAMPLE/TEST, of a report its digest")
    sample: str = Field(description="empty under a report about no single sample")
    instrument: str
    digest: str = Field(description="SHA-256 over the digests of `parts`")
    parts: tuple[SignedData, ...] = Field(description="the stored texts that are signed")
    withdrawn: WithdrawnData | None = None
    suspended: tuple[SuspendedData, ...] = Field(
        default=(), description="withdrawn only until a person decides; empty: in force, or withdrawn for good"
    )
    resumed: ResumedData | None = Field(default=None, description="why it is in force again after a suspension")


SIGNATURE_NAMES: Final = names(
    SignatureData,
    (
        ("signature", "signature", In.COLLECTOR),
        ("revision", "revision", In.COLLECTOR),
        ("state", "state", In.COLLECTOR),
        ("meaning", "meaning", In.COLLECTOR),
        ("signed_by", "by", In.COLLECTOR),
        ("signer", "name", In.COLLECTOR, True),
        ("signed_at", "signed_at", In.COLLECTOR),
        ("because", "because", In.COLLECTOR, True),
        ("kind", "of", In.COLLECTOR),
        ("subject", "subject", In.COLLECTOR),
        ("sample", "sample", In.COLLECTOR, True),
        ("instrument", "instrument", In.COLLECTOR),
    ),
)
"""The collector's columns of a signature; all else is in the event."""
