"""A declaration: what a run is declared to have measured after a correction, and the note of a person about a run."""

from typing import Annotated, Any, ClassVar, Final, Literal

from pydantic import AfterValidator, Field

from daq.laboratory.kinds import DECLARATION
from daq.laboratory.record import Record
from daq.methods.files.fields import Label, Listed, Model, NeededLabel, clean

DeclarationState = Literal["corrected", "annulled"]
LONGEST_NOTE: Final = 2000
"""Largest number of characters of a note."""
NoteText = Annotated[str, Field(min_length=1, max_length=LONGEST_NOTE), AfterValidator(clean)]


class Change(Model):
    """One fact that a correction changes, as text; "" where it was not stated or is not stated any more."""

    name: NeededLabel
    before: Label = ""
    after: Label = ""


class Left(Model):
    """A sample to which a run belonged before a correction gave it to another one.

    Attributes:
        sample: the sample.
        to: the sample to which the correction gave the run.
        because: the reason of the correction.
        outside: the run was outside its limits then, or the sample waited for an assigned cause.
    """

    sample: NeededLabel
    to: NeededLabel
    because: NeededLabel
    outside: bool = False


class Declaration(Record):
    """The declaration of a run in force, from its first correction on; its id is that of the run.

    The run's own row keeps the first declaration.  Time, person and reason are in the audit entry of the revision.

    Attributes:
        result: id of the result that is computed under this revision.
        supersedes: id of the result that it replaces.
        state: ``annulled`` where the run does not count any more; this is final.
        sample, product, lot, sampled_at, operator: as in the record of a run.
        geometry, fluid: names of measuring geometry and reference fluid; "" where there is none.
        changes: the facts that this revision changes.
        plan: the corrected plan, as a journal's header writes it; None where the plan is that of the run.
        kept: the kept values, computed again with this plan; None where they are those of the run.
        product_version, product_text: version of the product by which the run is judged, and the id of its text; ""
            where it is that of the start of the run.
        moved: the samples to which the run belonged before.
        not_authorised: the persons who had no authorisation for the method: the one who measured, or the operator as
            corrected; empty before a correction of the operator.
    """

    kind: ClassVar[str] = DECLARATION
    result: NeededLabel
    supersedes: NeededLabel
    state: DeclarationState = "corrected"
    sample: NeededLabel
    product: Label = ""
    lot: Label = ""
    sampled_at: Label = ""
    operator: Label = ""
    geometry: Label = ""
    fluid: Label = ""
    changes: tuple[Change, ...] = ()
    plan: dict[str, Any] | None = None
    kept: list[dict[str, Any]] | None = None
    product_version: Label = ""
    product_text: Label = ""
    moved: Annotated[tuple[Left, ...], Listed] = ()
    not_authorised: Annotated[tuple[NeededLabel, ...], Listed] = ()

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys by which `daq.adapters.store.declared` finds runs by what is declared."""
        own = ((name, getattr(self, name)) for name in ("sample", "product", "lot", "operator"))
        return (*((name, value) for name, value in own if value), *(("moved_from", m.sample) for m in self.moved))


class Note(Record):
    """A remark of a person about a run; a run has any number of them."""

    kind: ClassVar[str] = "note"
    run: NeededLabel
    text: NoteText

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key by which the notes of a run are found."""
        return (("run", self.run),)
