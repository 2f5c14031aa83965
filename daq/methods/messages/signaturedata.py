"""The payload of a message about a signature."""

from typing import Annotated, Final, Literal

from pydantic import Field

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


class SignatureData(Part):
    """A signature, or its withdrawal: then `state` is withdrawn, and the record is not released by it any more."""

    schema_version: Literal[1] = SIGNATURE_VERSION
    signature: Annotated[str, IDENTITY] = Field(description="id of the signature, the same in its withdrawal")
    state: Literal["in_force", "withdrawn"]
    meaning: Literal["measured", "reviewed", "released", "rejected"]
    by: str = Field(description="id of the person")
    name: str = Field(description="full name of the person; may be empty")
    signed_at: Annotated[str, DATE_TIME] = Field(description="UTC, ISO 8601")
    because: str = Field(default="", description="reason of a rejection")
    of: str = Field(description="run or reportable: what is signed")
    subject: str = Field(description="its id; that of a reportable result is SAMPLE/TEST")
    sample: str
    instrument: str
    digest: str = Field(description="SHA-256 over the digests of `parts`")
    parts: tuple[SignedData, ...] = Field(description="the stored texts that are signed")
    withdrawn: WithdrawnData | None = None
