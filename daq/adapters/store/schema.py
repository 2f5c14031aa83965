"""The database's tables as numbered, frozen migrations.

A released migration is never edited: a test compares the digest of each.  A change of the tables is a new migration at
the end of `STEPS`.  A migration that fails is rolled back as a whole and stays pending.
"""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from daq.core.errors import StoreError

if TYPE_CHECKING:
    from sqlite_utils import Database, Migrations

MIGRATION_SET: Final = "daq"

BASELINE_0001: Final = """
CREATE TABLE meta (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    source TEXT NOT NULL,
    epoch INTEGER NOT NULL CHECK (epoch > 0),
    created_utc_ns INTEGER NOT NULL,
    restored_utc_ns INTEGER
) STRICT;

CREATE TABLE instruments (
    name TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    serial TEXT NOT NULL,
    last_seen_utc_ns INTEGER NOT NULL
) STRICT;

CREATE TABLE methods (
    id TEXT NOT NULL,
    version TEXT NOT NULL,
    digest TEXT NOT NULL,
    text TEXT NOT NULL,
    registered_utc_ns INTEGER NOT NULL,
    PRIMARY KEY (id, version)
) STRICT;

CREATE TABLE audit (
    seq INTEGER PRIMARY KEY,
    utc_ns INTEGER NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL CHECK (json_valid(detail)),
    previous TEXT NOT NULL,
    hash TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE runs (
    id TEXT PRIMARY KEY,
    instrument TEXT NOT NULL,
    companions TEXT NOT NULL CHECK (json_valid(companions)),
    sample TEXT NOT NULL,
    product TEXT NOT NULL,
    lot TEXT NOT NULL,
    fill TEXT NOT NULL,
    replicate INTEGER NOT NULL CHECK (replicate > 0),
    sampled_at TEXT NOT NULL,
    method_id TEXT NOT NULL,
    method_version TEXT NOT NULL,
    method_digest TEXT NOT NULL,
    operator TEXT NOT NULL,
    simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
    state TEXT NOT NULL CHECK (state IN ('running', 'concluded', 'ended')),
    outcome TEXT NOT NULL DEFAULT '',
    reason TEXT NOT NULL DEFAULT '',
    motor TEXT NOT NULL DEFAULT '',
    began_utc_ns INTEGER NOT NULL,
    ended_utc_ns INTEGER,
    header TEXT NOT NULL CHECK (json_valid(header)),
    FOREIGN KEY (method_id, method_version) REFERENCES methods (id, version)
) STRICT;
CREATE INDEX runs_by_time ON runs (began_utc_ns);
CREATE INDEX runs_by_sample ON runs (sample);
CREATE INDEX runs_unfinished ON runs (state) WHERE state <> 'ended';

CREATE TABLE journal (
    run TEXT NOT NULL REFERENCES runs (id),
    seq INTEGER NOT NULL,
    t_first INTEGER NOT NULL,
    t_last INTEGER NOT NULL,
    records INTEGER NOT NULL,
    data BLOB NOT NULL,
    digest TEXT NOT NULL,
    PRIMARY KEY (run, seq)
) STRICT;

CREATE TABLE kept (
    run TEXT NOT NULL REFERENCES runs (id),
    idx INTEGER NOT NULL,
    value TEXT NOT NULL CHECK (json_valid(value)),
    PRIMARY KEY (run, idx)
) STRICT;

CREATE TABLE results (
    id TEXT PRIMARY KEY,
    run TEXT NOT NULL REFERENCES runs (id),
    epoch INTEGER NOT NULL,
    stream TEXT NOT NULL,
    sequence INTEGER NOT NULL CHECK (sequence > 0),
    data TEXT NOT NULL CHECK (json_valid(data)),
    created_utc_ns INTEGER NOT NULL,
    supersedes TEXT REFERENCES results (id),
    audit_seq INTEGER NOT NULL REFERENCES audit (seq),
    audit_head TEXT NOT NULL,
    journal_digest TEXT NOT NULL,
    UNIQUE (epoch, stream, sequence)
) STRICT;
CREATE UNIQUE INDEX one_first_result_a_run ON results (run) WHERE supersedes IS NULL;
CREATE UNIQUE INDEX one_correction_a_result ON results (supersedes) WHERE supersedes IS NOT NULL;

CREATE TABLE outbox (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL,
    result TEXT REFERENCES results (id),
    stream TEXT NOT NULL,
    sequence INTEGER NOT NULL,
    topic TEXT NOT NULL,
    qos INTEGER NOT NULL CHECK (qos IN (0, 1)),
    retain INTEGER NOT NULL CHECK (retain IN (0, 1)),
    payload BLOB NOT NULL,
    properties TEXT NOT NULL CHECK (json_valid(properties)),
    created_utc_ns INTEGER NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    last_error TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'acknowledged', 'refused')),
    acknowledged_utc_ns INTEGER,
    quarantined INTEGER NOT NULL DEFAULT 0 CHECK (quarantined IN (0, 1)),
    refused_utc_ns INTEGER,
    again_utc_ns INTEGER
) STRICT;
CREATE INDEX outbox_pending ON outbox (state, seq) WHERE state <> 'acknowledged';
CREATE INDEX outbox_by_stream ON outbox (stream, sequence);
CREATE INDEX outbox_by_result ON outbox (result);

CREATE TABLE health (
    run TEXT PRIMARY KEY REFERENCES runs (id),
    instrument TEXT NOT NULL,
    utc_ns INTEGER NOT NULL,
    data TEXT NOT NULL CHECK (json_valid(data))
) STRICT;
CREATE INDEX health_by_instrument ON health (instrument, utc_ns);
CREATE INDEX audit_verifications ON audit (subject, seq) WHERE what = 'verification';
CREATE INDEX results_by_stream ON results (stream, audit_seq, id, run);

CREATE INDEX outbox_by_acknowledgement ON outbox (acknowledged_utc_ns) WHERE acknowledged_utc_ns IS NOT NULL;
CREATE INDEX outbox_retained ON outbox (topic, seq) WHERE retain;
CREATE INDEX outbox_refused ON outbox (topic, seq) WHERE state = 'refused';
CREATE TABLE broker_session (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    broker TEXT NOT NULL,
    known_utc_ns INTEGER NOT NULL,
    open INTEGER NOT NULL CHECK (open IN (0, 1))
) STRICT;

CREATE INDEX audit_by_subject ON audit (subject, seq);
CREATE INDEX audit_samples ON audit (json_extract(detail, '$.sample')) WHERE what = 'run_started';
CREATE INDEX results_by_run ON results (run, audit_seq);

CREATE TRIGGER audit_in_order BEFORE INSERT ON audit
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM audit)
BEGIN SELECT RAISE(ABORT, 'audit entries are only added at the end'); END;
CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit
BEGIN SELECT RAISE(ABORT, 'audit entries are never changed'); END;
CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit
BEGIN SELECT RAISE(ABORT, 'audit entries are never deleted'); END;
CREATE TRIGGER methods_no_update BEFORE UPDATE ON methods
BEGIN SELECT RAISE(ABORT, 'a registered method is never changed'); END;
CREATE TRIGGER journal_no_update BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'journal blocks are never changed'); END;
CREATE TRIGGER results_no_update BEFORE UPDATE ON results
BEGIN SELECT RAISE(ABORT, 'a result is never changed; a correction is a new one'); END;
CREATE TRIGGER outbox_frozen BEFORE UPDATE OF id, result, stream, sequence, topic, qos, retain, payload ON outbox
BEGIN SELECT RAISE(ABORT, 'a message is frozen when it is committed'); END;
"""

