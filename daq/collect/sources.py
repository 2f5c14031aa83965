"""Short numbers for the databases that events come from, and the topic prefix that each database is bound to.

The first message of a database binds it to the prefix of its topic.  A broker's access rules let a daemon write below
its own prefix only, so no other daemon can add results, statuses or corrections to the bound database.
"""

from collections.abc import Iterable, Mapping
from typing import Final

from psycopg import AsyncConnection

from daq.collect.decode import NotAnEventError, database_of
from daq.core.errors import SettingError

_ADD: Final = (
    "INSERT INTO lab.sources (source, database, epoch) SELECT * FROM unnest(%s::text[], %s::uuid[], %s::integer[]) "
    "ON CONFLICT (source) DO NOTHING"
)
_BIND: Final = (
    "INSERT INTO lab.databases (database, prefix) SELECT * FROM unnest(%s::uuid[], %s::text[]) "
    "ON CONFLICT (database) DO NOTHING"
)
_BOUND: Final = "SELECT database::text, prefix FROM lab.databases WHERE database = ANY(%s::uuid[])"
_REBIND: Final = (
    "INSERT INTO lab.databases (database, prefix) VALUES (%s, %s) "
    "ON CONFLICT (database) DO UPDATE SET prefix = EXCLUDED.prefix, bound = now()"
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


async def bind(db: AsyncConnection, prefixes: Mapping[str, str]) -> dict[str, str]:
    """Bind each unbound database to its prefix; return the prefix that each of them is bound to.

    `prefixes` has the topic prefix of the first message by database.  Rows are inserted in the order of databases, so
    that two workers cannot deadlock.
    """
    if not prefixes:
        return {}
    known = await bound(db, prefixes)
    new = sorted(prefixes.keys() - known.keys())
    if not new:
        return known
    await db.execute(_BIND, (new, [prefixes[name] for name in new]))
    return await bound(db, prefixes)


async def bound(db: AsyncConnection, databases: Iterable[str]) -> dict[str, str]:
    """Return the prefix of each bound one of some databases."""
    found = await db.execute(_BOUND, (list(databases),))
    return dict(await found.fetchall())


async def rebind(db: AsyncConnection, source: str, prefix: str) -> None:
    """Bind the database of a source to another prefix, for a bench whose topics were renamed.

    Raises:
        SettingError: `source` is not the source of an event.
    """
    try:
        database, _ = database_of(source)
    except NotAnEventError as error:
        raise SettingError(str(error), key="--bind") from None
    await db.execute(_REBIND, (database, prefix))


def foreign_text(source: str, prefix: str, own: str) -> str:
    """Return the reason why a message is refused that is under another prefix than its database."""
    return (
        f"{source} is bound to the topics {own}, and the message is under {prefix}; if the bench's topics changed: "
        f"daq collect --bind '{source}' {prefix}  and then  daq collect --again"
    )
