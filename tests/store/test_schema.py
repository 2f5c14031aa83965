"""Migrations: frozen, atomic, from every old version."""

import contextlib
import hashlib
import sqlite3
import stat
from datetime import datetime, timedelta

import pytest
from sqlite_utils import Database

from daq.adapters.store import store as store_module
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.reading import Reader
from daq.adapters.store.schema import FORMAT, STEPS, migrate, migrations, statements
from daq.adapters.store.store import Store
from daq.core.errors import StoreError
from tests.support.runs.old_databases import from_dump
from tests.support.runs.stored import T0, begin, conclude, end, register

#: SHA-256 of each migration that was ever released.  A line is added here, never changed.
FROZEN = {
    "0001_baseline": "99b6d2550f419f9db7cef53c69cb4507165fb7069b71aed4c212deeca69858ef",
    "0002_records": "8713158febf14f7a6069d83ca4ea7dbe8f194ecd5e1fb215b020309be3cf6e00",
    "0003_delivery": "2e5290cdcdbf6e716f1e23e2b3496aa73f74272496e21b33fd31c66bed659f6b",
    "0004_attribution": "1965f28171b23a00cd870613cac385dd5635642b3f68f2ce5fdbec19407d7c26",
    "0005_search": "e69c97f9a1acc3929ccf58ea88632b6b2892c996ce770943e1ded6df0960d924",
    "0006_retention": "d35c11fe683e3add89d00895e5d9742144b65f59239118f7ee5a972cc2b4e8b5",
    "0007_scale": "3343bcec37ed39bc7319c6f55695b08df1589a1186bb1e8c07ef7acf69a8a1e1",
    "0008_corrections": "6c4c849b8b434e2663fffcf4a0540fb2289708968ee2cff69a93ceb5482155bc",
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
    path = from_dump(tmp_path / "daq.sqlite", f"{version:04}", version)
    with Store(path) as store, store.reader() as reader:
        assert [r.id for r in reader.runs()] == ["old-b", "old-a"]
        assert reader.newest_result("old-a").sequence == 1
        assert [r.id for r in reader.unfinished_runs()] == ["old-b"]
        assert store.submit(conclude("old-b")).result(10).sequence == 2
        # Columns that the version did not have agree with its audit entries.
        assert reader.runs()[0].attribution == "unattributed"
    with Stored(path) as stored:
        assert [d.text for d in Comparison().of(stored) if "attribution" in d.text] == []
    new = tmp_path / "new.sqlite"
    Store(new).close()
    assert tables(path) == tables(new)


def test_a_new_database_is_the_one_that_sqlite_utils_makes():
    """It makes the tables itself, without the import of sqlite-utils, which later makes the next update."""
    made, reference = (sqlite3.connect(":memory:", isolation_level=None) for _ in range(2))
    with contextlib.closing(made), contextlib.closing(reference):
        assert migrate(made) == [name for name, _ in STEPS]
        migrations().apply(Database(reference))
        for question in (
            "SELECT type, name, tbl_name, trim(replace(sql, char(10), ' ')) FROM sqlite_schema",
            "SELECT id, migration_set, name FROM _sqlite_migrations",
        ):
            assert made.execute(question).fetchall() == reference.execute(question).fetchall()
        for db in (made, reference):
            for (moment,) in db.execute("SELECT applied_at FROM _sqlite_migrations"):
                assert datetime.fromisoformat(moment).utcoffset() == timedelta(0)


def test_a_new_database_whose_creation_fails_stays_empty():
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            migrate(db, [*STEPS, ("0009_bad", "INSERT INTO nowhere VALUES (1);")])
        assert db.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,)
        assert migrate(db) == [name for name, _ in STEPS]


def test_a_semicolon_in_a_text_or_a_trigger_ends_no_statement():
    script = "CREATE TABLE a (x TEXT DEFAULT 'b;c');\nCREATE TRIGGER t BEFORE UPDATE ON a BEGIN SELECT 1; SELECT 2; END;\nDROP TABLE a;\n"
    assert [s.split()[0] for s in statements(script)] == ["CREATE", "CREATE", "DROP"]
    assert "".join(statements(script)) == script.rstrip("\n")


@pytest.mark.parametrize(
    "end", ["", " ", "\n", "; CREATE TABLE b (x TEXT DEFAULT ';')", "; CREATE TABLE b (x TEXT DEFAULT 'y;"]
)
def test_a_script_whose_last_statement_has_no_semicolon_is_refused(end):
    """A new database would be without what the statement makes."""
    with pytest.raises(ValueError, match="has no semicolon at its end: ['\"]CREATE TABLE"):
        list(statements(f"CREATE TABLE a (x){end}"))
    db = sqlite3.connect(":memory:")
    with pytest.raises(ValueError, match="has no semicolon"):
        migrate(db, [("first", "CREATE TABLE a (x);"), ("second", f"CREATE TABLE a2 (x){end}")])
    assert db.execute("SELECT * FROM sqlite_schema").fetchall() == []