RECORDS_0002: Final = """
CREATE TABLE records (
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    revision INTEGER NOT NULL CHECK (revision > 0),
    data TEXT NOT NULL CHECK (json_valid(data)),
    audit_seq INTEGER NOT NULL UNIQUE REFERENCES audit (seq),
    PRIMARY KEY (kind, id, revision)
) STRICT;

CREATE TABLE record_keys (
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    id TEXT NOT NULL,
    PRIMARY KEY (kind, name, value, id)
) STRICT;
CREATE INDEX record_keys_by_id ON record_keys (kind, id);

CREATE TRIGGER records_no_update BEFORE UPDATE ON records
BEGIN SELECT RAISE(ABORT, 'a revision of a record is never changed; a change is a new revision'); END;
CREATE TRIGGER records_no_delete BEFORE DELETE ON records
BEGIN SELECT RAISE(ABORT, 'a revision of a record is never deleted'); END;
"""

DELIVERY_0003: Final = """
PRAGMA ignore_check_constraints = ON;
DROP TRIGGER outbox_frozen;
DROP INDEX outbox_pending;
DROP INDEX outbox_by_stream;
DROP INDEX outbox_by_result;
DROP INDEX outbox_by_acknowledgement;
DROP INDEX outbox_retained;
DROP INDEX outbox_refused;
ALTER TABLE outbox RENAME TO outbox_of_0002;

CREATE TABLE outbox (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL,
    result TEXT REFERENCES results (id),
    stream TEXT NOT NULL,
    sequence INTEGER NOT NULL,
    topic TEXT NOT NULL,
    qos INTEGER NOT NULL CHECK (qos IN (0, 1)),
    retain INTEGER NOT NULL CHECK (retain IN (0, 1)),
    properties TEXT NOT NULL CHECK (json_valid(properties)),
    created_utc_ns INTEGER NOT NULL,
    payload BLOB NOT NULL
) STRICT;
INSERT INTO outbox
SELECT seq, id, result, stream, sequence, topic, qos, retain, properties, created_utc_ns, payload
FROM outbox_of_0002 ORDER BY seq;

CREATE TABLE delivery (
    seq INTEGER PRIMARY KEY REFERENCES outbox (seq),
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'acknowledged', 'refused')),
    attempts INTEGER NOT NULL DEFAULT 0,
    last_error TEXT NOT NULL DEFAULT '',
    acknowledged_utc_ns INTEGER,
    quarantined INTEGER NOT NULL DEFAULT 0 CHECK (quarantined IN (0, 1)),
    refused_utc_ns INTEGER,
    again_utc_ns INTEGER
) STRICT;
INSERT INTO delivery
SELECT seq, state, attempts, last_error, acknowledged_utc_ns, quarantined, refused_utc_ns, again_utc_ns
FROM outbox_of_0002 ORDER BY seq;
DROP TABLE outbox_of_0002;

CREATE INDEX outbox_by_id ON outbox (id);
CREATE INDEX outbox_by_result ON outbox (result);
CREATE INDEX outbox_by_stream ON outbox (stream, sequence);
CREATE INDEX outbox_by_time ON outbox (created_utc_ns);
CREATE INDEX outbox_retained ON outbox (topic, seq) WHERE retain;
CREATE INDEX delivery_pending ON delivery (state, seq) WHERE state <> 'acknowledged';
CREATE INDEX delivery_again ON delivery (again_utc_ns) WHERE state <> 'acknowledged' AND again_utc_ns IS NOT NULL;
CREATE INDEX delivery_by_acknowledgement ON delivery (acknowledged_utc_ns) WHERE acknowledged_utc_ns IS NOT NULL;
CREATE TRIGGER outbox_frozen BEFORE UPDATE ON outbox
BEGIN SELECT RAISE(ABORT, 'a message is frozen when it is committed'); END;

DROP INDEX runs_by_sample;
CREATE INDEX runs_by_sample ON runs (sample, began_utc_ns);
CREATE INDEX runs_by_instrument ON runs (instrument, began_utc_ns);
CREATE INDEX runs_by_product ON runs (product, began_utc_ns);
CREATE INDEX runs_by_fill ON runs (fill, began_utc_ns) WHERE fill <> '';
CREATE INDEX runs_with_motor_in_doubt ON runs (motor) WHERE motor = 'may_still_be_turning';
CREATE INDEX results_by_epoch ON results (stream, epoch, audit_seq);
CREATE INDEX audit_by_time ON audit (utc_ns);
CREATE INDEX audit_epochs ON audit (what, seq) WHERE what = 'epoch_started';
PRAGMA ignore_check_constraints = OFF;
"""

