"""Every falsification has a name: each column of each table changed once, each row removed once."""

# ruff: noqa: S608 - names of our own tables and columns

import contextlib
import json
import sqlite3

import pytest

from daq.adapters.store.agreement import everything
from daq.adapters.store.agreement.disagreement import ROW
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.not_compared import NOT_COMPARED, ROWS_NOT_COMPARED
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.agreement.tables import of_tables
from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.schema import STEPS
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit
from tests.support.runs.full_database import falsified, make_full_database, make_long_database, tables
from tests.support.runs.stored import T0, begin, register

#: Another legal value of a column whose values are limited.
LEGAL = {
    ("runs", "state"): {"ended": "concluded", "concluded": "running", "running": "ended"},
    ("runs", "attribution"): {"unattributed": "authorised"},
    ("delivery", "state"): {"acknowledged": "waiting", "waiting": "acknowledged", "refused": "waiting"},
}
BOTH_WAYS = frozenset(
    {
        ("runs", "simulated"),
        ("outbox", "retain"),
        ("outbox", "qos"),
        ("delivery", "quarantined"),
        ("broker_session", "open"),
    }
)


def columns():
    """Return (table, column) of every table that the migrations make, so that a new column is a new case."""
    with contextlib.closing(sqlite3.connect(":memory:")) as db:
        for _, sql in STEPS:
            db.executescript(sql)
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
        found = [(n, row[1]) for n in names for row in db.execute(f"PRAGMA table_info({n})")]
    return found + [("_sqlite_migrations", c) for c in ("id", "migration_set", "name", "applied_at")]


COLUMNS = columns()
#: Columns of keys: a changed one removes one row and adds another.
KEYS = frozenset(
    {("journal", "run"), ("journal", "seq"), ("kept", "run"), ("kept", "idx"), ("health", "run"), ("runs", "id"),
     ("results", "id"), ("outbox", "seq"), ("delivery", "seq"), ("methods", "id"), ("methods", "version"), ("instruments", "name"),
     ("streams", "epoch"), ("streams", "stream"),
     ("records", "kind"), ("records", "id"), ("records", "revision"), *(("record_keys", c) for c in ("kind", "name", "value", "id"))}
)  # fmt: skip
#: Columns whose disagreement is named at another column of the same row.
NAMED_AT = {("delivery", "quarantined"): "state"}


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    return make_full_database(tmp_path_factory.mktemp("full") / "state")


def disagreements(path, *, quick=False):
    with Stored(path) as stored:
        return [*of_tables(stored), *Comparison(quick=quick).of(stored)]


def other_value(table, column, value):
    """Return another value of the same type that the table accepts."""
    if (table, column) in LEGAL:
        return LEGAL[table, column][value]
    if (table, column) in BOTH_WAYS:
        return 1 - value
    if value is None:
        return 1 if column.endswith("_ns") else "other"
    if isinstance(value, int):
        return value + 1000
    if isinstance(value, bytes):
        return value[:-1] + bytes([value[-1] ^ 1])
    with contextlib.suppress(ValueError):
        return json.dumps(other_json(json.loads(value)))
    return value[:-1] + ("x" if not value.endswith("x") else "y")


def other_json(value):
    """Return a JSON value with one changed leaf, the first in order."""
    if isinstance(value, dict):
        for key, inner in value.items():
            return value | {key: other_json(inner)}
        return {"added": 1}
    if isinstance(value, list):
        return [other_json(value[0]), *value[1:]] if value else ["added"]
    if isinstance(value, str):
        return value + "x"
    return 1 if value is None else value + 1


def rows_of(path, table):
    with contextlib.closing(sqlite3.connect(path)) as db:
        return [row[0] for row in db.execute(f'SELECT rowid FROM "{table}" ORDER BY rowid')]


