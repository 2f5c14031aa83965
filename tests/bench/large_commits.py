"""Write a database by the project's own transactions, many of them in each commit."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.audit import source_uri
from daq.adapters.store.store import Store, open_writer
from tests.support.runs.stored import T0

AT_ONCE: Final = 20_000
"""Number of transactions in one commit."""
CACHE_KB: Final = 1_000_000
"""Page cache of the connection in KB: the ids of runs are random, so each write touches pages all over the indices."""


class LargeCommits:
    """Transactions of one database, `AT_ONCE` in each commit."""

    def __init__(self, access: Access, connection: Any) -> None:
        self._access, self._connection = access, connection
        self._count = 0
        self.source = source_uri(access.source, access.epoch)

    def do(self, transaction: Transaction[Any]) -> Any:
        """Run a transaction and return its outcome."""
        if self._count % AT_ONCE == 0:
            self.commit()
            self._connection.execute("BEGIN")
        self._count += 1
        return transaction.apply(self._access)

    def commit(self) -> None:
        """Commit the transactions so far."""
        if self._connection.in_transaction:
            self._connection.execute("COMMIT")


@contextlib.contextmanager
def large_commits(path: Path) -> Iterator[LargeCommits]:
    """Open a new database for writing; a fault of the machine loses it, because it does not wait for the disk."""
    Store(path, utc_ns=T0).close()
    with contextlib.closing(open_writer(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("PRAGMA journal_mode = OFF")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KB}")
        (source,) = connection.execute("SELECT source FROM meta").fetchone()
        commits = LargeCommits(Access(connection, path, source=source, epoch=1, reserve_bytes=0, hook=None), connection)
        yield commits
        commits.commit()
        connection.execute("PRAGMA journal_mode = WAL")
