"""The transaction that removes journals from the database after an archive holds them."""

from dataclasses import dataclass
from typing import ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.agreement.archives import REMOVED
from daq.adapters.store.steps import add_audit, journal_head
from daq.core.errors import StoreError

RUNS_AT_ONCE: Final = 20
"""Number of runs whose journals one transaction removes, so that blocks of runs in progress wait for a moment only."""


@dataclass(frozen=True, slots=True)
class RemoveJournals(Transaction[int]):
    """Remove the journals of ended runs, each with an audit entry, and return their number.

    A run whose journal is not in the database any more is left out, so that a repetition changes nothing.

    Attributes:
        archive: id of the record of the archive.
        runs: id of each run, and digest of the last block of its journal in the archive.

    Raises:
        StoreError: there is no such record, or a journal in the database is another one; nothing is removed.
    """

    kind: ClassVar[str] = "remove_journals"
    archive: str
    runs: tuple[tuple[str, str], ...]
    utc_ns: int
    who: str

    def apply(self, access: Access) -> int:
        """Write the audit entries and remove the blocks."""
        removed = 0
        sql = "SELECT 1 FROM records WHERE kind = 'archive' AND id = ?"
        if access.one("archive_known", sql, (self.archive,)) is None:
            raise StoreError(f"there is no record of archive {self.archive}: no journal is removed")
        for run, digest in self.runs:
            last, stored = journal_head(access, run)
            if last < 0:
                continue
            row = access.one("run_known", "SELECT state FROM runs WHERE id = ?", (run,))
            if row is None or row[0] != "ended" or stored != digest:
                raise StoreError(
                    f"the journal of run {run} is not the one in archive {self.archive}: it ends with {stored[:12]}, "
                    f"and that in the archive with {digest[:12]}; no journal is removed"
                )
            detail = {"archive": self.archive, "blocks": last + 1, "digest": digest}
            add_audit(access, self.utc_ns, self.who, REMOVED, run, detail)
            access.run("remove", "DELETE FROM journal WHERE run = ?", (run,))
            removed += 1
        return removed
