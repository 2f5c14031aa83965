"""Compare one run, or the runs of one sample, before a command shows or hands on their data."""

import contextlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement
from daq.adapters.store.agreement.methods import of_method
from daq.adapters.store.agreement.record_rows import of_records
from daq.adapters.store.agreement.results import of_data
from daq.adapters.store.agreement.runs import of_run, of_values
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.agreement.trail import own_hash
from daq.adapters.store.declared import KIND
from daq.adapters.store.forms.opening import ARCHIVE_ID
from daq.adapters.store.schema import DECLARED_SAMPLE

NOT_ARCHIVED: Final = frozenset({"outbox", "delivery"})
"""Tables that an archive does not have; the bytes of messages are rebuilt from results."""

OF_A_RUN: Final = ("note", "signature", "doubt_decision", "report")
"""Kinds of the records about a run, which have its id as a key."""


def disagreements_of_run(path: Path, run_id: str) -> list[Disagreement]:
    """Return every disagreement about a run, its journal and its method included.

    Raises:
        StoreError: the database cannot be read.
    """
    with Stored(path) as stored, stored.snapshot():
        return list((of_archived_run if is_archive(stored) else of_run_and_records)(stored, run_id))


def disagreements_of_payloads(path: Path, result_ids: Iterable[str]) -> list[Disagreement]:
    """Return the results whose payload is not the one that the audit trail seals.

    Raises:
        StoreError: the database cannot be read.
    """
    with Stored(path) as stored, stored.snapshot():
        return [found for ident in result_ids for found in of_data(stored, ident)]


def disagreements_of_record(path: Path, kind: str, ident: str) -> list[Disagreement]:
    """Return every disagreement about a record and the signatures under it.

    Raises:
        StoreError: the database cannot be read.
    """
    with Stored(path) as stored, stored.snapshot():
        out = list(of_records(stored, kind, ident))
        sql = "SELECT id FROM record_keys WHERE kind = 'signature' AND name = ? AND value = ?"
        for signature in stored.rows(sql, kind, ident):
            out += of_records(stored, "signature", signature["id"])
        return out


def disagreements_of_sample(path: Path, sample: str, run_ids: list[str]) -> list[Disagreement]:
    """Return every disagreement about the runs of a sample, with those whose row names another sample now.

    Args:
        path: the database.
        sample: the sample.
        run_ids: ids of the runs whose rows name this sample.

    Raises:
        StoreError: the database cannot be read.
    """
    with Stored(path) as stored, stored.snapshot():
        return _of_sample(stored, sample, run_ids, of_run_and_records)


@contextlib.contextmanager
def values_compared(path: Path) -> Iterator["ComparedValues"]:
    """Open a database to compare the values of many runs, all as of one moment.

    Raises:
        StoreError: the database cannot be read.
    """
    with Stored(path) as stored, stored.snapshot():
        yield ComparedValues(stored)


class ComparedValues:
    """Comparisons of what values in a chart are made of: runs, results and declarations.

    Journals, kept values and messages are left out: no number of a chart comes from them, and a journal takes longer to
    read than everything else of its run.
    """

    def __init__(self, stored: Stored) -> None:
        self._stored = stored

    def of_run(self, run_id: str) -> list[Disagreement]:
        """Return the disagreements about a run."""
        return list(_of_values(self._stored, run_id))

    def of_sample(self, sample: str, run_ids: list[str]) -> list[Disagreement]:
        """Return the disagreements about the runs of a sample; arguments as in `disagreements_of_sample`."""
        return _of_sample(self._stored, sample, run_ids, _of_values)


def _of_values(stored: Stored, run_id: str) -> Iterator[Disagreement]:
    yield from of_values(stored, run_id)
    yield from of_records(stored, KIND, run_id)


def _of_sample(
    stored: Stored, sample: str, run_ids: list[str], compare: Callable[[Stored, str], Iterator[Disagreement]]
) -> list[Disagreement]:
    started = stored.rows(
        "SELECT subject, seq FROM audit WHERE what = 'run_started' AND json_extract(detail, '$.sample') = ?", sample
    )
    out = [
        Disagreement("runs", row["subject"], ROW, NOTHING, f"sample {sample}", f"audit entry {row['seq']}")
        for row in started
        if stored.one("SELECT 1 FROM runs WHERE id = ?", row["subject"]) is None
    ]
    # The results of corrected runs name the sample that their declaration had before it was changed, if it was.
    corrected = stored.rows(
        f"SELECT run FROM results WHERE supersedes IS NOT NULL AND {DECLARED_SAMPLE} = ?",  # noqa: S608 - our names
        sample,
    )
    others = [*(row["subject"] for row in started), *(row["run"] for row in corrected)]
    for run_id in dict.fromkeys([*run_ids, *others]):
        out += compare(stored, run_id)
    # A value can be an object of JSON, which has no hash.
    return list({(d.table, d.row, d.field, d.where, repr(d.here), repr(d.there)): d for d in out}.values())


def is_archive(stored: Stored) -> bool:
    """Return whether a file is an archive and no database."""
    return stored.rows("PRAGMA application_id") == [{"application_id": ARCHIVE_ID}]


def of_archived_run(stored: Stored, run_id: str) -> Iterator[Disagreement]:
    """Compare one run of an archive, which has no messages, and of the audit trail only the entries about its runs."""
    for entry in stored.entries(run_id):
        yield from own_hash(entry.stored)
    for d in of_run_and_records(stored, run_id, chained=0):
        if d.table not in NOT_ARCHIVED:
            yield d


def of_run_and_records(stored: Stored, run_id: str, *, chained: int | None = None) -> Iterator[Disagreement]:
    """Compare one run, its declaration, its notes and its method; `chained` as in `of_run`."""
    yield from of_run(stored, run_id, chained=chained)
    yield from of_records(stored, KIND, run_id)
    sql = "SELECT id FROM record_keys WHERE kind = ? AND name = 'run' AND value = ?"
    for kind in OF_A_RUN:
        for record in stored.rows(sql, kind, run_id):
            yield from of_records(stored, kind, record["id"])
    for row in stored.rows(
        "SELECT methods.* FROM methods JOIN runs ON method_id = methods.id AND method_version = version "
        "WHERE runs.id = ?",
        run_id,
    ):
        yield from of_method(stored, row)
