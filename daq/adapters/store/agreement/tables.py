"""Compare the definitions of tables, indexes and triggers with those of the migrations."""

import contextlib
import sqlite3
from collections.abc import Iterator
from functools import cache

from daq.adapters.store.agreement.disagreement import NOTHING, ROW, Disagreement, differing
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.schema import MIGRATION_SET, STEPS, migrate

_DEFINITIONS = "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"


def of_tables(stored: Stored) -> Iterator[Disagreement]:
    """Compare the definitions in a database with those of the migrations that it lists."""
    applied = stored.rows("SELECT id, migration_set, name FROM _sqlite_migrations ORDER BY id")
    names = [name for name, _ in STEPS]
    for number, row in enumerate(applied):
        name = names[number] if number < len(names) else NOTHING
        there = {"id": number + 1, "migration_set": MIGRATION_SET, "name": name}
        found = list(differing("_sqlite_migrations", str(number + 1), row, there, "this version of daq"))
        if found:
            yield from found
            return
    here = {row["name"]: row["sql"] for row in stored.rows(_DEFINITIONS)}
    if len(applied) < len(names) and here == _expected(len(names)):
        place = str(len(applied) + 1)
        yield Disagreement("_sqlite_migrations", place, ROW, NOTHING, names[len(applied)], "the tables that it made")
        return
    expected = _expected(len(applied))
    for name in sorted(here.keys() | expected.keys()):
        if here.get(name) != expected.get(name):
            where = "the migrations of daq"
            yield Disagreement("sqlite_schema", name, "sql", here.get(name), expected.get(name), where)


@cache
def _expected(count: int) -> dict[str, str | None]:
    """Return the definitions by name after the first `count` migrations."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        migrate(connection, STEPS[:count])
        return {name: sql for _, name, sql in connection.execute(_DEFINITIONS)}
