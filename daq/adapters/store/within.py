"""Queries within a transaction: of signatures that a verification concerns."""

import threading
from typing import Final

from daq.adapters.store.access import Access
from daq.adapters.store.reading import Reader


class ReaderWithin(Reader):
    """Queries of a database within a transaction: they see what it has written so far.

    The connection belongs to the transaction; do not close it.
    """

    def __init__(self, access: Access) -> None:
        """Take the transaction."""
        self.path = access.path
        self.archives = []
        self._turn = threading.Lock()
        self._db = access.connection


# CROSS JOIN keeps the order of the tables: by its own choice SQLite reads all signatures.
_SIGNATURES: Final = (
    "SELECT s.id, r.run FROM results AS r CROSS JOIN record_keys AS s ON s.kind = 'signature' AND s.name = 'run' AND "
    "s.value = r.run WHERE r.stream = ?1 AND r.audit_seq > ?2 AND r.audit_seq <= ?3 AND r.supersedes IS NULL "
    "UNION SELECT s.id, r.run FROM results AS r CROSS JOIN record_keys AS k ON k.kind IN ('reportable', 'report') AND "
    "k.name = 'run' AND k.value = r.run CROSS JOIN record_keys AS s ON s.kind = 'signature' AND s.name = k.kind AND "
    "s.value = k.id WHERE r.stream = ?1 AND r.audit_seq > ?2 AND r.audit_seq <= ?3 AND r.supersedes IS NULL"
)


def signatures_on_results(reader: Reader, stream: str, after: int, before: int) -> list[str]:
    """Return the ids of all signatures that rest on runs of a stream, in alphabetical order.

    They are under the runs, and under reportable results and reports about them.

    Args:
        reader: the database.
        stream: stream of the results.
        after: number of an audit entry; first results stored after it.
        before: number of an audit entry; first results stored up to it.
    """
    return list(dict.fromkeys(ident for ident, _ in signatures_with_runs(reader, stream, after, before)))


def signatures_with_runs(reader: Reader, stream: str, after: int, before: int) -> list[tuple[str, str]]:
    """Return the signatures of `signatures_on_results`, each with each run on which it rests."""
    return [(str(ident), str(run)) for ident, run in reader.rows(_SIGNATURES, [stream, after, before])]
