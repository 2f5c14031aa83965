"""The collector's tables in PostgreSQL as numbered, frozen migrations.

A released migration is never edited: a test compares the digest of each.  A change is a new migration at the end of
`STEPS`.  Each runs in a separate transaction, and only one worker at a time migrates.

The table `lab.keys` keeps (source, id) unique over all months.  A unique index of a partitioned table must contain the
partition key, so an index of `lab.results` could only be on (source, id, time).  It would accept one id with two times
from a faulty sender.  `lab.keys` has one narrow row for every event ever stored.  It is partitioned by the hash of the
source, which its primary key (source, id) contains.
"""

from typing import Final

from psycopg import AsyncConnection

from daq.collect.columns import CURVE, OF_TABLES, RESULT_AT_FIRST, comments, table
from daq.collect.views import ATTRIBUTION_0004, AUTHORISED_0003, RELEASES_0005, VIEWS_0002
from daq.core.errors import StoreError

SCHEMA: Final = "lab"
LOCK: Final = 0x6C6162
"""Class of the advisory locks of a database's collectors ("lab")."""
KEY_PARTS: Final = 16
"""Number of partitions of `lab.keys`."""

TABLES_0001: Final = (
    """
CREATE TABLE lab.sources (
    no integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    source text NOT NULL UNIQUE,
    database uuid NOT NULL,
    epoch integer NOT NULL,
    first_seen timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE lab.sources IS 'Databases of daemons, each with its epoch; a restored backup starts a new epoch.';

CREATE TABLE lab.databases (
    database uuid PRIMARY KEY,
    prefix text NOT NULL,
    bound timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE lab.databases IS
    'The topic prefix of each daemon''s database; messages of that database under another prefix are refused.';

CREATE TABLE lab.keys (
    source integer NOT NULL REFERENCES lab.sources,
    id uuid NOT NULL,
    sequence bigint,
    time timestamptz NOT NULL,
    digest bytea NOT NULL,
    stream text NOT NULL,
    PRIMARY KEY (source, id)
) PARTITION BY HASH (source);
COMMENT ON TABLE lab.keys IS 'One row for every event ever stored.  Curves have no sequence number.';
COMMENT ON COLUMN lab.keys.digest IS 'SHA-256 of the bytes received from the broker';
CREATE UNIQUE INDEX keys_in_order ON lab.keys (source, stream, sequence) WHERE sequence IS NOT NULL;

"""
    + table("results", RESULT_AT_FIRST)
    + """COMMENT ON TABLE lab.results IS 'Every result as published; use lab.results_in_force for reports.';
CREATE TABLE lab.results_elsewhen PARTITION OF lab.results DEFAULT;
CREATE INDEX results_by_product ON lab.results (product, lot, time);
CREATE INDEX results_by_sample ON lab.results (sample, time);
CREATE INDEX results_by_instrument ON lab.results (instrument, time);
CREATE INDEX results_by_verdict ON lab.results (validity, verdict, time);
CREATE INDEX results_by_time ON lab.results USING brin (time);
CREATE INDEX results_corrections ON lab.results (supersedes) WHERE supersedes IS NOT NULL;
CREATE INDEX results_by_audit ON lab.results (source, audit_number);

"""
    + table("curves", CURVE)
    + """COMMENT ON TABLE lab.curves IS 'Flow curves; the column result has the id of the curve''s result.';
CREATE TABLE lab.curves_elsewhen PARTITION OF lab.curves DEFAULT;
CREATE INDEX curves_by_sample ON lab.curves (sample, time);
CREATE INDEX curves_by_result ON lab.curves (result);

CREATE TABLE lab.readings (
    time timestamptz NOT NULL,
    source integer NOT NULL,
    instrument text NOT NULL,
    channel text NOT NULL,
    run text,
    value double precision,
    unit text NOT NULL,
    quality text NOT NULL,
    PRIMARY KEY (source, instrument, channel, time)
) PARTITION BY RANGE (time);
COMMENT ON TABLE lab.readings IS 'Live values, where they are collected; some may be missing.';
CREATE TABLE lab.readings_elsewhen PARTITION OF lab.readings DEFAULT;

CREATE TABLE lab.refused (
    no bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    received timestamptz NOT NULL DEFAULT now(),
    last timestamptz NOT NULL DEFAULT now(),
    times bigint NOT NULL DEFAULT 1,
    topic text NOT NULL,
    reason text NOT NULL,
    digest bytea NOT NULL,
    payload bytea NOT NULL,
    UNIQUE (digest, topic)
);
COMMENT ON TABLE lab.refused IS 'Messages that are not events this version understands, with their bytes.';

CREATE TABLE lab.conflicts (
    source integer NOT NULL REFERENCES lab.sources,
    id uuid NOT NULL,
    stream text NOT NULL,
    sequence bigint,
    digest bytea NOT NULL,
    received timestamptz NOT NULL DEFAULT now(),
    topic text NOT NULL,
    payload bytea NOT NULL,
    PRIMARY KEY (source, id, digest)
);
CREATE INDEX conflicts_in_order ON lab.conflicts (source, stream, sequence);
COMMENT ON TABLE lab.conflicts IS
    'Messages with a stored (source, id) and other content, and second ids of a stored sequence number.  The first '
    'message is kept in force; a person must decide.';
COMMENT ON COLUMN lab.conflicts.sequence IS 'Sequence number in the message; NULL for a curve';

CREATE TABLE lab.streams (
    source integer NOT NULL REFERENCES lab.sources,
    stream text NOT NULL,
    looked bigint NOT NULL DEFAULT 0,
    announced bigint,
    asked timestamptz,
    PRIMARY KEY (source, stream)
);
COMMENT ON COLUMN lab.streams.looked IS 'Last checked sequence number; each up to it is in lab.keys or lab.gaps.';
COMMENT ON COLUMN lab.streams.announced IS 'Last sequence number in the daemon''s status; NULL before the first.';

CREATE TABLE lab.gaps (
    no bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    source integer NOT NULL,
    stream text NOT NULL,
    first bigint NOT NULL,
    last bigint NOT NULL CHECK (last >= first),
    seen timestamptz NOT NULL DEFAULT now(),
    asks integer NOT NULL DEFAULT 0,
    next_ask timestamptz NOT NULL DEFAULT now(),
    FOREIGN KEY (source, stream) REFERENCES lab.streams
);
CREATE INDEX gaps_by_stream ON lab.gaps (source, stream, first);
COMMENT ON TABLE lab.gaps IS 'Missing sequence numbers, and the number of requests for them.';

CREATE TABLE lab.forgotten (
    source integer NOT NULL,
    stream text NOT NULL,
    first bigint NOT NULL,
    last bigint NOT NULL,
    at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (source, stream, first, last),
    FOREIGN KEY (source, stream) REFERENCES lab.streams
);
COMMENT ON TABLE lab.forgotten IS 'Sequence numbers that a person declared as not missing.';

CREATE TABLE lab.daemons (
    prefix text PRIMARY KEY,
    source text NOT NULL,
    state text NOT NULL,
    time timestamptz,
    seen timestamptz NOT NULL DEFAULT now(),
    status jsonb NOT NULL
);
COMMENT ON TABLE lab.daemons IS 'The newest status of every daemon.';

CREATE TABLE lab.workers (
    "group" text NOT NULL,
    worker text NOT NULL,
    host text NOT NULL,
    pid integer NOT NULL,
    version text NOT NULL,
    started timestamptz NOT NULL,
    beat timestamptz NOT NULL DEFAULT now(),
    watches boolean NOT NULL,
    taken bigint NOT NULL,
    duplicates bigint NOT NULL,
    conflicts bigint NOT NULL,
    refused bigint NOT NULL,
    in_hand integer NOT NULL,
    trouble text NOT NULL,
    PRIMARY KEY ("group", worker)
);
COMMENT ON TABLE lab.workers IS 'Collectors, with their counts since their start.';
"""
    + "".join(
        f"CREATE TABLE lab.keys_{i} PARTITION OF lab.keys FOR VALUES WITH (MODULUS {KEY_PARTS}, REMAINDER {i});\n"
        for i in range(KEY_PARTS)
    )
)

