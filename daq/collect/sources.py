"""Short numbers for the databases that events come from."""

from collections.abc import Iterable
from typing import Final

from psycopg import AsyncConnection

from daq.collect.decode import database_of

_ADD: Final = (
    "INSERT INTO lab.sources (source, database, epoch) SELECT * FROM unnest(%s::text[], %s::uuid[], %s::integer[]) "
    "ON CONFLICT (source) DO NOTHING"
)


async def number_sources(db: AsyncConnection, sources: Iterable[str]) -> dict[str, int]:
    """Return the number of each source, and add missing ones.

    Rows are inserted in the order of names, so that two workers cannot deadlock.
    """
    names = sorted(set(sources))
    if not names:
        return {}
    databases, epochs = zip(*(database_of(s) for s in names), strict=True)
    await db.execute(_ADD, (names, list(databases), list(epochs)))
    found = await db.execute("SELECT source, no FROM lab.sources WHERE source = ANY(%s)", (names,))
    return dict(await found.fetchall())
