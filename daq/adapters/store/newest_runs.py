"""The newest runs of a product and the newest verifications of an instrument, page by page.

Each page is read by an index, from its end: `runs_by_product` and `audit_verifications`.  Its cost does not grow with
the number of runs in the database.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from daq.adapters.store.reading import Reader

LATEST: Final = 2**63 - 1
Rows = Callable[[str, Sequence[Any]], Sequence[tuple[Any, ...]]]
"""Returns the rows of a query with parameters."""


@dataclass(frozen=True, slots=True)
class RunOfProduct:
    """A run of a product: its sample, and its place in the order of time."""

    sample: str
    began_utc_ns: int
    rowid: int


@dataclass(frozen=True, slots=True)
class VerifyingRun:
    """A run that was a verification or a control, with number and detail of its audit entry."""

    seq: int
    run: str
    fluid: str
    detail: Mapping[str, Any]


def runs_of_product(
    reader: Reader, product: str, *, before: tuple[int, int] = (LATEST, LATEST), limit: int = 200
) -> list[RunOfProduct]:
    """Return at most `limit` runs of a product, as they are declared now, newest first.

    Args:
        reader: the database.
        product: id of the product.
        before: start (UTC ns) and row of the last run of the page before.
        limit: greatest number of runs.
    """
    began, row = before
    rows = reader.rows(
        "SELECT sample, began_utc_ns, rowid FROM runs WHERE product = ? AND (began_utc_ns, rowid) < (?, ?) "
        "AND NOT EXISTS (SELECT 1 FROM records WHERE kind = 'declaration' AND id = runs.id) "
        "ORDER BY began_utc_ns DESC, rowid DESC LIMIT ?",
        [product, began, row, limit],
    )
    # A corrected run belongs to the sample and product that it is declared to have measured. They are few.
    rows += reader.rows(
        "SELECT json_extract(declared.data, '$.sample') AS sample, runs.began_utc_ns, runs.rowid "
        "FROM record_keys AS k JOIN runs ON runs.id = k.id "
        "JOIN records AS declared ON declared.kind = 'declaration' AND declared.id = runs.id AND declared.revision = "
        "(SELECT max(revision) FROM records WHERE kind = 'declaration' AND id = runs.id) "
        "WHERE k.kind = 'declaration' AND k.name = 'product' AND k.value = ? "
        "AND (runs.began_utc_ns, runs.rowid) < (?, ?) ORDER BY runs.began_utc_ns DESC, runs.rowid DESC LIMIT ?",
        [product, began, row, limit],
    )
    found = [RunOfProduct(*row) for row in rows]
    found.sort(key=lambda run: (run.began_utc_ns, run.rowid), reverse=True)
    return found[:limit]


def verifying_runs(reader: Reader, instrument: str, *, before: int = LATEST, limit: int = 200) -> list[VerifyingRun]:
    """Return at most `limit` verifications of an instrument with an audit number below `before`, newest first."""
    rows = reader.rows(
        # The planner may take the index of all entries of a subject, of which an instrument has many more.
        "SELECT seq, detail FROM audit INDEXED BY audit_verifications WHERE what = 'verification' "
        "AND subject = ? AND seq < ? ORDER BY seq DESC LIMIT ?",
        [instrument, before, limit],
    )
    found = ((seq, json.loads(detail)) for seq, detail in rows)
    return [VerifyingRun(seq, detail["run"], detail["fluid"], detail) for seq, detail in found]


def run_started_seq(reader: Reader, run: str) -> int:
    """Return the number of the audit entry of the start of a run; 0 where there is none."""
    return run_started_seqs(reader, [run]).get(run, 0)


def run_started_seqs(reader: Reader, runs: Iterable[str]) -> dict[str, int]:
    """Return the numbers of the audit entries of the starts of runs, in one query; a run without one is missing."""
    rows = reader.rows(
        # CROSS JOIN keeps the order of the tables: the entries of each run are found by its id.
        "SELECT asked.value, a.seq FROM json_each(?) AS asked CROSS JOIN audit AS a ON a.subject = asked.value "
        "WHERE a.what = 'run_started' ORDER BY a.seq DESC",
        [json.dumps(list(runs))],
    )
    # Of several entries, which only a changed database has, the first one counts.
    return {str(run): int(seq) for run, seq in rows}


def last_concluded(reader: Reader, stream: str) -> str | None:
    """Return the run of a stream that was concluded last, or None, without reading its result."""
    # The first result of a run is found by the index, as in `first_results`.
    rows = reader.rows(
        "SELECT r.run FROM results AS r WHERE r.stream = ? AND r.audit_seq = "
        "(SELECT min(f.audit_seq) FROM results AS f WHERE f.run = r.run) ORDER BY r.audit_seq DESC LIMIT 1",
        [stream],
    )
    return str(rows[0][0]) if rows else None


def names_of_instrument(reader: Reader, name: str) -> tuple[str, ...]:
    """Return a name of an instrument, and the other names that share a serial number with it: see `shared_serials`."""
    return (name, *shared_serials(reader.rows, name))


def shared_serials(rows: Rows, name: str) -> dict[str, frozenset[str]]:
    """Return other names of instruments, each with the serial numbers that were connected under it and under `name`.

    The file of an instrument may get another name, and two files may exchange theirs: each connection counts, not the
    last one only.  A serial number counts for one kind of instrument.  `rows` asks a database, as `Reader.rows`.
    """
    others = [o for (o,) in rows("SELECT name FROM instruments WHERE name <> ? ORDER BY name", [name])]
    own = _identified(rows, name) if others else set()
    found = {o: frozenset(serial for _, serial in own & _identified(rows, o)) for o in others} if own else {}
    return {o: serials for o, serials in found.items() if serials}


def _identified(rows: Rows, name: str) -> set[tuple[str, str]]:
    """Return the kinds with the serial numbers that were connected under a name, without those not known."""
    found = rows(
        # Almost all entries of an instrument are verifications: the two indexes leave them out without reading them.
        "SELECT DISTINCT json_extract(a.detail, '$.instrument_kind'), json_extract(a.detail, '$.serial') FROM "
        "(SELECT seq FROM audit INDEXED BY audit_by_subject WHERE subject = ?1 EXCEPT "
        "SELECT seq FROM audit INDEXED BY audit_verifications WHERE what = 'verification' AND subject = ?1 "
        "ORDER BY seq) AS found CROSS JOIN audit AS a ON a.seq = found.seq WHERE a.what = 'instrument_identified'",
        [name],
    )
    return {(kind, serial) for kind, serial in found if serial}


class FirstResult(NamedTuple):
    """The first result of a run.

    Attributes:
        id, run: ids of result and run.
        seq: number of the result's audit entry.
        began_utc_ns: start of the run.
        newest: id of the newest result of the run.
    """

    id: str
    run: str
    seq: int
    began_utc_ns: int
    newest: str


def first_results(reader: Reader, stream: str, after: tuple[int, int], until: int) -> list[FirstResult]:
    """Return the first result of each run of a stream, oldest first.

    Args:
        reader: the database.
        stream: stream of the results.
        after: an audit entry, and a time (UTC ns): results from that entry on, or of runs that began from that time on.
        until: number of an audit entry; runs that started up to it.
    """
    rows = reader.rows(
        # The first result is found by the index.  The column `supersedes` lies behind the long text of each result.
        "SELECT r.id, r.run, r.audit_seq, u.began_utc_ns, "
        "(SELECT n.id FROM results AS n WHERE n.run = r.run ORDER BY n.audit_seq DESC LIMIT 1) "
        "FROM results AS r CROSS JOIN runs AS u ON u.id = r.run "
        "WHERE r.stream = ? AND r.audit_seq = (SELECT min(f.audit_seq) FROM results AS f WHERE f.run = r.run) "
        "AND (r.audit_seq >= ? OR u.began_utc_ns >= ?) AND (r.audit_seq <= ? OR NOT EXISTS "
        "(SELECT 1 FROM audit AS a WHERE a.subject = r.run AND a.what = 'run_started' AND a.seq > ?)) "
        "ORDER BY r.audit_seq",
        [stream, *after, until, until],
    )
    return [FirstResult(*row) for row in rows]


def newest_of_kind(reader: Reader, kind: str, before: int = LATEST) -> int:
    """Return the number of the newest audit entry below `before` that changed a record of a kind; 0 without one."""
    rows = reader.rows("SELECT max(audit_seq) FROM records WHERE kind = ? AND audit_seq < ?", [kind, before])
    return int(rows[0][0] or 0)
