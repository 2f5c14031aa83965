"""Refuse a repeat of a sample without its assigned cause, and list what waits for one."""

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.records.judged.judging import samples_left, without_cause
from daq.app.records.searching import RunSearch, search
from daq.core.errors import SettingError, coded
from daq.quality.digits import SHOWN_ID


def waiting_for_cause(reader: Reader, *, limit: int) -> list[RunRecord]:
    """Return the runs after which a repeat of their sample waits for an assigned cause, newest first.

    Args:
        reader: the database.
        limit: greatest number of runs outside their limits that are examined.
    """
    out: dict[str, RunRecord] = {}
    seen: set[tuple[str, str]] = set()
    for run in search(reader, RunSearch(verdict="outside"), limit=limit).runs:
        for sample in (run.sample, *samples_left(reader, run.id)):
            if not sample or (sample, run.method_id) in seen:
                continue
            seen.add((sample, run.method_id))
            found = reader.run(without_cause(reader, sample, run.method_id) or "")
            if found is not None:
                out[found.id] = found
    return list(out.values())


def refuse_without_cause(reader: Reader, sample: str, test: str) -> None:
    """Refuse a further run of a sample by a test (id of its method) that needs an assigned cause.

    Raises:
        SettingError: it needs one; the text has the command of the reviewer.
    """
    run = without_cause(reader, sample, test)
    if run:
        error = SettingError(
            f"sample {sample!r} is outside its limits (valid run {run[:SHOWN_ID]}, {test}): a repeat needs an "
            f"assigned cause from a person who reviews: daq repeat {run[:SHOWN_ID]} --cause CAUSE --because TEXT",
            key="sample",
        )
        raise coded(error, "repeat_needs_cause", sample=sample, run=run[:SHOWN_ID], method=test)
