"""A signature of a person under a record, and a person's decision about a result that a verification put in doubt."""

from typing import Annotated, ClassVar, Final, Literal

from pydantic import AfterValidator, Field

from daq.laboratory.kinds import DOUBT_DECISION, SIGNATURE
from daq.laboratory.record import Record
from daq.methods.files.fields import LONGEST_LABEL, Label, Listed, Model, NeededLabel, clean

Meaning = Literal["measured", "reviewed", "released", "rejected"]
MEANINGS: Final[tuple[Meaning, ...]] = ("measured", "reviewed", "released", "rejected")
MOST_SIGNED: Final = 500
"""Greatest number of records that one act signs."""
SignatureState = Literal["in_force", "withdrawn"]
Decision = Literal["uncertain", "upheld"]
SubjectId = Annotated[str, Field(min_length=1, max_length=2 * LONGEST_LABEL + 1), AfterValidator(clean)]
"""Id of what is signed: that of a run, or of a record, which may join two names."""

CauseId = Annotated[str, Field(min_length=1, max_length=4 * LONGEST_LABEL), AfterValidator(clean)]
"""The cause of a doubt about a result: the id of a run, or the name of a calibration, which joins four names."""


class SignedPart(Model):
    """One stored text that a signature covers, with its digest (SHA-256, hex)."""

    kind: NeededLabel
    """``result``, or the kind of a record."""
    id: SubjectId
    revision: Annotated[int, Field(ge=0)] = 0
    """Number of the revision of a record; 0 of a result."""
    digest: NeededLabel


class Signature(Record):
    """A signature.  It is in force for the bytes that it covers, and is withdrawn when another state replaces them.

    Time and person of the withdrawal are in the audit entry of that revision.

    Attributes:
        of, subject: kind and id of what is signed: ``run`` or the kind of a record, such as a report.
        number: signatures of one subject are counted from 1 on.
        parts: the stored texts that it covers.
        digest: digest of all of them (`daq.app.records.signatures.digest_of_parts`).
        meaning: what the person states.
        by, name: id and full name of the person.
        signed_at: UTC, ISO 8601.
        because: reason of a rejection.
    """

    kind: ClassVar[str] = SIGNATURE
    of: NeededLabel
    subject: SubjectId
    number: Annotated[int, Field(ge=1)]
    parts: Annotated[tuple[SignedPart, ...], Listed]
    digest: NeededLabel
    meaning: Meaning
    by: NeededLabel
    name: Label = ""
    signed_at: NeededLabel
    because: Label = ""
    state: SignatureState = "in_force"

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key by which the signatures of a subject are found."""
        return ((self.of, self.subject),)


class Suspension(Record):
    """The failed verifications that suspend a release, as they were last announced to subscribers.

    The state of a release is computed (`daq.app.records.signatures`); this record holds what its messages state.

    Attributes:
        id: that of the signature.
        of, subject: kind and id of what is signed.
        verifications: ids of the runs of the verifications and controls, and names of the calibrations; empty: it is
            not suspended any more.
        instruments: those of the runs that they put in doubt.
    """

    kind: ClassVar[str] = "suspension"
    of: NeededLabel
    subject: SubjectId
    verifications: Annotated[tuple[CauseId, ...], Listed] = ()
    instruments: Annotated[tuple[NeededLabel, ...], Listed] = ()

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: each instrument, by which the suspended releases are found."""
        return tuple(("instrument", name) for name in self.instruments)


class DoubtDecision(Record):
    """The decision about a result that a verification or control put in doubt; the reason is in the audit entry.

    Attributes:
        verification: id of the run of the verification or control, or name of the calibration.
        run: id of the run in doubt; `decision_id` of both, and of the kind of the doubt, is the id.
        decision: ``uncertain`` (published again as Uncertain), or ``upheld``.
    """

    kind: ClassVar[str] = DOUBT_DECISION
    verification: CauseId
    run: NeededLabel
    decision: Decision

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key: the run."""
        return (("run", self.run),)
