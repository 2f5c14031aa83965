"""The transactions on runs, results, instruments, methods and the audit trail.

Each is plain data with an `apply`, which the store's writer thread runs between BEGIN and COMMIT: all of it is written,
or nothing.
"""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, ClassVar, Final

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.audit import digest_of
from daq.adapters.store.declared import NUMBER
from daq.adapters.store.rows import AUDITED_OF_A_RUN, Committed, RunRecord
from daq.adapters.store.steps import Build, Follow, add_audit, add_block, add_result, journal_head
from daq.core.errors import SettingError, StoreError
from daq.core.journal_block import Block

_RUN_COLUMNS: Final = tuple(f.name for f in fields(RunRecord))


@dataclass(frozen=True, slots=True)
class Ping(Transaction[None]):
    """Write nothing; its end shows that the writer works."""

    kind: ClassVar[str] = "ping"

    def apply(self, access: Access) -> None:
        access.one("ping", "SELECT 1")


@dataclass(frozen=True, slots=True)
class RegisterMethod(Transaction[None]):
    """Store a method's text.  A repetition with the same digest changes nothing.

    Raises:
        SettingError: this version of the method is registered with another digest.
    """

    kind: ClassVar[str] = "register_method"
    id: str
    version: str
    digest: str
    text: str
    utc_ns: int
    who: str

    def apply(self, access: Access) -> None:
        known = access.one("known", "SELECT digest FROM methods WHERE id = ? AND version = ?", (self.id, self.version))
        if known is not None:
            if known[0] != self.digest:
                raise SettingError(
                    f"version {self.version} of method {self.id} was used before with other content (digest "
                    f"{known[0][:12]}, now {self.digest[:12]}): give the changed method a new version",
                    key="version",
                )
            return
        access.run(
            "insert",
            "INSERT INTO methods VALUES (?, ?, ?, ?, ?)",
            (self.id, self.version, self.digest, self.text, self.utc_ns),
        )
        detail = {"digest": self.digest}
        add_audit(access, self.utc_ns, self.who, "method_registered", f"{self.id} {self.version}", detail)


@dataclass(frozen=True, slots=True)
class SeeInstrument(Transaction[None]):
    """Store that an instrument was connected; a new serial number or kind gets an audit entry."""

    kind: ClassVar[str] = "see_instrument"
    name: str
    instrument_kind: str
    serial: str
    utc_ns: int

    def apply(self, access: Access) -> None:
        known = access.one("known", "SELECT serial, kind FROM instruments WHERE name = ?", (self.name,))
        access.run(
            "upsert",
            "INSERT INTO instruments VALUES (?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET "
            "kind = excluded.kind, serial = excluded.serial, last_seen_utc_ns = excluded.last_seen_utc_ns",
            (self.name, self.instrument_kind, self.serial, self.utc_ns),
        )
        if known is None or known != (self.serial, self.instrument_kind):
            detail = {
                "serial": self.serial,
                "instrument_kind": self.instrument_kind,
                "before": known[0] if known else None,
            }
            add_audit(access, self.utc_ns, "daemon", "instrument_identified", self.name, detail)


@dataclass(frozen=True, slots=True)
class BeginRun(Transaction[int]):
    """Store the start of a run: record with header, and audit entry; return its number among the runs of its sample.

    Attributes:
        run: the record; its operator is the name that the order gives.
        who: login from which the order came, for the audit trail; "" means the operator.
        anyway: reasons why its result will not be comparable, which the order accepts.
        counted: the run gets the next number of its sample and method, here, where no other run can start between
            count and start; otherwise it has that of its record.

    Raises:
        StorageError: too little disk space is left for the run to end.
    """

    kind: ClassVar[str] = "begin_run"
    run: RunRecord
    who: str = ""
    anyway: tuple[str, ...] = ()
    counted: bool = False

    def apply(self, access: Access) -> int:
        access.require_space()
        run = self.run
        if self.counted:
            found = access.one("number", NUMBER, (run.sample, run.method_id))
            run = replace(run, replicate=1 if found is None else int(found[0]))
        values = {name: getattr(run, name) for name in _RUN_COLUMNS}
        values["companions"] = json.dumps(run.companions)
        values["simulated"] = int(run.simulated)
        access.run(
            "run",
            f"INSERT INTO runs ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608 - our names
            tuple(values.values()),
        )
        detail = {name: values[name] for name in AUDITED_OF_A_RUN} | {"header_digest": digest_of(run.header)}
        if self.anyway:
            detail["anyway"] = list(self.anyway)
        add_audit(access, run.began_utc_ns, self.who or run.operator, "run_started", run.id, detail)
        return run.replicate


@dataclass(frozen=True, slots=True)
class AppendBlock(Transaction[None]):
    """Append the next block to a run's journal.

    Raises:
        StoreError: the block does not follow the one stored before it.
    """

    kind: ClassVar[str] = "append_block"
    together: ClassVar[bool] = True
    run: str
    block: Block

    def apply(self, access: Access) -> None:
        add_block(access, self.run, self.block)