ATTRIBUTION_0004: Final = """
ALTER TABLE runs ADD COLUMN attribution TEXT NOT NULL DEFAULT 'unattributed'
    CHECK (attribution IN ('unattributed', 'authorised', 'not_authorised'));
"""

VERDICT: Final = "CASE WHEN json_valid(data) THEN json_extract(data, '$.verdict.verdict') END"
"""Verdict of a row of `results`, as `results_by_verdict` has it: SQLite uses the index for this expression only."""

SEARCH_0005: Final = """
CREATE INDEX runs_by_lot ON runs (lot, began_utc_ns);
CREATE INDEX runs_by_operator ON runs (operator, began_utc_ns);
CREATE INDEX runs_by_outcome ON runs (outcome, began_utc_ns);
CREATE INDEX results_by_verdict ON results
    (run, CASE WHEN json_valid(data) THEN json_extract(data, '$.verdict.verdict') END);
"""

RETENTION_0006: Final = """
CREATE TABLE streams (
    epoch INTEGER NOT NULL,
    stream TEXT NOT NULL,
    last INTEGER NOT NULL CHECK (last > 0),
    PRIMARY KEY (epoch, stream)
) STRICT;
INSERT INTO streams SELECT epoch, stream, max(sequence) FROM results GROUP BY epoch, stream;
CREATE TRIGGER streams_only_grow BEFORE UPDATE ON streams
WHEN NEW.last <= OLD.last OR NEW.epoch <> OLD.epoch OR NEW.stream <> OLD.stream
BEGIN SELECT RAISE(ABORT, 'the last number of a stream only grows'); END;
CREATE TRIGGER streams_no_delete BEFORE DELETE ON streams
BEGIN SELECT RAISE(ABORT, 'the last number of a stream is never deleted'); END;

CREATE TRIGGER journal_no_delete BEFORE DELETE ON journal
WHEN NOT EXISTS (SELECT 1 FROM audit WHERE subject = OLD.run AND what = 'journal_archived')
BEGIN SELECT RAISE(ABORT, 'journal blocks are deleted only after the audit trail names their archive'); END;

DROP TRIGGER outbox_frozen;
CREATE TRIGGER outbox_frozen BEFORE UPDATE ON outbox
WHEN substr(NEW.payload, 1, 1) <> x'00' OR length(NEW.payload) >= length(OLD.payload)
    OR NEW.seq <> OLD.seq OR NEW.id <> OLD.id OR NEW.result IS NOT OLD.result OR NEW.stream <> OLD.stream
    OR NEW.sequence <> OLD.sequence OR NEW.topic <> OLD.topic OR NEW.qos <> OLD.qos OR NEW.retain <> OLD.retain
    OR NEW.properties <> OLD.properties OR NEW.created_utc_ns <> OLD.created_utc_ns
    OR NOT EXISTS (SELECT 1 FROM delivery WHERE seq = OLD.seq AND state = 'acknowledged')
BEGIN SELECT RAISE(ABORT, 'a message is frozen when it is committed'); END;
"""

