"""The trace of a later result of a run: a row, an audit entry or a declaration."""

from typing import Final

from daq.adapters.store.audit import AuditEntry, entry_hash
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import ResultRecord

_LATER: Final = (
    "SELECT 1 WHERE EXISTS (SELECT 1 FROM results WHERE supersedes = ?2) "
    "OR EXISTS (SELECT 1 FROM results WHERE run = ?1 AND audit_seq > ?3) "
    "OR EXISTS (SELECT 1 FROM records WHERE kind = 'declaration' AND id = ?1 AND audit_seq > ?3)"
)
_ABOUT_THE_RUN: Final = (
    "SELECT seq, utc_ns, who, what, subject, detail, previous, hash FROM audit WHERE subject = ? AND seq > ?"
)


def is_superseded(reader: Reader, result: ResultRecord) -> bool:
    """Return whether the database states, in any place, that a later result supersedes this one.

    A correction or annulment has a result, an audit entry about the run, and mostly a declaration.  One of them is
    enough, also where the others are missing or were changed.

    Args:
        reader: the database.
        result: a result that agrees with the audit trail.

    Raises:
        StoreError: the database cannot be read.
    """
    if reader.rows(_LATER, [result.run, result.id, result.audit_seq]):
        return True
    # A changed entry can have been that of a correction.
    found = (AuditEntry(*row) for row in reader.rows(_ABOUT_THE_RUN, [result.run, result.audit_seq], damaged_text=True))
    return any(e.what == "result_corrected" or not _is_as_written(e) for e in found)


def _is_as_written(e: AuditEntry) -> bool:
    return e.hash == entry_hash(e.seq, e.utc_ns, e.who, e.what, e.subject, e.detail, e.previous)
