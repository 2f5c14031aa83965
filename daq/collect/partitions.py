"""Monthly partitions, made in advance and on demand."""

from datetime import UTC, datetime
from typing import Final

from psycopg import AsyncConnection, sql

from daq.collect.schema import LOCK

TABLES: Final = ("results", "curves", "reportables", "signatures", "readings")
FIRST_YEAR: Final = 2000
"""First year with monthly partitions."""
LOCK_TIMEOUT: Final = "5s"
"""Longest wait for the lock on the tables.

A long report locks all partitions.  A longer wait behind it would block all later queries and writes.
"""
AHEAD: Final = 2
"""Number of months after the present one whose partitions are made in advance."""

Month = tuple[int, int]
"""Year and number of the month, UTC."""


def month_of(time: datetime) -> Month:
    """Return the month of a time."""
    utc = time.astimezone(UTC)
    return utc.year, utc.month


def after(month: Month, months: int = 1) -> Month:
    """Return the month that is `months` later."""
    count = month[0] * 12 + month[1] - 1 + months
    return count // 12, count % 12 + 1


def has_partition(month: Month, now: Month) -> bool:
    """Return whether a month gets a partition.

    A clock that is wrong by years must not fill the database with tables.  Rows before the year 2000, or more than
    `AHEAD` months ahead, go to the table ``..._elsewhen``.
    """
    return (FIRST_YEAR, 1) <= month <= after(now, AHEAD)


async def make_partitions(db: AsyncConnection, month: Month) -> None:
    """Make the missing partitions of a month; rows of the month move from ``..._elsewhen`` into them.

    `db` is in autocommit mode.

    Raises:
        psycopg.errors.LockNotAvailable: another connection uses all partitions; try again later.
    """
    for table in TABLES:
        name = f"{table}_{month[0]:04d}_{month[1]:02d}"
        if await _is_there(db, name):
            continue
        async with db.transaction():
            await db.execute("SELECT set_config('lock_timeout', %s, true)", (LOCK_TIMEOUT,))
            # One worker makes the partition; the others wait for the lock and then find it.
            await db.execute("SELECT pg_advisory_xact_lock(%s, 1)", (LOCK,))
            if not await _is_there(db, name):
                await _make(db, table, name, month)


async def _is_there(db: AsyncConnection, name: str) -> bool:
    # Not to_regclass: within a transaction it may answer from a state before the wait for the lock.
    found = await db.execute("SELECT FROM pg_class WHERE relname = %s AND relnamespace = 'lab'::regnamespace", (name,))
    return await found.fetchone() is not None


async def _make(db: AsyncConnection, table: str, name: str, month: Month) -> None:
    parts = {
        "table": sql.Identifier("lab", table),
        "new": sql.Identifier("lab", name),
        "rest": sql.Identifier("lab", f"{table}_elsewhen"),
        "first": sql.Literal(f"{month[0]:04d}-{month[1]:02d}-01 00:00:00+00"),
        "end": sql.Literal("{:04d}-{:02d}-01 00:00:00+00".format(*after(month))),
    }
    statements = (
        # The lock prevents writes into ..._elsewhen between the move and the attachment.
        "LOCK TABLE {rest} IN ACCESS EXCLUSIVE MODE",
        "CREATE TABLE {new} (LIKE {table} INCLUDING DEFAULTS INCLUDING CONSTRAINTS)",
        (
            "WITH moved AS (DELETE FROM {rest} WHERE time >= {first} AND time < {end} RETURNING *) "
            "INSERT INTO {new} SELECT * FROM moved"
        ),
        "ALTER TABLE {table} ATTACH PARTITION {new} FOR VALUES FROM ({first}) TO ({end})",
    )
    for statement in statements:
        await db.execute(sql.SQL(statement).format(**parts))
