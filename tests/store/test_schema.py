"""Migrations: frozen, atomic, from every old version."""

import hashlib
import sqlite3
from pathlib import Path

import pytest
from sqlite_utils import Database

from daq.adapters.store.schema import STEPS, migrate
from daq.adapters.store.store import APPLICATION_ID, Store
from daq.core.errors import StoreError
from tests.support.runs.stored import T0, begin, conclude, end, register

OLD = Path(__file__).parent / "old"

#: SHA-256 of each migration that was ever released.  A line is added here, never changed.
FROZEN = {
    "0001_tables": "e47bc69d16e5dbd915bdb73626f1c2880824c21e25066cf1d42499831bf35f69",
    "0002_verification": "bbcc2c7630519ed1c93ec8cb083932f768400e09443b996c2428cbf2c6cefa14",
    "0003_delivery": "b2de5d97dbae6c639ac87b6280fb28c7e637d6512048f96ddebd688cb8cd32a7",
    "0004_agreement": "f172069a54a82e429236c5ad3869a476684fb48980400b763ece0c504468bab8",
}


def tables(path):
    connection = sqlite3.connect(path)
    rows = connection.execute(
        "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%' AND name NOT LIKE '\\_%' ESCAPE '\\'"
    ).fetchall()
    connection.close()
    return sorted(rows)


def test_migrations_are_frozen():
    assert {name: hashlib.sha256(sql.encode()).hexdigest() for name, sql in STEPS} == FROZEN
    assert [name[:4] for name, _ in STEPS] == [f"{n:04}" for n in range(1, len(STEPS) + 1)]


@pytest.mark.parametrize("version", range(1, len(STEPS) + 1))
def test_a_database_of_each_old_version_comes_up_with_its_contents(tmp_path, version):
    """`old/NNNN.sql` is the dump of a database that the version wrote: a run with result, one without."""
    path = tmp_path / "daq.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript((OLD / f"{version:04}.sql").read_text("utf-8"))
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.close()
    with Store(path) as store, store.reader() as reader:
        assert [r.id for r in reader.runs()] == ["old-b", "old-a"]
        assert reader.newest_result("old-a").sequence == 1
        assert [r.id for r in reader.unfinished_runs()] == ["old-b"]
        assert store.submit(conclude("old-b")).result(10).sequence == 2
    new = tmp_path / "new.sqlite"
    Store(new).close()
    assert tables(path) == tables(new)


def test_a_failing_migration_is_rolled_back_whole_and_stays_pending(tmp_path):
    path = tmp_path / "daq.sqlite"
    with Store(path, utc_ns=T0) as store:
        for step in (register(), begin("a"), conclude("a"), end("a")):
            store.submit(step).result(10)
    before = tables(path)
    good = ("0002_note", "ALTER TABLE runs ADD COLUMN note TEXT NOT NULL DEFAULT '';")
    bad = (
        "0003_bad",
        "CREATE TABLE extra (x INTEGER) STRICT; INSERT INTO extra VALUES (1); DELETE FROM kept; INSERT INTO nowhere VALUES (1);",
    )
    with sqlite3.connect(path, isolation_level=None) as connection:
        db = Database(connection, execute_plugins=False)
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            migrate(db, [*STEPS, good, bad])
        names = {name for _, name, _ in tables(path)}
        assert "extra" not in names
        assert db.table("kept").count == 2
        # The migration before it is kept; after a repair only the failed one is applied.
        assert migrate(db, [*STEPS, good, ("0003_bad", "CREATE TABLE extra (x INTEGER) STRICT;")]) == ["0003_bad"]
    connection.close()
    assert tables(path) != before


def test_a_database_of_a_newer_version_is_refused_untouched(tmp_path):
    path = tmp_path / "daq.sqlite"
    Store(path).close()
    with sqlite3.connect(path, isolation_level=None) as connection:
        migrate(
            Database(connection, execute_plugins=False), [*STEPS, ("0099_future", "CREATE TABLE later (x INTEGER);")]
        )
    connection.close()
    with pytest.raises(StoreError, match=r"0099_future.*written by a newer version of daq"):
        Store(path)


def test_opening_again_applies_nothing(tmp_path):
    path = tmp_path / "daq.sqlite"
    Store(path).close()
    before = path.read_bytes()
    Store(path).close()
    assert path.read_bytes() == before
