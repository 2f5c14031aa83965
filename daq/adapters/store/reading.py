"""Queries over a separate read-only connection, which never blocks the writer and cannot change the database."""

import json
import threading
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any, Final, Self

from daq.adapters.store import declared
from daq.adapters.store.audit import AuditEntry
from daq.adapters.store.errors import FAULTS, explain, is_text_fault
from daq.adapters.store.forms.opening import connect_read_only
from daq.adapters.store.forms.packed import BASIS, unpacked
from daq.adapters.store.rows import (
    BY_CONTENT,
    BY_STATE,
    CHANGED,
    OF_DELIVERY,
    InstrumentRecord,
    Message,
    MethodRecord,
    OutboxDepth,
    ResultRecord,
    RunRecord,
    json_or_none,
)
from daq.adapters.store.schema import refuse_format
from daq.core.errors import ArchivedError, JournalError, StoreError
from daq.core.journal_block import Block, chain

NO_DATABASE: Final = "there is no database: nothing was measured with this state directory yet"
_COLUMNS: Final = tuple(f.name for f in fields(Message))
_MESSAGE: Final = "SELECT " + ", ".join([*(f"{'d' if n in OF_DELIVERY else 'm'}.{n}" for n in _COLUMNS), BASIS])
_RESULT: Final = f"SELECT {', '.join(f.name for f in fields(ResultRecord))} FROM results "  # noqa: S608 - our names
_LAST: Final = "\U0010ffff"
"""Last character of Unicode: a text followed by it comes after all texts that begin with that text."""
_NO_END: Final = 2**63 - 1
"""Largest integer of SQLite."""
CACHE_KIB: Final = 16_384
"""Memory of SQLite for pages, KiB: the pages of the indexes that a list of runs touches, with 300,000 runs."""
_PAYLOAD: Final = _COLUMNS.index("payload")
_FLAGS: Final = tuple(_COLUMNS.index(name) for name in ("retain", "quarantined"))


