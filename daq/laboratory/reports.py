"""The record of a report: a file that shows results, with digests of the file and of everything on it."""

from typing import Any, ClassVar, Literal

from daq.laboratory.record import Record
from daq.methods.files.fields import Label, Model, NeededLabel

ReportForm = Literal["certificate", "verification", "result", "sample", "day", "chart"]
ReportState = Literal["released", "withdrawn"]
WITHDRAWABLE: tuple[ReportForm, ...] = ("certificate", "verification")
"""Forms that a correction withdraws: a reader relies on them without a look into the database."""


class ShownResult(Model):
    """A result on a report.

    Attributes:
        run, result: ids.
        data: SHA-256 (hex) of the result as stored.
        journal: digest of the raw bytes of the run.
        audit_number, audit_head: number and hash of the result's entry in the audit trail.
    """

    run: NeededLabel
    result: NeededLabel
    data: NeededLabel
    journal: Label = ""
    audit_number: int
    audit_head: NeededLabel


class Report(Record):
    """A report; its id is the SHA-256 (hex) of everything that it shows, without the day of its issue.

    Time and person of its release and of its withdrawal are in the audit entries of its revisions.

    Attributes:
        form: kind of the report.
        of: run, sample, day or chart that it is about.
        sample: sample that it is about; "" where it is about something else.
        title: its title.
        simulated: whether it carries SIMULATED.
        issued: day of the first release (UTC, YYYY-MM-DD).
        files: SHA-256 (hex) of each file that was made of it; several where versions of the software differ.
        shown: the results on it.
        state: ``withdrawn`` where a correction or an annulment made it invalid.
    """

    kind: ClassVar[str] = "report"
    form: ReportForm
    of: NeededLabel
    sample: Label = ""
    title: NeededLabel
    simulated: bool
    issued: NeededLabel
    files: tuple[NeededLabel, ...]
    shown: tuple[ShownResult, ...]
    state: ReportState = "released"

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: id, files, subject, sample, and the runs of a report about single runs."""
        found = [("id", self.id), *(("file", digest) for digest in self.files), ("of", self.of)]
        found += [("sample", self.sample)] if self.sample else []
        if self.form not in ("day", "chart"):
            found += [("run", run) for run in dict.fromkeys(s.run for s in self.shown)]
        return tuple(found)

    def withdrawn(self) -> "Report":
        """Return the report as withdrawn."""
        update: dict[str, Any] = {"state": "withdrawn"}
        return self.model_copy(update=update)