SCALE_0007: Final = """
CREATE INDEX runs_counted ON runs (began_utc_ns, instrument, operator, replicate, attribution, id);
CREATE INDEX audit_anyway ON audit (utc_ns, subject)
    WHERE what = 'run_started' AND json_extract(detail, '$.anyway') IS NOT NULL;
DROP INDEX results_by_verdict;
CREATE INDEX results_by_verdict ON results
    (CASE WHEN json_valid(data) THEN json_extract(data, '$.verdict.verdict') END, run);
"""

DECLARED_SAMPLE: Final = "CASE WHEN json_valid(data) THEN json_extract(data, '$.sample.id') END"
"""Sample of a row of `results`, as `corrections_by_sample` has it: SQLite uses the index for this expression only."""

CORRECTIONS_0008: Final = """
CREATE INDEX corrections_by_sample ON results
    (CASE WHEN json_valid(data) THEN json_extract(data, '$.sample.id') END) WHERE supersedes IS NOT NULL;
"""

#: Name and SQL of every migration, in order.
STEPS: Final[tuple[tuple[str, str], ...]] = (
    ("0001_baseline", BASELINE_0001),
    ("0002_records", RECORDS_0002),
    ("0003_delivery", DELIVERY_0003),
    ("0004_attribution", ATTRIBUTION_0004),
    ("0005_search", SEARCH_0005),
    ("0006_retention", RETENTION_0006),
    ("0007_scale", SCALE_0007),
    ("0008_corrections", CORRECTIONS_0008),
)
#: Format number of a database with all of them, stored as its `user_version`.
FORMAT: Final = len(STEPS)


NOTED_MIGRATIONS: Final = """
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
"""
"""The table in which sqlite-utils notes migrations, as it makes it."""