def test_a_failing_migration_is_rolled_back_whole_and_stays_pending(tmp_path):
    path = tmp_path / "daq.sqlite"
    with Store(path, utc_ns=T0) as store:
        for step in (register(), begin("a"), conclude("a"), end("a")):
            store.submit(step).result(10)
    before = tables(path)
    good = ("0008_note", "ALTER TABLE runs ADD COLUMN note TEXT NOT NULL DEFAULT '';")
    bad = (
        "0009_bad",
        "CREATE TABLE extra (x INTEGER) STRICT; INSERT INTO extra VALUES (1); DELETE FROM kept; INSERT INTO nowhere VALUES (1);",
    )
    with sqlite3.connect(path, isolation_level=None) as connection:
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            migrate(connection, [*STEPS, good, bad])
        names = {name for _, name, _ in tables(path)}
        assert "extra" not in names
        assert connection.execute("SELECT count(*) FROM kept").fetchone() == (2,)
        # The migration before it is kept; after a repair only the failed one is applied.
        assert migrate(connection, [*STEPS, good, ("0009_bad", "CREATE TABLE extra (x INTEGER) STRICT;")]) == [
            "0009_bad"
        ]
    connection.close()
    assert tables(path) != before


def test_a_database_of_a_newer_version_is_refused_untouched(tmp_path):
    path = tmp_path / "daq.sqlite"
    Store(path).close()
    with sqlite3.connect(path, isolation_level=None) as connection:
        migrate(connection, [*STEPS, ("0099_future", "CREATE TABLE later (x INTEGER);")])
    connection.close()
    before = path.read_bytes()
    for use in (Store, Reader):
        with pytest.raises(
            StoreError, match=f"database format {FORMAT + 1} is newer than this daq, which reads up to {FORMAT}"
        ):
            use(path)
    assert path.read_bytes() == before


def test_a_database_from_before_the_first_release_is_refused_by_name(tmp_path):
    path = tmp_path / "daq.sqlite"
    Store(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE _sqlite_migrations SET name = '0001_tables' WHERE id = 1")
    connection.close()
    with pytest.raises(StoreError, match=r"0001_tables.*never released"):
        Store(path)


def with_a_run(path):
    with Store(path, utc_ns=T0) as store:
        for step in (register(), begin("a"), conclude("a"), end("a")):
            store.submit(step).result(10)


def test_the_database_is_copied_before_a_migration(tmp_path, monkeypatch):
    path = tmp_path / "daq.sqlite"
    with_a_run(path)
    assert [p.name for p in tmp_path.iterdir() if "format" in p.name] == []
    contents = tables(path)
    add_steps(monkeypatch, ("0006_notes", "CREATE TABLE notes (x INTEGER) STRICT;"))
    with Store(path) as store, store.reader() as reader:
        assert [r.id for r in reader.runs()] == ["a"]
    copy = tmp_path / f"daq.sqlite.format-{FORMAT}"
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert tables(copy) == contents != tables(path)
    with sqlite3.connect(copy) as connection:
        assert connection.execute("SELECT id FROM runs").fetchall() == [("a",)]
        assert connection.execute("PRAGMA user_version").fetchone() == (FORMAT,)
    connection.close()


def test_without_the_copy_nothing_is_migrated(tmp_path, monkeypatch):
    path = tmp_path / "daq.sqlite"
    with_a_run(path)
    before = tables(path)
    add_steps(monkeypatch, ("0006_notes", "CREATE TABLE notes (x INTEGER) STRICT;"))
    monkeypatch.setattr(
        store_module, "sync", lambda path: (_ for _ in ()).throw(OSError(28, "No space left on device"))
    )
    with pytest.raises(StoreError, match="cannot be made: No space left on device; nothing was changed"):
        Store(path)
    assert tables(path) == before
    assert sorted(p.name for p in tmp_path.iterdir() if ".format" in p.name) == []


def add_steps(monkeypatch, *more):
    """Let the store know further migrations, as a later version of daq does."""
    steps = (*STEPS, *more)
    monkeypatch.setattr(store_module, "migrate", lambda db, **options: migrate(db, steps, **options))
    monkeypatch.setattr("daq.adapters.store.reading.refuse_format", lambda found: None)


def test_opening_again_applies_nothing(tmp_path):
    path = tmp_path / "daq.sqlite"
    Store(path).close()
    before = path.read_bytes()
    Store(path).close()
    assert path.read_bytes() == before
