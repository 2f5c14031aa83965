"""The state of the work at a bench as a record: a restart of the daemon restores it from here."""

from typing import Annotated, ClassVar, Final, Literal

from pydantic import Field

from daq.laboratory.kinds import CHECKLIST
from daq.laboratory.record import Record
from daq.methods.files.fields import Label, Listed, Model, NeededLabel

Stage = Literal[
    "discarding", "zeroing", "fitting", "choosing", "bathing", "checking", "resting", "starting", "running", "verdict",
    "repeating", "waiting", "remarking", "damaging",
]  # fmt: skip
"""Stage of the work at a bench; the table in the README of this folder describes each."""
Filling = Literal["", "same", "fresh"]
"""The filling of the next run, as in the order of a run; "" for a sample that was not measured before."""
How = Literal["measured", "counted", "together", "earlier", "skipped"]
"""Confirmation of an item: read from the instrument, counted as a time, attested with one key for all,
confirmed before, or skipped."""
Repeat = Literal["free", "replicate", "cause"]
"""Need of a repeat: a reason; nothing, because the product's rule asks for one more result; an assigned cause and a
reviewer."""

FILLED: Final[tuple[Stage, ...]] = (
    "checking", "resting", "starting", "running", "verdict", "repeating", "waiting", "remarking",
)  # fmt: skip
"""Stages in which the vessel can hold a filling."""


class Checked(Model):
    """One item of a checklist, and how it was confirmed.

    Attributes:
        code: the item; its words are in `benchwords`.
        how: see `How`.
        met: false for a measured value that is outside of its limits.
        value, unit: the measured value; None and "" where nothing was measured.
        low, high: limits of the measured value.
        age_s: age of the reading, in whole seconds; None where nothing was read.
        longest_s: age up to which it counts; an older one is no measured value, and the item is not met.
    """

    code: NeededLabel
    how: How
    met: bool = True
    value: float | None = None
    unit: str = ""
    low: float | None = None
    high: float | None = None
    age_s: int | None = None
    longest_s: float | None = None


class Checklist(Record):
    """The checklist of a run; the id is that of the run.  Its second revision has the items after the run.

    Attributes:
        bench, sample: as in the record of the run.
        repeat_of, reason: the run that this one repeats, and why; "" for none.
        opening: items of the start of the shift, which hold for each run until they are due again.
        before: items before the run.
        after: items after the run; empty until they are confirmed.
    """

    kind: ClassVar[str] = CHECKLIST
    bench: NeededLabel
    sample: NeededLabel
    repeat_of: Label = ""
    reason: Label = ""
    opening: Annotated[tuple[Checked, ...], Listed] = ()
    before: Annotated[tuple[Checked, ...], Listed] = ()
    after: Annotated[tuple[Checked, ...], Listed] = ()


class NamedSample(Model):
    """The sample that is measured next, as its record, product and method describe it.  Times in s.

    Attributes:
        method: id and version.
        fluid: the control fluid, where it is measured as the control of the shift; "" for a sample.
        caution: the product's safety note.
        stirring_s, resting_s: times of the method after which the run may begin.
        equilibrating_s: time in the bath.
        signal, low, high: the temperature (Cel) that the method asks for; "" without one.
        filling, repeat_of, reason: of a repeat: its filling, the run before it and the reason.
    """

    sample: NeededLabel
    product: Label = ""
    lot: Label = ""
    method: Label = ""
    fluid: Label = ""
    caution: str = ""
    stirring_s: float = 0.0
    resting_s: float = 0.0
    equilibrating_s: float = 0.0
    signal: str = ""
    low: float = 0.0
    high: float = 0.0
    filling: Filling = ""
    repeat_of: Label = ""
    reason: Label = ""


class Outcome(Model):
    """The end of the newest run of the flow."""

    run: NeededLabel
    outcome: Label = ""
    validity: Label = ""
    verdict: Label = ""
    repeat: Repeat = "free"


class Cup(Model):
    """A filled cup in the bath, since `since_utc_ns`."""

    sample: NeededLabel
    since_utc_ns: int


class Awaited(Model):
    """A sample with a valid result outside its limits, of which a person wants a repeat."""

    sample: NeededLabel
    run: NeededLabel


class BenchState(Record):
    """The state of the work at a bench; the id is the name of the bench.

    Attributes:
        stage: see `Stage`.
        behind: stage to which `remarking` and `damaging` return.
        named: the sample at the bench.
        run, outcome: the run of the flow, and its end; "" and None before.
        draft: text that was typed and is not confirmed yet.
        skipped: codes of the items of the present list that are skipped.
        cups: cups in the bath.
        awaited: repeats that wait for an assigned cause.
        before: confirmed items of a filling that rests.
        opened: items of the start of the shift.
        opened_utc_ns: time at which they were confirmed; 0: they are due.
        fitted_revision: revision of the fitted geometry for which the zero was confirmed.
        clean_after: run after which rotor and cup were confirmed clean; "" for none.
        warm_up: the daemon ended without its regular end, so warm-up, zero and geometry are due.
        discard: samples whose fills are to be discarded.
        stopping: the stop was asked for while the run was being started.
        since_ns, due_ns: monotonic times of this process: start of the stirring, and end of the rest.
    """

    kind: ClassVar[str] = "bench"
    stage: Stage = "choosing"
    behind: Stage = "choosing"
    named: NamedSample | None = None
    run: Label = ""
    outcome: Outcome | None = None
    draft: Label = ""
    skipped: Annotated[tuple[NeededLabel, ...], Listed] = ()
    cups: Annotated[tuple[Cup, ...], Listed] = ()
    awaited: Annotated[tuple[Awaited, ...], Listed] = ()
    before: Annotated[tuple[Checked, ...], Listed] = ()
    opened: Annotated[tuple[Checked, ...], Listed] = ()
    opened_utc_ns: int = 0
    fitted_revision: int = 0
    clean_after: Label = ""
    warm_up: bool = False
    discard: Annotated[tuple[NeededLabel, ...], Listed] = ()
    stopping: bool = False
    since_ns: int = Field(default=0, exclude=True)
    due_ns: int = Field(default=0, exclude=True)

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key by which all benches are listed: the id."""
        return (("id", self.id),)