def test_the_database_has_rows_in_every_table_and_agrees(original):
    assert {t: bool(rows_of(original, t)) for t in tables(original)} == dict.fromkeys(tables(original), True)
    assert [(t, c) for t, names in sorted(tables(original).items()) for c in names] == sorted(
        COLUMNS, key=lambda x: (x[0], tables(original)[x[0]].index(x[1]))
    )
    for quick in (False, True):
        assert [d.text for d in disagreements(original, quick=quick)] == []


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_a_changed_value_is_named_with_its_table_row_and_field(original, tmp_path, table, column):
    rows = rows_of(original, table)
    for rowid in {rows[0], rows[-1]}:
        path = tmp_path / f"{rowid}.db"
        with falsified(original, path) as db:
            (value,) = db.execute(f'SELECT "{column}" FROM "{table}" WHERE rowid = ?', (rowid,)).fetchone()
            db.execute(
                f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = ?', (other_value(table, column, value), rowid)
            )
        found = disagreements(path)
        if (table, column) in NOT_COMPARED and value is not None:
            assert [d.text for d in found] == []
            continue
        own = [d for d in found if d.table == table]
        assert own or (table, column) in NOT_COMPARED, [d.text for d in found]
        assert all(d.here != d.there for d in found)
        fields = {d.field.split()[0].rstrip(",") for d in own}
        # A changed audit entry no longer has its hash, whatever the column is.
        named = table == "audit" or (table, column) in KEYS | NOT_COMPARED.keys()
        assert named or NAMED_AT.get((table, column), column) in fields or ROW in fields, own
        # The quick comparison of a short database leaves out only the gaps in the numbers of a stream.
        quick = {d.text for d in disagreements(path, quick=True)}
        assert {d.text for d in found if "the numbers of the stream" not in d.where} == quick


def removals(original):
    return [(t, rowid) for t in tables(original) for rowid in rows_of(original, t)]


@pytest.mark.slow
def test_a_removed_row_is_named(original, tmp_path):
    last = rows_of(original, "audit")[-1]
    path = tmp_path / "removed.db"
    unnamed = []
    cases = removals(original)
    assert len(cases) > 40
    for table, rowid in cases:
        with falsified(original, path) as db:
            db.execute(f'DELETE FROM "{table}" WHERE rowid = ?', (rowid,))
        if not [d for d in disagreements(path) if d.table == table]:
            unnamed.append((table, rowid))
    assert unnamed == [("audit", last), ("broker_session", 1)]
    assert {t for t, _ in unnamed} == ROWS_NOT_COMPARED.keys()


def test_the_newest_run_removed_from_every_table_but_the_audit_trail_is_named(original, tmp_path):
    path = tmp_path / "removed.db"
    with falsified(original, path) as db:
        (run,) = db.execute("SELECT id FROM runs ORDER BY rowid DESC LIMIT 1").fetchone()
        results = "(SELECT id FROM results WHERE run = ?)"
        db.execute(f"DELETE FROM outbox WHERE result IN {results}", (run,))
        for table, key in (("kept", "run"), ("journal", "run"), ("health", "run"), ("results", "run"), ("runs", "id")):
            db.execute(f"DELETE FROM {table} WHERE {key} = ?", (run,))
    for quick in (False, True):
        found = disagreements(path, quick=quick)
        assert {("runs", run, ROW), ("health", run, ROW)} <= {(d.table, d.row, d.field) for d in found}
        assert {"results", "outbox", "kept", "journal"} <= {d.table for d in found}


def test_the_last_sequence_number_is_compared_with_the_audit_trail(tmp_path):
    path = tmp_path / "changed.db"
    with falsified(make_long_database(tmp_path / "long.db", 5), path) as db:
        db.execute("DELETE FROM results WHERE sequence = 5")
    for quick in (False, True):
        found = [(d.row, d.here, d.there) for d in disagreements(path, quick=quick) if d.field == "sequence"]
        assert found == [("rotor-1 (epoch 1)", 4, 5)]


def test_a_value_changed_in_a_published_payload_is_named_with_both_values(original, tmp_path):
    path = tmp_path / "changed.db"
    with falsified(original, path) as db:
        seq, payload = db.execute("SELECT seq, payload FROM outbox WHERE topic LIKE '%/result/%' LIMIT 1").fetchone()
        value = json.loads(payload)["data"]["value"]
        db.execute(
            "UPDATE outbox SET payload = ? WHERE seq = ?", (payload.replace(f"{value}".encode(), b"700.87"), seq)
        )
    named = [d for d in disagreements(path) if (d.table, d.row) == ("outbox", str(seq))]
    assert ("payload data.value", 700.87, value) in [(d.field, d.here, d.there) for d in named]