class Reader:
    """Queries of a database.  Calls from several threads take turns; each sees all earlier commits.

    Every method raises `StoreError` where the file cannot be read; the text names the action to take.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.archives: list[Reader] = []
        """Archives that were given, for the journals of archived runs."""
        self._turn = threading.Lock()
        if not self.path.exists():
            raise StoreError(f"{self.path}: {NO_DATABASE}")
        try:
            self._db = connect_read_only(self.path)
            self._db.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            (found,) = self._db.execute("PRAGMA user_version").fetchone()
        except FAULTS as error:
            raise explain(error, self.path) from error
        try:
            refuse_format(found)
        except StoreError:
            self._db.close()
            raise

    def close(self) -> None:
        """Close the connection, after a running call of another thread has ended."""
        for archive in self.archives:
            archive.close()
        with self._turn:
            self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def query(self, sql: str, parameters: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """Return all rows of a SELECT as dictionaries."""
        try:
            # Closing a connection under a query of another thread would crash the process.
            with self._turn:
                cursor = self._db.execute(sql, parameters)
                names = [column[0] for column in cursor.description]
                return [dict(zip(names, row, strict=True)) for row in cursor]
        except FAULTS as error:
            raise explain(error, self.path) from error

    def rows(self, sql: str, parameters: Sequence[Any], *, damaged_text: bool = False) -> list[tuple[Any, ...]]:
        """Return all rows of a SELECT as tuples, which cost less for thousands of messages.

        With `damaged_text`, a text that is not UTF-8 gets escapes instead of an error.
        """
        try:
            with self._turn:
                try:
                    return self._db.execute(sql, parameters).fetchall()
                except FAULTS as error:
                    if not damaged_text or not is_text_fault(error):
                        raise
                self._db.text_factory = _escaped
                try:
                    return self._db.execute(sql, parameters).fetchall()
                finally:
                    self._db.text_factory = str
        except FAULTS as error:
            raise explain(error, self.path) from error

    def identity(self) -> tuple[str, int]:
        """Return UUID and epoch of the database."""
        (row,) = self.query("SELECT source, epoch FROM meta")
        return row["source"], row["epoch"]

    # runs

    # A run is returned as it is declared now: see `daq.adapters.store.declared`.

    def run(self, run_id: str) -> RunRecord | None:
        """Return a run by its id, or None."""
        rows = self.query(f"{declared.SELECT} WHERE runs.id = ?", [run_id])
        return declared.declared_run(rows[0]) if rows else None

    def run_as_started(self, run_id: str) -> RunRecord | None:
        """Return a run as it was declared at its start, or None."""
        rows = self.query("SELECT * FROM runs WHERE id = ?", [run_id])
        return declared.run_record(rows[0]) if rows else None

    def find_runs(self, beginning: str) -> list[str]:
        """Return the ids that start with `beginning`, so that a person can type a part of an id."""
        rows = self.query(
            "SELECT id FROM runs WHERE id >= ? AND id < ? ORDER BY began_utc_ns", [beginning, beginning + _LAST]
        )
        return [row["id"] for row in rows]

    def runs(self, *, limit: int = 100, instrument: str = "", sample: str = "", product: str = "") -> list[RunRecord]:
        """Return at most `limit` runs, newest first, of one instrument, sample or product where given."""
        return declared.newest_runs(self.query, limit, instrument=instrument, sample=sample, product=product)

    def values_of_runs(self, column: str, most: int = -1) -> list[str]:
        """Return the values of an indexed column of all runs in alphabetical order, without "", at most `most`."""
        # This takes one step of the index for each value; SELECT DISTINCT would read every run.
        rows = self.query(
            f"WITH RECURSIVE t (name) AS (SELECT min({column}) FROM runs WHERE {column} > '' UNION ALL "  # noqa: S608 - our names
            f"SELECT (SELECT min({column}) FROM runs WHERE {column} > t.name) FROM t WHERE t.name NOT NULL) "
            "SELECT name FROM t WHERE name NOT NULL LIMIT ?",
            [most],
        )
        return [row["name"] for row in rows]

    def sheared_by(self, fill: str) -> str | None:
        """Return the first run whose result states that it sheared this fill, or None."""
        rows = self.query(
            "SELECT runs.id FROM runs JOIN results ON results.run = runs.id "
            "WHERE runs.fill = ? AND runs.fill <> '' AND json_extract(results.data, '$.sample.sheared') "
            "ORDER BY runs.began_utc_ns LIMIT 1",
            [fill],
        )
        return str(rows[0]["id"]) if rows else None

    def unfinished_runs(self) -> list[RunRecord]:
        """Return runs left by a crash without result (``running``) or without state of the motor (``concluded``)."""
        # A run that has not ended has no declaration but that of its start.
        # The sign + keeps SQLite from reading all runs in the order of time.
        rows = self.query(
            "SELECT * FROM runs WHERE state IN ('running', 'concluded') AND state <> 'ended' "
            "ORDER BY +began_utc_ns, rowid"
        )
        return [declared.run_record(row) for row in rows]

    def motors_in_doubt(self) -> list[str]:
        """Return the instruments whose motor may still be turning after a run and was not confirmed to stop since."""
        rows = self.query(
            "SELECT DISTINCT runs.instrument FROM runs "
            "JOIN audit AS ended ON ended.what = 'run_ended' AND ended.subject = runs.id "
            "WHERE runs.motor = 'may_still_be_turning' AND NOT EXISTS (SELECT 1 FROM audit AS stopped "
            "WHERE stopped.what = 'motor_stopped' AND stopped.subject = runs.instrument AND stopped.seq > ended.seq)"
        )
        return [row["instrument"] for row in rows]

    def journal(self, run_id: str) -> Iterator[Block]:
        """Yield the blocks of a run's journal in order, each checked against the chain of digests.

        The journal of an archived run is read from the archive, one of `archives`.

        Raises:
            JournalError: a block is missing, was changed or cannot be unpacked; the error has the index of the first
                record of that block.
            ArchivedError: the journal is in an archive that is not in `archives`.
        """
        digest, records = "", 0
        rows = self.query("SELECT * FROM journal WHERE run = ? ORDER BY seq", [run_id])
        removed = None if rows else self.removed_journal(run_id)
        if removed is not None:
            yield from self._archived(run_id, removed)
            return
        for number, row in enumerate(rows):
            if row["seq"] != number:
                raise JournalError(f"block {number} of run {run_id} is missing", record=records)
            try:
                raw = zlib.decompress(row["data"])
            except zlib.error as e:
                raise JournalError(f"block {number} of run {run_id} cannot be unpacked: {e}", record=records) from e
            if chain(digest, raw) != row["digest"]:
                raise JournalError(f"block {number} of run {run_id} was changed after it was written", record=records)
            digest = row["digest"]
            records += row["records"]
            yield Block(raw, digest, row["records"], row["t_first"], row["t_last"])

    def _archived(self, run_id: str, removed: Mapping[str, Any]) -> Iterator[Block]:
        for archive in self.archives:
            if archive.journal_digest(run_id) == removed["digest"]:
                yield from archive.journal(run_id)
                return
        names = ", ".join(archive.path.name for archive in self.archives)
        wrong = f"; {names} does not have it as the audit trail states it" if names else ""
        raise ArchivedError(
            f"the journal of run {run_id} is in the archive {removed['archive']}{wrong}: give it with --archive FILE"
        )

    def removed_journal(self, run_id: str) -> dict[str, Any] | None:
        """Return the audit detail (archive, blocks, digest) of the removal of a run's journal; None without one."""
        rows = self.query(
            "SELECT detail FROM audit WHERE subject = ? AND what = 'journal_archived' ORDER BY seq DESC LIMIT 1",
            [run_id],
        )
        return dict(json.loads(rows[0]["detail"])) if rows else None

    def journal_digest(self, run_id: str) -> str:
        """Return the digest of a run's last stored block, which the next block must follow; "" without blocks."""
        rows = self.query("SELECT digest FROM journal WHERE run = ? ORDER BY seq DESC LIMIT 1", [run_id])
        return str(rows[0]["digest"]) if rows else ""

    def kept(self, run_id: str) -> list[Any]:
        """Return the kept values of a run in order, as decoded JSON: as computed under the declaration in force."""
        again = declared.kept_again(self.query, run_id)
        return self.kept_as_measured(run_id) if again is None else again

    def kept_as_measured(self, run_id: str) -> list[Any]:
        """Return the kept values of a run in order, as decoded JSON: as computed during the run; None where damaged."""
        rows = self.query("SELECT value FROM kept WHERE run = ? ORDER BY idx", [run_id])
        return [json_or_none(row["value"]) for row in rows]

    # results

    def results(self, run_id: str) -> list[ResultRecord]:
        """Return the result of a run and its corrections, oldest first."""
        rows = self.query("SELECT * FROM results WHERE run = ? ORDER BY audit_seq", [run_id])
        return [ResultRecord(**row) for row in rows]

    def result(self, result_id: str) -> ResultRecord | None:
        """Return a result by its id, or None."""
        rows = self.query("SELECT * FROM results WHERE id = ?", [result_id])
        return ResultRecord(**rows[0]) if rows else None

    def newest_result(self, run_id: str) -> ResultRecord | None:
        """Return the result of a run that no correction supersedes, or None."""
        results = self.results(run_id)
        return results[-1] if results else None

    def all_results(self) -> list[ResultRecord]:
        """Return every result, in the order of commit."""
        return [ResultRecord(**row) for row in self.query("SELECT * FROM results ORDER BY audit_seq")]

    def results_since(self, stream: str, audit_seq: int, before: int | None = None) -> list[tuple[str, str]]:
        """Return ids of newest result and run of a stream's runs concluded after an audit entry, up to `before`."""
        rows = self.query(
            "SELECT (SELECT id FROM results AS n WHERE n.run = r.run ORDER BY n.audit_seq DESC LIMIT 1) AS id, run "
            "FROM results AS r WHERE stream = ? AND audit_seq > ? AND audit_seq <= ? AND supersedes IS NULL "
            "ORDER BY audit_seq",
            [stream, audit_seq, _NO_END if before is None else before],
        )
        return [(row["id"], row["run"]) for row in rows]

    def last_result(self, stream: str) -> ResultRecord | None:
        """Return the first result of the run of a stream that was concluded last, or None; corrections are later."""
        rows = self.query(
            "SELECT * FROM results WHERE stream = ? AND supersedes IS NULL ORDER BY audit_seq DESC LIMIT 1", [stream]
        )
        return ResultRecord(**rows[0]) if rows else None

    def result_rows(self, where: str, parameters: Sequence[Any], limit: int, *, skip: int = 0) -> list[ResultRecord]:
        """Return at most `limit` (-1: all) results that satisfy a condition in SQL, without the first `skip`."""
        # A damaged text in one result must not hold up the others.
        found = self.rows(f"{_RESULT} WHERE {where} LIMIT ? OFFSET ?", [*parameters, limit, skip], damaged_text=True)
        return [ResultRecord(*row) for row in found]

    # instruments

    def verifications(self, instrument: str) -> list[AuditEntry]:
        """Return the audit entries of an instrument's verifications, oldest first."""
        rows = self.query("SELECT * FROM audit WHERE what = 'verification' AND subject = ? ORDER BY seq", [instrument])
        return [AuditEntry(**row) for row in rows]

    def health(self, instrument: str, *, limit: int = 50) -> dict[str, dict[str, Any]]:
        """Return the health figures of an instrument's newest runs, by run, oldest first."""
        rows = self.query(
            "SELECT run, data FROM health WHERE instrument = ? ORDER BY utc_ns DESC, rowid DESC LIMIT ?",
            [instrument, limit],
        )
        return {row["run"]: json.loads(row["data"]) for row in reversed(rows)}

    # methods, instruments, audit trail

    def method(self, method_id: str, version: str) -> MethodRecord | None:
        """Return a registered method, or None."""
        rows = self.query("SELECT * FROM methods WHERE id = ? AND version = ?", [method_id, version])
        return MethodRecord(**rows[0]) if rows else None

    def instruments(self) -> list[InstrumentRecord]:
        """Return all instruments ever connected, in alphabetical order."""
        return [InstrumentRecord(**row) for row in self.query("SELECT * FROM instruments ORDER BY name")]

    def audit(self, *, after: int = 0, limit: int = -1) -> list[AuditEntry]:
        """Return at most `limit` (-1: all) audit entries with a number above `after`, in order."""
        rows = self.query("SELECT * FROM audit WHERE seq > ? ORDER BY seq LIMIT ?", [after, limit])
        return [AuditEntry(**row) for row in rows]

    # the outbox; more queries of it are in `daq.adapters.store.outgoing.outbox_reading`

    def waiting(self, *, after: int = 0, limit: int = 100) -> list[Message]:
        """Return waiting messages with a number above `after`, oldest first."""
        # The second term repeats the condition of the partial index `delivery_pending`.  Without it SQLite does not
        # use the index and reads the whole table.
        return self.outbox(
            "d.state = 'waiting' AND d.state <> 'acknowledged' AND d.seq > ? ORDER BY d.seq", [after], limit
        )

    def message(self, seq: int) -> Message | None:
        """Return a message by its number in the outbox, or None."""
        found = self.outbox("d.seq = ?", [seq], 1)
        return found[0] if found else None

    def refused(self, *, limit: int = 100) -> list[Message]:
        """Return the refused messages, quarantined or not, oldest first."""
        return self.outbox("d.state = 'refused' AND d.state <> 'acknowledged' ORDER BY d.seq", [], limit)

    def messages(self, result_id: str) -> list[Message]:
        """Return the messages of a result, in any state."""
        return self.outbox("m.result = ? ORDER BY m.seq", [result_id], -1, source=BY_CONTENT)

    def outbox(self, where: str, parameters: Sequence[Any], limit: int, *, source: str = BY_STATE) -> list[Message]:
        """Return at most `limit` (-1: all) messages that satisfy a condition in SQL.

        The condition names columns of `outbox` with ``m.`` and columns of `delivery` with ``d.``.
        """
        # A damaged text in one message must not hold up the others.
        found = self.rows(f"{_MESSAGE} {source} WHERE {where} LIMIT ?", [*parameters, limit], damaged_text=True)
        return [_message(row) for row in found]

    def outbox_depth(self) -> OutboxDepth:
        """Return the numbers of messages that are not acknowledged, and the time of the oldest."""
        (waiting,) = self.query(
            "SELECT count(*) AS n FROM delivery WHERE state = 'waiting' AND state <> 'acknowledged'"
        )
        rows = self.query(
            "SELECT CASE WHEN NOT quarantined THEN '' WHEN last_error = ? THEN 'changed' ELSE 'quarantined' END "
            "AS kind, count(*) AS n FROM delivery WHERE state = 'refused' AND state <> 'acknowledged' GROUP BY 1",
            [CHANGED],
        )
        counts = {row["kind"]: row["n"] for row in rows}
        return OutboxDepth(
            waiting=waiting["n"],
            refused=counts.get("", 0),
            quarantined=counts.get("quarantined", 0),
            changed=counts.get("changed", 0),
            oldest_utc_ns=self._oldest(),
        )

    def _oldest(self) -> int | None:
        """Return the time (UTC ns) at which the oldest message that is not acknowledged was put into the outbox."""
        found = self.query(
            "SELECT min(again_utc_ns) AS t FROM delivery WHERE state <> 'acknowledged' AND again_utc_ns IS NOT NULL"
        )
        # Messages get their numbers in the order of commit, so the first one of each state is enough.
        for state in ("waiting", "refused"):
            found += self.query(
                f"SELECT m.created_utc_ns AS t {BY_STATE} WHERE d.state = '{state}' AND d.state <> 'acknowledged' "
                "AND d.again_utc_ns IS NULL ORDER BY d.seq LIMIT 1"
            )
        return min((int(row["t"]) for row in found if row["t"] is not None), default=None)


def _escaped(raw: bytes) -> str:
    return raw.decode("utf-8", "backslashreplace")


def _message(row: tuple[Any, ...]) -> Message:
    *values, basis = row
    values[_PAYLOAD] = unpacked(values[_PAYLOAD], basis)
    for i in _FLAGS:
        values[i] = bool(values[i])
    return Message(*values)