@dataclass(frozen=True, slots=True)
class Conclude(Transaction[Committed]):
    """Store the result of a run: last block, kept values, result, audit entry and messages.

    `kept` holds JSON texts.  A run that has a result keeps it, and the stored one is returned.

    Raises:
        StoreError: the run does not exist, or the block does not follow the stored one.
    """

    kind: ClassVar[str] = "conclude"
    run: str
    result_id: str
    outcome: str
    reason: str
    utc_ns: int
    who: str
    build: Build
    kept: tuple[str, ...] = ()
    block: Block | None = None
    stream: str = ""
    """Stream of the result; "" means the run's instrument."""
    verification: Mapping[str, Any] | None = None
    """Detail of the audit entry of a verification; None where the run is none."""
    follow: Follow | None = None
    """Stores what follows from a verification.  The result is stored also where that fails."""

    def apply(self, access: Access) -> Committed:
        run = access.one("run_known", "SELECT instrument FROM runs WHERE id = ?", (self.run,))
        if run is None:
            raise StoreError(f"run {self.run} is not in the store: it must start before it can conclude")
        first = access.one(
            "result_known",
            "SELECT id, stream, sequence, audit_head, journal_digest FROM results WHERE run = ? AND supersedes IS NULL",
            (self.run,),
        )
        if first is not None:
            return Committed(first[0], first[1], first[2], first[3], first[4], repeated=True)
        if self.block is not None:
            add_block(access, self.run, self.block)
        access.many(
            "kept",
            "INSERT INTO kept VALUES (?, ?, ?)",
            [(self.run, index, value) for index, value in enumerate(self.kept)],
        )
        access.run(
            "run",
            "UPDATE runs SET state = 'concluded', outcome = ?, reason = ? WHERE id = ?",
            (self.outcome, self.reason, self.run),
        )
        if self.verification is not None:
            add_audit(access, self.utc_ns, self.who, "verification", run[0], self.verification)
        audit = {"result": self.result_id, "outcome": self.outcome, "reason": self.reason}
        head = add_audit(access, self.utc_ns, self.who, "run_concluded", self.run, audit)
        done = add_result(
            access,
            run=self.run,
            result_id=self.result_id,
            stream=self.stream or run[0],
            utc_ns=self.utc_ns,
            who=self.who,
            supersedes=None,
            audit=head,
            build=self.build,
        )
        if self.follow is not None:
            _follow_or_undo(access, self.follow)
        return done


def _follow_or_undo(access: Access, follow: Follow) -> None:
    """Store what follows from a result; where that fails, undo it alone, because a result is never lost."""
    audited = access.audited
    access.run("follow", "SAVEPOINT follow")
    try:
        follow(access)
    except sqlite3.Error:
        raise
    except Exception:  # noqa: BLE001 - for example a record that was changed behind the program's back
        import structlog  # noqa: PLC0415 - a command that lists runs takes less time than this import

        structlog.get_logger().exception("what follows from a verification was not stored")
        access.run("follow_undone", "ROLLBACK TO follow")
        access.audited = audited
    access.run("followed", "RELEASE follow")


@dataclass(frozen=True, slots=True)
class EndRun(Transaction[None]):
    """Store the end of a run: state of the motor, last block, and an audit entry with the result's digest.

    `clock` is the evidence about the machine's clock over the run (`daq.app.run.clock_watch`).

    Raises:
        StoreError: the run does not exist or has no result.
    """

    kind: ClassVar[str] = "end_run"
    run: str
    motor: str
    utc_ns: int
    who: str
    block: Block | None = None
    clock: Mapping[str, Any] | None = None

    def apply(self, access: Access) -> None:
        row = access.one("run_known", "SELECT state FROM runs WHERE id = ?", (self.run,))
        if row is None:
            raise StoreError(f"run {self.run} is not in the store")
        if row[0] == "ended":
            return
        result = access.one("result", "SELECT data FROM results WHERE run = ? AND supersedes IS NULL", (self.run,))
        if result is None:
            raise StoreError(f"run {self.run} has no result: conclude it before it ends")
        if self.block is not None:
            add_block(access, self.run, self.block)
        access.run(
            "run",
            "UPDATE runs SET state = 'ended', motor = ?, ended_utc_ns = ? WHERE id = ?",
            (self.motor, self.utc_ns, self.run),
        )
        audit = {
            "motor": self.motor,
            "ended_utc_ns": self.utc_ns,
            "journal_digest": journal_head(access, self.run)[1],
            "result_digest": digest_of(result[0]),
        } | ({} if self.clock is None else {"clock": dict(self.clock)})
        add_audit(access, self.utc_ns, self.who, "run_ended", self.run, audit)


@dataclass(frozen=True, slots=True)
class NoteHealth(Transaction[None]):
    """Store the health figures of an instrument from an ended run, with an audit entry; a repetition replaces them."""

    kind: ClassVar[str] = "note_health"
    run: str
    instrument: str
    utc_ns: int
    data: Mapping[str, Any]

    def apply(self, access: Access) -> None:
        data = json.dumps(self.data, sort_keys=True)
        access.run(
            "health",
            "INSERT INTO health VALUES (?, ?, ?, ?) ON CONFLICT (run) DO UPDATE SET "
            "instrument = excluded.instrument, utc_ns = excluded.utc_ns, data = excluded.data",
            (self.run, self.instrument, self.utc_ns, data),
        )
        detail = {"instrument": self.instrument, "digest": digest_of(data)}
        add_audit(access, self.utc_ns, "daemon", "health_noted", self.run, detail)


@dataclass(frozen=True, slots=True)
class Audit(Transaction[str]):
    """Append an entry to the audit trail and return its hash, the new head."""

    kind: ClassVar[str] = "audit"
    utc_ns: int
    who: str
    what: str
    subject: str
    detail: Mapping[str, Any] = field(default_factory=dict)

    def apply(self, access: Access) -> str:
        return add_audit(access, self.utc_ns, self.who, self.what, self.subject, self.detail)[1]
