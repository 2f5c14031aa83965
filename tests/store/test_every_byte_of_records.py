"""Every single byte of a record of every kind is sealed: a change of it behind the program's back is named."""

# ruff: noqa: S608 - names of our own tables and columns

import importlib
import pkgutil

import pytest

import daq.laboratory
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.checks import check_content
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.store import Store
from daq.laboratory.record import Record
from tests.support.runs.full_database import falsified
from tests.support.runs.stored import T0

pytestmark = pytest.mark.slow
COLUMNS = {
    "records": ("kind", "id", "data", "revision", "audit_seq"),
    "record_keys": ("kind", "name", "value", "id"),
}


def kinds():
    """Return the kinds of all records of the program."""
    for module in pkgutil.walk_packages(daq.laboratory.__path__, "daq.laboratory."):
        importlib.import_module(module.name)
    waiting, found = [Record], set()
    while waiting:
        waiting += (subclasses := waiting.pop().__subclasses__())
        found |= {s.kind for s in subclasses}
    return sorted(found)


@pytest.fixture
def database(tmp_path, kind):
    """A database with two revisions of one record of a kind that has keys, beside a record of another kind."""
    path = tmp_path / "whole.db"
    with Store(path, utc_ns=T0) as store:
        parts = {"parts": [], "runs": []}
        first = Change(kind, "x-1", f"{kind}_added", {"name": "tönern", "value": 1.25} | parts, [("sample", "G-1")])
        again = Change(kind, "x-1", f"{kind}_changed", {"name": "x", "open": None} | parts, [("lot", "L7")], after=1)
        beside = Change("elsewhere", "x-2", "added", {"name": "y"})
        for change in (first, beside, again):
            store.submit(ChangeRecords((change,), T0, "m.keeper", "mistyped")).result(10)
    return path


def named(path):
    """Return the tables that the comparison names."""
    with Stored(path) as stored:
        return {d.table for d in Comparison().of(stored)}


def changed_values(value):
    """Yield a value with each of its bytes changed, as SQL; a number is changed as a whole."""
    if isinstance(value, int):
        yield str(value + 100)
        return
    raw = value.encode()
    for at in range(len(raw)):
        # Each eighth byte loses its first bit, and is no UTF-8 any more.
        other = raw[at] ^ (0x80 if at % 8 == 7 else 0x10)
        yield f"CAST(x'{(raw[:at] + bytes([other]) + raw[at + 1 :]).hex()}' AS TEXT)"
    yield f"CAST(x'{(raw + b' ').hex()}' AS TEXT)"


@pytest.mark.parametrize("kind", kinds())
@pytest.mark.parametrize("table", COLUMNS)
def test_a_change_of_any_byte_is_named(database, tmp_path, table, kind):
    copy, unnamed, count = tmp_path / "copy.db", [], 0
    with falsified(database, copy) as db:
        assert named(copy) == set()
        rows = db.execute(f"SELECT rowid, {', '.join(COLUMNS[table])} FROM {table} WHERE kind = ?", (kind,)).fetchall()
        for rowid, *values in rows:
            for column, value in zip(COLUMNS[table], values, strict=True):
                for other in changed_values(value):
                    db.execute(f"UPDATE {table} SET {column} = {other} WHERE rowid = ?", (rowid,))
                    count += 1
                    if table not in named(copy):
                        unnamed.append((rowid, column, other))
                    db.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (value, rowid))
        assert named(copy) == set()
    assert unnamed == []
    assert count > 10


@pytest.mark.parametrize("kind", kinds())
def test_the_command_names_a_missing_and_a_further_row(database, tmp_path, kind):
    """By the whole of `daq verify`, as it prints it."""
    for number, sql in enumerate((
        "DELETE FROM records WHERE kind = ? AND revision = 1",
        "DELETE FROM records WHERE kind = ? AND revision = 2",
        "DELETE FROM record_keys WHERE kind = ?",
        "INSERT INTO records SELECT kind, 'x-9', revision, data, audit_seq + 100 FROM records WHERE kind = ?",
        "INSERT INTO record_keys SELECT kind, 'more', value, id FROM record_keys WHERE kind = ?",
    )):  # fmt: skip
        copy = tmp_path / f"{number}.db"
        with falsified(database, copy) as db:
            db.execute(sql, (kind,))
        assert any(not f.ok and "record" in f.say for f in check_content(copy)), sql
