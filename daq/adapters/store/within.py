"""Queries within a transaction: of signatures that a verification concerns."""

import json
import threading
from collections.abc import Iterable
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
_ON_RUNS: Final = (
    "SELECT s.id FROM {0} CROSS JOIN record_keys AS s ON s.kind = 'signature' AND s.name = 'run' AND s.value = {1} "
    "WHERE {2} UNION SELECT s.id FROM {0} CROSS JOIN record_keys AS k ON k.kind IN ('reportable', 'report') AND "
    "k.name = 'run' AND k.value = {1} CROSS JOIN record_keys AS s ON s.kind = 'signature' AND s.name = k.kind AND "
    "s.value = k.id WHERE {2}"
)
_ON_RESULTS: Final = _ON_RUNS.format(
    "results AS r", "r.run", "r.stream = ?1 AND r.audit_seq > ?2 AND r.audit_seq <= ?3 AND r.supersedes IS NULL"
)
_ON_NAMED: Final = _ON_RUNS.format("json_each(?1) AS r", "r.value", "true")


def signatures_on_results(reader: Reader, stream: str, after: int, before: int) -> list[str]:
    """Return the ids of all signatures that rest on runs of a stream, in alphabetical order.

    They are under the runs, and under reportable results and reports about them.

    Args:
        reader: the database.
        stream: stream of the results.
        after: number of an audit entry; first results stored after it.
        before: number of an audit entry; first results stored up to it.
    """
    return [str(ident) for (ident,) in reader.rows(_ON_RESULTS, [stream, after, before])]


def signatures_on_runs(reader: Reader, runs: Iterable[str]) -> list[str]:
    """Return the ids of all signatures that rest on runs, as `signatures_on_results`, from the ids of the runs."""
    return [str(ident) for (ident,) in reader.rows(_ON_NAMED, [json.dumps(list(runs))])]
