"""A reportable result as a record of its own: one for each sample and test."""

from typing import Any, ClassVar

from daq.laboratory.kinds import REPORTABLE, reportable_id
from daq.laboratory.record import Record
from daq.laboratory.signing import SubjectId
from daq.methods.files.fields import NeededLabel
from daq.methods.messages.reportabledata import ReportableData


class ReportableRecord(Record):
    """The reportable result of one test of a sample; `reportable_id` is its id.

    Attributes:
        sample: id of the sample.
        test: id of the method.
        runs: ids of all runs of the test.
        data: contents, as they are published; its revision is that of the record.
    """

    kind: ClassVar[str] = REPORTABLE
    id: SubjectId
    sample: NeededLabel
    test: NeededLabel
    runs: tuple[NeededLabel, ...]
    data: ReportableData

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: the sample, and each run."""
        return (("sample", self.sample), *(("run", run) for run in self.runs))


def reportable_record(data: ReportableData) -> ReportableRecord:
    """Return the record of a reportable result."""
    return ReportableRecord(
        id=reportable_id(data.sample, data.test),
        sample=data.sample,
        test=data.test,
        runs=tuple(a.run for a in data.attempts),
        data=data,
    )


def contents(record: ReportableRecord) -> dict[str, Any]:
    """Return what a reportable result states, as JSON values; two revisions with the same contents are the same.

    Of a statement only code and parameters count: a newer daq may write the same sentence with more digits.
    """
    found = record.data.model_dump(mode="json")
    del found["revision"]
    without: dict[str, Any] = _without_text(found)
    return without


def _without_text(found: Any) -> Any:
    if isinstance(found, dict):
        # Only a statement has these three keys.
        is_statement = {"code", "parameters", "text"} == found.keys()
        return {k: _without_text(v) for k, v in found.items() if not (is_statement and k == "text")}
    return [_without_text(v) for v in found] if isinstance(found, list) else found
