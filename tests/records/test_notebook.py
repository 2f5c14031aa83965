"""`daq.records`: the page's lines run, and its numbers are those of the commands."""

import ast
import csv
import io
import json
import re
import sqlite3
import sys
import types
from pathlib import Path

import numpy as np
import pytest

from daq import records
from daq.adapters.paths import database_path
from daq.adapters.store.backup import backup
from daq.adapters.store.schema import FORMAT
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.records import searching
from daq.core.errors import SettingError, StoreError
from tests.support.runs.full_database import falsified
from tests.support.runs.stored import begin, register
from tests.support.runs.virtual_bench import StoredBench

PAGE = Path(__file__).parents[2] / "config/README.md"


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Return the state directory of two runs, one stopped by a person."""
    bench = StoredBench(tmp_path_factory.mktemp("notebook") / "state")
    bench.measure("G-1041", lot="=1+1")
    bench.measure("G-1044", stop_after_s=20)
    return bench.state


@pytest.fixture
def state(measured):
    with records.open_state(measured) as opened:
        yield opened


class Frame:
    """The part of a pandas DataFrame that is used."""

    def __init__(self, data):
        self.data, self.attrs = data, {}


@pytest.fixture
def pandas(monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", types.SimpleNamespace(DataFrame=Frame))


def test_the_lines_of_the_page_run(measured, pandas, capsys):
    (lines,) = re.findall(
        r"```python\n(from daq import records.*?|import numpy.*?)```", PAGE.read_text("utf-8"), re.DOTALL
    )
    names = {}
    assert '"/var/lib/daq"' in lines
    exec(lines.replace('"/var/lib/daq"', repr(str(measured))), names)  # noqa: S102 - our own page
    assert [r.sample for r in names["runs"]] == ["G-1044", "G-1041"]
    assert len(names["results"]) == 2
    assert capsys.readouterr().out.endswith("mPa.s\n")
    assert names["table"].data.keys() == names["readings"].columns.keys()
    assert names["table"].attrs["units"]["viscosity"] == "mPa.s"


@pytest.mark.parametrize("number", [0, 1])
def test_readings_equal_the_export_bit_for_bit(state, measured, capfdbinary, number):
    run = state.runs()[number].run
    readings = state.readings(run)
    assert main(["--state", str(measured), "export", run]) == 0
    rows = list(csv.DictReader(io.StringIO(capfdbinary.readouterr().out.decode(), newline="")))
    assert len(rows) == len(readings) > 100
    signals = set(readings.units) - {"time"}
    for name, unit in readings.units.items():
        heading = f"{name} [{unit}]" if unit != "1" else name
        exported = np.array([float(r[heading]) if r[heading] else np.nan for r in rows])
        assert np.array_equal(exported, readings[name], equal_nan=True), name
        assert readings[name].dtype == np.float64
    for name in ("instrument", "state", "step", "faults"):
        assert [r[name] for r in rows] == list(readings[name])
    assert [bool(int(r["repeat"])) for r in rows] == list(readings["repeat"])
    milliseconds = [np.datetime_as_string(t, unit="ms") + "Z" for t in readings["utc"]]
    assert [r["utc"] for r in rows] == milliseconds
    assert {"viscosity", "torque", "thermo-1.temperature"} <= signals
    # The newest run was stopped before its motor turned.
    assert np.isnan(readings["viscosity"]).all() == (number == 0)


def test_rows_equal_the_commands(state, measured, capsys):
    assert main(["--state", str(measured), "runs", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    runs, results = state.runs(), state.results()
    assert [(r.run, r.value, r.expanded, r.verdict) for r in runs] == [
        (e["run"], e["value"], e["expanded"], e["verdict"]) for e in listed
    ]
    for row, run in zip(results, runs, strict=True):
        assert main(["--state", str(measured), "show", "--json", row.run]) == 0
        stored = json.loads(capsys.readouterr().out)["result"]
        assert row.data == stored
        assert (row.value, row.unit, row.validity, row.verdict) == (run.value, run.unit, run.validity, run.verdict)
        assert row.expanded == (stored["uncertainty"] or {}).get("expanded")


def test_conditions_are_those_of_the_search(state, monkeypatch):
    assert [r.sample for r in state.runs(outcome="complete")] == ["G-1041"]
    assert [r.sample for r in state.results(lot="=1+1", since="2025-11-24")] == ["G-1041"]
    assert state.runs(until="2020-01-01") == []
    assert len(state.runs(limit=1)) == 1
    for wrong, word in (
        ({"colour": "red"}, "colour: is no condition"),
        ({"since": "x"}, "since: 'x' is no time"),
        ({"lot": ""}, "lot: '' is no text"),
        ({"lot": 7}, "lot: 7 is no text"),
    ):
        with pytest.raises(SettingError, match=word):
            state.runs(**wrong)
    monkeypatch.setattr(records, "MOST_EXAMINED", 1)
    monkeypatch.setattr(searching, "FEW", 0)  # otherwise the few results of a verdict are walked
    with pytest.warns(records.IncompleteWarning, match="1 runs were examined, back to 2025-11-24"):
        state.runs(verdict="outside")


def test_it_reads_beside_a_writer_and_changes_nothing(measured, tmp_path):
    backup(database_path(measured), tmp_path / "daq.db")
    with Store(tmp_path / "daq.db") as store, records.open_state(tmp_path) as state:
        before = len(state.runs())
        store.submit(register()).result(20)
        store.submit(begin("new")).result(20)
        assert len(state.runs()) == before + 1
        assert [r.state for r in state.runs(sample="GL-0412")] == ["running"]
        assert len(state.results()) == before
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            state._reader._db.execute("DELETE FROM kept")


def test_it_reads_a_copy_and_refuses_a_newer_format_by_name(measured, tmp_path):
    copy = tmp_path / "copy.sqlite"
    backup(database_path(measured), copy)
    before = copy.read_bytes()
    with records.open_state(copy) as state, records.open_state(str(measured)) as original:
        assert state.runs() == original.runs()
        assert state.results() == original.results()
        assert np.array_equal(state.readings("last")["torque"], original.readings("last")["torque"], equal_nan=True)
    assert copy.read_bytes() == before
    with sqlite3.connect(copy) as connection:
        connection.execute(f"PRAGMA user_version = {FORMAT + 1}")
    connection.close()
    with pytest.raises(StoreError, match=f"database format {FORMAT + 1} is newer than this daq"):
        records.open_state(copy)
    with pytest.raises(StoreError, match="there is no database"):
        records.open_state(tmp_path / "none")


def test_changed_data_are_refused_unless_asked_for(measured, tmp_path):
    for number, change in enumerate(("UPDATE kept SET value = '{}'", "UPDATE journal SET data = x'00' WHERE seq = 1")):
        with falsified(database_path(measured), tmp_path / f"{number}.sqlite") as db:
            db.execute(change)
        with records.open_state(tmp_path / f"{number}.sqlite") as state:
            run = state.runs(outcome="complete")[0].run
            with pytest.raises(StoreError, match=f"run {run}: .*anyway=True returns the readings"):
                state.readings(run)
            assert len(state.readings(run, anyway=True)) > 0


def test_without_pandas_it_says_what_to_do(state, monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    for use in (lambda: records.to_pandas(state.runs()), state.readings("last").to_pandas):
        with pytest.raises(SettingError, match="pandas is not installed"):
            use()


def test_rows_become_a_table(state, pandas):
    assert [row["sample"] for row in records.to_pandas(state.runs()).data] == ["G-1044", "G-1041"]
    assert records.to_pandas(state.results()).data[1]["data"]["quantity"] == "viscosity"


def test_it_imports_numpy_and_pandas_only_where_they_are_used():
    tree = ast.parse(Path(records.__file__).read_text("utf-8"))
    imports = [node for node in ast.iter_child_nodes(tree) if type(node) in (ast.Import, ast.ImportFrom)]
    assert [n for n in imports if re.search("numpy|pandas", ast.dump(n))] == []
