"""Everything that is ever written, as whole transactions.

Each is plain data with an `apply`, run by the store's writer thread between BEGIN and
COMMIT: it happens wholly or not at all.
"""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, Final, Generic, TypeVar

from daq.adapters.store.access import Access
from daq.adapters.store.rows import Committed, RunRecord
from daq.adapters.store.steps import Build, add_audit, add_block, add_result, journal_head
from daq.core.errors import SettingError, StoreError
from daq.core.journal import Block

T = TypeVar("T")

_RUN_COLUMNS: Final = tuple(f.name for f in fields(RunRecord))


class Transaction(Generic[T]):
    """One unit of writing."""

    kind: ClassVar[str]
    together: ClassVar[bool] = False
    """Whether it may share a commit with others of which this is true."""

    def apply(self, access: Access) -> T:
        """Do it; the caller begins and commits."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Ping(Transaction[None]):
    """Nothing; that it is carried out shows that the writer lives."""

    kind: ClassVar[str] = "ping"

    def apply(self, access: Access) -> None:
        access.one("ping", "SELECT 1")


@dataclass(frozen=True, slots=True)
class RegisterMethod(Transaction[None]):
    """Keep a method's text.  The same again is nothing new.

    Raises:
        SettingError: the version is registered with another digest.
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
    """Note that an instrument was there; another serial number than before is audited."""

    kind: ClassVar[str] = "see_instrument"
    name: str
    instrument_kind: str
    serial: str
    utc_ns: int

    def apply(self, access: Access) -> None:
        known = access.one("known", "SELECT serial FROM instruments WHERE name = ?", (self.name,))
        access.run(
            "upsert",
            "INSERT INTO instruments VALUES (?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET "
            "kind = excluded.kind, serial = excluded.serial, last_seen_utc_ns = excluded.last_seen_utc_ns",
            (self.name, self.instrument_kind, self.serial, self.utc_ns),
        )
        if known is None or known[0] != self.serial:
            detail = {"serial": self.serial, "before": known[0] if known else None}
            add_audit(access, self.utc_ns, "daemon", "instrument_identified", self.name, detail)


@dataclass(frozen=True, slots=True)
class BeginRun(Transaction[None]):
    """A run begins: its record with header, and an audit entry.

    Raises:
        StorageError: too little space is left on the disk for a run to come to its end.
    """

    kind: ClassVar[str] = "begin_run"
    run: RunRecord

    def apply(self, access: Access) -> None:
        access.require_space()
        run = self.run
        values = {name: getattr(run, name) for name in _RUN_COLUMNS}
        values["companions"] = json.dumps(run.companions)
        values["simulated"] = int(run.simulated)
        access.run(
            "run",
            f"INSERT INTO runs ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608 - our names
            tuple(values.values()),
        )
        detail = {"instrument": run.instrument, "sample": run.sample, "method": f"{run.method_id} {run.method_version}"}
        add_audit(access, run.began_utc_ns, run.operator, "run_started", run.id, detail)


@dataclass(frozen=True, slots=True)
class AppendBlock(Transaction[None]):
    """The next block of a run's journal.

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
    """The result of a run: last block, kept values, result, audit entry and messages, all or nothing.

    `kept` holds JSON texts.  A run that has its result already keeps it: the stored one is answered.
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
    """"" takes the run's instrument."""
    verification: Mapping[str, Any] | None = None
    """Where the run verified its instrument: what is audited of it."""

    def apply(self, access: Access) -> Committed:
        run = access.one("run_known", "SELECT instrument FROM runs WHERE id = ?", (self.run,))
        if run is None:
            raise StoreError(f"run {self.run} is not in the store: it must begin before it can conclude")
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
        return add_result(
            access,
            run=self.run,
            result_id=self.result_id,
            stream=self.stream or run[0],
            utc_ns=self.utc_ns,
            supersedes=None,
            audit=head,
            build=self.build,
        )


@dataclass(frozen=True, slots=True)
class Correct(Transaction[Committed]):
    """A correction: a new result that supersedes the newest one of its run.

    Raises:
        StoreError: the result to correct is not known, or was corrected already.
    """

    kind: ClassVar[str] = "correct"
    supersedes: str
    result_id: str
    reason: str
    utc_ns: int
    who: str
    build: Build

    def apply(self, access: Access) -> Committed:
        old = access.one("old", "SELECT run, stream FROM results WHERE id = ?", (self.supersedes,))
        if old is None:
            raise StoreError(f"result {self.supersedes} is not in the store: nothing to correct")
        newer = access.one("newer", "SELECT id FROM results WHERE supersedes = ?", (self.supersedes,))
        if newer is not None:
            raise StoreError(f"result {self.supersedes} was corrected already: correct {newer[0]} instead")
        audit = {"result": self.result_id, "supersedes": self.supersedes, "reason": self.reason}
        head = add_audit(access, self.utc_ns, self.who, "result_corrected", old[0], audit)
        return add_result(
            access,
            run=old[0],
            result_id=self.result_id,
            stream=old[1],
            utc_ns=self.utc_ns,
            supersedes=self.supersedes,
            audit=head,
            build=self.build,
        )


@dataclass(frozen=True, slots=True)
class EndRun(Transaction[None]):
    """What became of the motor, the rest of the journal, and an audit entry that holds the result's digest.

    Raises:
        StoreError: the run has no result yet.
    """

    kind: ClassVar[str] = "end_run"
    run: str
    motor: str
    utc_ns: int
    who: str
    block: Block | None = None

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
            "journal_digest": journal_head(access, self.run)[1],
            "result_digest": hashlib.sha256(result[0].encode()).hexdigest(),
        }
        add_audit(access, self.utc_ns, self.who, "run_ended", self.run, audit)


@dataclass(frozen=True, slots=True)
class NoteHealth(Transaction[None]):
    """What an ended run tells of its instrument's health.  Told twice, the later one stands."""

    kind: ClassVar[str] = "note_health"
    run: str
    instrument: str
    utc_ns: int
    data: Mapping[str, Any]

    def apply(self, access: Access) -> None:
        access.run(
            "health",
            "INSERT INTO health VALUES (?, ?, ?, ?) ON CONFLICT (run) DO UPDATE SET data = excluded.data",
            (self.run, self.instrument, self.utc_ns, json.dumps(self.data, sort_keys=True)),
        )


@dataclass(frozen=True, slots=True)
class Audit(Transaction[str]):
    """An entry in the audit trail; answers its hash, the new head."""

    kind: ClassVar[str] = "audit"
    utc_ns: int
    who: str
    what: str
    subject: str
    detail: Mapping[str, Any] = field(default_factory=dict)

    def apply(self, access: Access) -> str:
        return add_audit(access, self.utc_ns, self.who, self.what, self.subject, self.detail)[1]