def migrations(steps: Sequence[tuple[str, str]] = STEPS) -> "Migrations":
    """Return the migrations for sqlite-utils, which runs each in a separate transaction."""
    from sqlite_utils import Migrations

    known = Migrations(MIGRATION_SET)
    for name, sql in steps:
        known(name=name)(_runner(sql))
    return known


def _runner(sql: str) -> "Callable[[Database], None]":
    def run(db: "Database") -> None:
        db.executescript(sql)

    return run


def migrate(
    db: sqlite3.Connection, steps: Sequence[tuple[str, str]] = STEPS, *, before: Callable[[int], None] | None = None
) -> list[str]:
    """Apply all pending migrations to a database and return their names.

    Args:
        db: the database; a new one has no tables, and gets all of them or none.
        steps: name and SQL of every migration, in order.
        before: is called with the present format number before a database with contents is changed.

    Raises:
        StoreError: the database was written by a newer version of the program, or before the first release.
        sqlite3.Error: a migration failed and was rolled back; those before it are kept where the database had tables.
    """
    applied = _applied(db)
    (found,) = db.execute("PRAGMA user_version").fetchone()
    refuse_format(found, len(steps))
    if unknown := set(applied) - {name for name, _ in steps}:
        raise StoreError(
            f"the database has migrations that this version does not know ({', '.join(sorted(unknown))}): it was "
            "written by a version of daq that was never released; start with a new state directory"
        )
    pending = [name for name, _ in steps if name not in applied]
    if pending and applied and before is not None:
        before(len(applied))
    try:
        if pending:
            _apply(db, steps)
    except sqlite3.IntegrityError as error:
        raise StoreError(
            f"the update to format {len(steps)} failed, and nothing was changed: {error}; `daq verify` names the rows "
            "that are missing or were changed: restore the last good backup"
        ) from error
    # A kill after the last migration leaves the old number with all migrations applied.
    if found != len(steps):
        db.execute(f"PRAGMA user_version = {len(steps)}")
    return pending


def _applied(db: sqlite3.Connection) -> list[str]:
    """Return the names of the migrations that sqlite-utils has noted in a database."""
    if not db.execute("SELECT 1 FROM sqlite_schema WHERE name = '_sqlite_migrations'").fetchone():
        return []
    rows = db.execute("SELECT name FROM _sqlite_migrations WHERE migration_set = ?", (MIGRATION_SET,))
    return [name for (name,) in rows]


def _apply(db: sqlite3.Connection, steps: Sequence[tuple[str, str]]) -> None:
    if not db.execute("SELECT 1 FROM sqlite_schema").fetchone():
        _create(db, steps)
        return
    from sqlite_utils import Database  # its import takes longer than most commands, and most databases need no update

    migrations(steps).apply(Database(db, recursive_triggers=False, execute_plugins=False))


def _create(db: sqlite3.Connection, steps: Sequence[tuple[str, str]]) -> None:
    """Make all tables of a new database in one transaction, as sqlite-utils makes and notes them one by one.

    The import of sqlite-utils takes 0.25 s of processor time, and 0.9 s where pandas is installed; this takes 0.01 s.
    """
    db.execute("BEGIN")
    try:
        for statement in statements(NOTED_MIGRATIONS):
            db.execute(statement)
        for name, sql in steps:
            for statement in statements(sql):
                db.execute(statement)
            noted = (MIGRATION_SET, name, str(datetime.now(UTC)))
            db.execute("INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES (?, ?, ?)", noted)
        db.execute("COMMIT")
    except BaseException:
        db.rollback()
        raise


def statements(sql: str) -> Iterator[str]:
    """Yield the statements of a script; a semicolon in a text or in a trigger ends none.

    Raises:
        ValueError: the last statement has no semicolon.
    """
    part = ""
    *pieces, behind = sql.split(";")
    for piece in pieces:
        part += f"{piece};"
        if sqlite3.complete_statement(part):
            yield part
            part = ""
    if rest := (part + behind).strip():
        raise ValueError(f"a statement has no semicolon at its end: {rest[-80:]!r}")


def refuse_format(found: int, known: int = FORMAT) -> None:
    """Raise `StoreError` where the format number of a database is above the newest that is known."""
    if found > known:
        raise StoreError(
            f"database format {found} is newer than this daq, which reads up to {known}: use the daq that wrote it, or "
            "the copy that was made before the update (daq.db.format-N in the state directory)"
        )