#: Name and SQL of every migration, in order.
STEPS: Final[tuple[tuple[str, str], ...]] = (
    ("0001_tables", TABLES_0001),
    ("0002_views", VIEWS_0002),
    ("0003_authorised", AUTHORISED_0003),
    ("0004_attribution", ATTRIBUTION_0004),
    ("0005_releases", RELEASES_0005),
)

_FIRST: Final = """
CREATE SCHEMA IF NOT EXISTS lab;
CREATE TABLE IF NOT EXISTS lab.migrations (name text PRIMARY KEY, applied timestamptz NOT NULL DEFAULT now());
"""


async def migrate(db: AsyncConnection, steps: tuple[tuple[str, str], ...] = STEPS) -> list[str]:
    """Apply all pending migrations to the database and return their names.

    `db` must be in autocommit mode.

    Raises:
        StoreError: the tables were made by a newer version of the program.
        psycopg.Error: a migration failed and was rolled back; those before it are kept.
    """
    await db.execute("SELECT pg_advisory_lock(%s, 0)", (LOCK,))
    try:
        there = await (await db.execute("SELECT to_regclass('lab.migrations') IS NOT NULL")).fetchone()
        if there == (False,):
            await db.execute(_FIRST)
        done = {name for (name,) in await (await db.execute("SELECT name FROM lab.migrations")).fetchall()}
        if unknown := sorted(done - {name for name, _ in steps}):
            raise StoreError(
                f"the schema 'lab' has migrations this version does not know ({', '.join(unknown)}): a newer version "
                "of daq made them; install that version here too"
            )
        pending = [(name, sql) for name, sql in steps if name not in done]
        for name, sql in pending:
            async with db.transaction():
                await db.execute(sql)
                await db.execute("INSERT INTO lab.migrations (name) VALUES (%s)", (name,))
        if pending:
            # The comments on columns are not a part of a migration, so that their wording can change at any time.
            await db.execute("".join(comments(name, columns) for name, columns in OF_TABLES.items()))
        return [name for name, _ in pending]
    finally:
        await db.execute("SELECT pg_advisory_unlock(%s, 0)", (LOCK,))
