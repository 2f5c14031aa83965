"""Monthly partitions, made ahead and on demand."""

from datetime import UTC, datetime
from typing import Final

from psycopg import AsyncConnection, sql

from daq.collect.schema import LOCK

TABLES: Final = ("results", "curves", "readings")
FIRST_YEAR: Final = 2000
LOCK_TIMEOUT: Final = "5s"
"""A long report holds all partitions; who waits for it would hold up everybody behind, so it is not waited for."""
AHEAD: Final = 2
"""Months after this one that have partitions made for them."""

Month = tuple[int, int]
"""Year and number of the month, UTC."""


def month_of(time: datetime) -> Month:
    """The month a moment is in."""
    utc = time.astimezone(UTC)
    return utc.year, utc.month


def after(month: Month, months: int = 1) -> Month:
    """The month so many later."""
    count = month[0] * 12 + month[1] - 1 + months
    return count // 12, count % 12 + 1


def has_partition(month: Month, now: Month) -> bool:
    """Whether a month gets a partition of its own.

    A clock that is wrong by years must not fill the database with tables: what is dated before the year 2000 or further
    ahead than `AHEAD` months goes to the table ``..._elsewhen``.
    """
    return (FIRST_YEAR, 1) <= month <= after(now, AHEAD)


async def make_partitions(db: AsyncConnection, month: Month) -> None:
    """Make the partitions of a month where they are not there; rows that waited in ``..._elsewhen`` move into them.

    `db` is in autocommit mode.

    Raises:
        psycopg.errors.LockNotAvailable: somebody reads all partitions just now; to be tried again.
    """
    for table in TABLES:
        name = f"{table}_{month[0]:04d}_{month[1]:02d}"
        if await _is_there(db, name):
            continue
        async with db.transaction():
            await db.execute("SELECT set_config('lock_timeout', %s, true)", (LOCK_TIMEOUT,))
            # One worker makes it, the others wait and then find it.
            await db.execute("SELECT pg_advisory_xact_lock(%s, 1)", (LOCK,))
            if not await _is_there(db, name):
                await _make(db, table, name, month)


async def _is_there(db: AsyncConnection, name: str) -> bool:
    # Not to_regclass: within a transaction it may answer from what it knew before a lock was waited for.
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
        # Nobody may write into the rest between the move and the attachment.
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
