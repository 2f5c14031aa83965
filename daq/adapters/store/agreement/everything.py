"""Compare a whole database, or its newest runs, and count what was compared."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from typing import Final

from daq.adapters.store.agreement.archives import Archives
from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement
from daq.adapters.store.agreement.methods import of_methods
from daq.adapters.store.agreement.record_rows import of_record_entry, records_without_entry
from daq.adapters.store.agreement.runs import of_run
from daq.adapters.store.agreement.stored import MANY, Entry, Stored
from daq.adapters.store.agreement.streams import of_streams
from daq.adapters.store.agreement.trail import Chain, identity, instruments, named_rows

NEWEST_RUNS: Final = 200
"""Number of runs that the quick comparison covers."""
_NEWEST_ENTRIES: Final = 20_000
"""Largest number of audit entries that the quick comparison reads."""
QUICK_JOURNAL_BYTES: Final = 4 * 2**20
"""Compressed bytes of journals that the quick comparison unpacks; of further runs it compares the digests only."""

_LARGEST_ROWID: Final = 2**63 - 1
PAUSE_ENTRIES: Final = 200
"""Number of audit entries between two pauses."""


@dataclass(slots=True)
class Comparison:
    """A comparison, and its counts once it was carried out.

    Attributes:
        quick: whether only the newest `NEWEST_RUNS` runs are compared.
        entries, runs, journals: number of audit entries, of runs, and of unpacked journals that were compared.
        archived: number of journals that were removed to archives.
        pause: is called after each run and after `PAUSE_ENTRIES` audit entries, so that a comparison in
            the background leaves time to other threads.
    """

    quick: bool = False
    entries: int = 0
    runs: int = 0
    journals: int = 0
    archived: int = 0
    pause: Callable[[], None] | None = None
    _last: dict[tuple[int, str], int] = field(default_factory=lambda: defaultdict(int))

    def of(self, stored: Stored) -> Iterator[Disagreement]:
        """Yield every disagreement of the database."""
        with stored.snapshot():
            yield from identity(stored)
            yield from instruments(stored)
            yield from of_methods(stored)
        after = self._first(stored) - 1 if self.quick else 0
        trail, archives = Chain.after(stored, after), Archives()
        last = after
        for entry in stored.trail(after):
            yield from trail.take(entry.stored)
            yield from named_rows(stored, entry)
            yield from of_record_entry(stored, entry)
            yield from archives.of_entry(stored, entry)
            self._number(entry)
            last = entry.stored.seq
            if self.pause is not None and trail.entries % PAUSE_ENTRIES == 0:
                self.pause()
        self.entries = trail.entries
        yield from records_without_entry(stored, after)
        self.archived = archives.runs
        yield from self._runs(stored, after, last)
        with stored.snapshot():
            yield from self._numbers(stored)

    def _first(self, stored: Stored) -> int:
        """Return the number of the audit entry with which the quick comparison starts."""
        last = stored.one("SELECT max(seq) AS seq FROM audit")
        oldest = max(1, int(last["seq"] or 0) - _NEWEST_ENTRIES + 1) if last else 1
        newest = stored.rows(
            "SELECT seq FROM audit WHERE what = 'run_started' AND seq >= ? ORDER BY seq DESC LIMIT ?",
            oldest,
            NEWEST_RUNS,
        )
        return int(newest[-1]["seq"]) if len(newest) == NEWEST_RUNS else oldest

    def _runs(self, stored: Stored, after: int, last: int) -> Iterator[Disagreement]:
        """Compare the runs that audit entries from `after` + 1 to `last` name, and those that none of them names."""
        unpacked = 0
        for run_id in chain(_started(stored, after, last), _not_named(stored, after, last, self._limit())):
            size = 0
            if self.quick:
                found = stored.one("SELECT sum(length(data)) AS size FROM journal WHERE run = ?", run_id)
                size = int(found["size"] or 0) if found else 0
            journal = unpacked + size <= QUICK_JOURNAL_BYTES
            unpacked += size if journal else 0
            with stored.snapshot():
                yield from of_run(stored, run_id, journal=journal, chained=after)
            self.runs += 1
            self.journals += journal
            if self.pause is not None:
                self.pause()

    def _limit(self) -> int | None:
        """Return the number of newest rows of `runs` that are compared, None for all."""
        return NEWEST_RUNS if self.quick else None

    def _number(self, entry: Entry) -> None:
        """Note the sequence number of a result in the audit trail."""
        d = entry.detail
        if entry.stored.what == "result_stored" and isinstance(d.get("sequence"), int):
            key = (d.get("epoch", 0), str(d.get("stream")))
            self._last[key] = max(self._last[key], d["sequence"])

    def _numbers(self, stored: Stored) -> Iterator[Disagreement]:
        """Compare the sequence numbers of each stream with each other and with the audit trail."""
        if not self.quick:
            for row in stored.rows(
                "SELECT epoch, stream, max(sequence) AS last, count(*) AS n FROM results GROUP BY epoch, stream"
            ):
                if row["n"] != row["last"]:
                    name = f"{row['stream']} (epoch {row['epoch']})"
                    missing = _missing(stored, row["epoch"], row["stream"])
                    where = f"the numbers of the stream, which end at {row['last']}"
                    yield Disagreement("results", name, "sequence", NOTHING, missing, where)
        for (epoch, stream), last in self._last.items():
            sql = "SELECT max(sequence) AS last FROM results WHERE epoch = ? AND stream = ?"
            here = next((r["last"] for r in stored.rows(sql, epoch, stream)), None)
            if (here or 0) < last:
                name = f"{stream} (epoch {epoch})"
                yield Disagreement("results", name, "sequence", here, last, "the last number in the audit trail")
        yield from of_streams(stored, self._last, quick=self.quick)
        for lost in stored.rows("SELECT seq, topic FROM outbox WHERE result IS NULL"):
            yield Disagreement("outbox", str(lost["seq"]), ROW, lost["topic"], NOTHING, "the results")


def _started(stored: Stored, after: int, last: int) -> Iterator[str]:
    """Yield the runs whose start is one of the audit entries from `after` + 1 to `last`, newest first."""
    # Pages, and not one query: a query that stays open would keep the daemon from cutting back its write-ahead log.
    before = last + 1
    while True:
        rows = stored.rows(
            "SELECT seq, subject FROM audit WHERE what = 'run_started' AND seq > ? AND seq < ? "
            "ORDER BY seq DESC LIMIT ?",
            after,
            before,
            MANY,
        )
        yield from (row["subject"] for row in rows)
        if len(rows) < MANY:
            return
        before = rows[-1]["seq"]


def _not_named(stored: Stored, after: int, last: int, limit: int | None) -> Iterator[str]:
    """Yield the runs of the newest `limit` rows whose start is none of these entries: added, or without their entry."""
    before, left = _LARGEST_ROWID, limit
    while True:
        count = MANY if left is None else min(MANY, left)
        rows = stored.rows(
            "SELECT rowid AS number, id, EXISTS (SELECT 1 FROM audit WHERE subject = runs.id AND what = 'run_started' "
            "AND seq > ? AND seq <= ?) AS named FROM runs WHERE rowid < ? ORDER BY rowid DESC LIMIT ?",
            after,
            last,
            before,
            count,
        )
        yield from (row["id"] for row in rows if not row["named"])
        left = None if left is None else left - len(rows)
        if len(rows) < count or left == 0:
            return
        before = rows[-1]["number"]


def _missing(stored: Stored, epoch: int, stream: str) -> int:
    """Return the first sequence number of a stream that no result has."""
    expected = 1
    for row in stored.each(
        "SELECT sequence FROM results WHERE epoch = ? AND stream = ? ORDER BY sequence", epoch, stream
    ):
        if row["sequence"] != expected:
            break
        expected += 1
    return expected