def test_a_value_changed_in_result_and_payload_alike_is_named_by_the_audit_trail(original, tmp_path):
    path = tmp_path / "changed.db"
    with falsified(original, path) as db:
        ident, data = db.execute("SELECT id, data FROM results LIMIT 1").fetchone()
        value = repr(json.loads(data)["value"])
        db.execute("UPDATE results SET data = replace(data, ?, '700.87') WHERE id = ?", (value, ident))
        for seq, payload in db.execute("SELECT seq, payload FROM outbox WHERE result = ?", (ident,)).fetchall():
            changed = payload.replace(value.encode(), b"700.87")
            db.execute("UPDATE outbox SET payload = ? WHERE seq = ?", (changed, seq))
    assert {("results", "data"), ("outbox", "payload")} <= {(d.table, d.field) for d in disagreements(path)}


def test_a_second_start_of_a_run_appended_to_the_audit_trail_does_not_replace_the_first(original, tmp_path):
    path = tmp_path / "changed.db"
    with falsified(original, path) as db:
        run, detail = db.execute("SELECT subject, detail FROM audit WHERE what = 'run_started' LIMIT 1").fetchone()
        db.execute("UPDATE runs SET sample = 'G-9999' WHERE id = ?", (run,))
    with Store(path) as store:
        store.submit(Audit(1, "m.keeper", "run_started", run, json.loads(detail) | {"sample": "G-9999"})).result(10)
    found = {(d.table, d.field) for d in disagreements(path)}
    assert {("audit", ROW), ("runs", "sample")} <= found


def test_an_epoch_that_the_daemon_started_agrees_and_a_changed_one_is_named(original, tmp_path):
    path = tmp_path / "later.db"
    with falsified(original, path):
        pass
    with Store(path) as store:
        store.submit(StartEpoch(reason="put back", least=5, utc_ns=T0)).result(10)
    assert [d.text for d in disagreements(path)] == []
    changed = tmp_path / "changed.db"
    with falsified(path, changed) as db:
        db.execute("UPDATE meta SET epoch = 4, restored_utc_ns = NULL")
    assert [(d.field, d.here, d.there) for d in disagreements(changed)] == [
        ("epoch", 4, 5), ("restored_utc_ns", None, T0),
    ]  # fmt: skip


def test_a_header_without_a_journal_is_named_by_the_audit_trail(tmp_path):
    path = tmp_path / "daq.db"
    with Store(path) as store:
        for step in (register(), begin("a")):
            store.submit(step).result(10)
    changed = tmp_path / "changed.db"
    with falsified(path, changed) as db:
        db.execute("UPDATE runs SET header = '{\"plan\": {}}'")
    assert [(d.table, d.row, d.field) for d in disagreements(changed)] == [("runs", "a", "header")]


def test_a_missing_trigger_is_named(original, tmp_path):
    path = tmp_path / "changed.db"
    with falsified(original, path):
        pass
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER results_no_update")
        db.commit()
    assert [(d.table, d.row) for d in disagreements(path)] == [("sqlite_schema", "results_no_update")]


def steps(path, *, quick):
    """Return the number of steps of SQLite's virtual machine that a comparison takes, in hundreds."""
    count = 0

    def one():
        nonlocal count
        count += 1

    with Stored(path) as stored:
        stored._connection.set_progress_handler(one, 100)
        assert [d.text for d in Comparison(quick=quick).of(stored)] == []
    return count


def test_the_quick_comparison_does_not_grow_with_the_database_and_the_whole_one_grows_in_proportion(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(everything, "NEWEST_RUNS", 20)
    short, long = make_long_database(tmp_path / "short.db", 60), make_long_database(tmp_path / "long.db", 480)
    assert steps(long, quick=True) < 1.1 * steps(short, quick=True)
    assert steps(long, quick=False) < 8.8 * steps(short, quick=False)


def test_the_quick_comparison_covers_the_newest_runs_only(tmp_path, monkeypatch):
    monkeypatch.setattr(everything, "NEWEST_RUNS", 20)
    path = make_long_database(tmp_path / "long.db", 60)
    for run, quick in ((10, []), (50, ["sample"])):
        changed = tmp_path / "changed.db"
        with falsified(path, changed) as db:
            db.execute("UPDATE runs SET sample = 'G-9' WHERE id = ?", (f"run-{run}",))
        assert [d.field for d in disagreements(changed, quick=True)] == quick
        assert [d.field for d in disagreements(changed)] == ["sample"]
