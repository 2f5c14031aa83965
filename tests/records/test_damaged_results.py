"""A stored result that lacks keys, or is no whole JSON, is named by ``daq replay``: in a result of an older daq too."""

import json
import random
import sqlite3
from functools import partial

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.cli import main
from daq.app.records import replaying
from daq.app.setup.drivers import Drivers
from daq.core.faults import CHECKS
from daq.methods.messages.result import ResultData
from tests.support.runs import virtual_bench

OLDER = CHECKS - 1


@pytest.fixture(params=[OLDER, CHECKS], scope="module", ids=["by an older daq", "by this daq"])
def stored(request, tmp_path_factory):
    """Return the state directory of one run, its id, and the text of its result; updates of results are allowed."""
    bench = virtual_bench.StoredBench(tmp_path_factory.mktemp("bench") / "state")
    with pytest.MonkeyPatch.context() as m:
        m.setattr(virtual_bench, "header_of", partial(virtual_bench.header_of, checks=request.param))
        run = bench.measure("G-1041")
    with sqlite3.connect(database_path(bench.state)) as db:
        db.execute("DROP TRIGGER results_no_update")
        (text,) = db.execute("SELECT data FROM results").fetchone()
    return bench.state, run, text


@pytest.fixture
def whole(stored):
    """Store the text of the result again after the test."""
    yield stored
    write(stored[0], stored[2])


def write(state, text):
    with sqlite3.connect(database_path(state)) as db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute("UPDATE results SET data = ?", (text,))


def again(state):
    with Reader(database_path(state)) as reader:
        (run,) = reader.runs()
        return replaying.recompute(reader, run, Drivers.find())


def paths(data, path=()):
    """Yield the place of every key of a JSON value."""
    if isinstance(data, dict):
        for key, value in data.items():
            yield (*path, key)
            yield from paths(value, (*path, key))
    elif isinstance(data, list):
        for i, value in enumerate(data):
            yield from paths(value, (*path, i))


def without(text, path):
    """Return the JSON value of a text without the key at a place, and the value that was there."""
    data = json.loads(text)
    at = data
    for key in path[:-1]:
        at = at[key]
    return data, at.pop(path[-1])


def is_required(data):
    """Return whether the model of a result refuses the data."""
    try:
        ResultData.model_validate_json(json.dumps(data))
    except ValueError:
        return True
    return False


def test_a_key_taken_out_of_a_stored_result_is_named(whole, monkeypatch):
    """A draw of all keys: a field that was added may be lacking, and the digest shows that it was there."""
    state, _, text = whole
    honest = replaying.replay
    found = []
    monkeypatch.setattr(
        replaying, "replay", lambda *a, **k: found[0] if found else found.append(honest(*a, **k)) or found[0]
    )
    assert (again(state).same, again(state).changed_since) == (True, [])
    places = [p for p in paths(json.loads(text)) if p[0] not in replaying.RECORD_KEYS]
    unseen = []
    for path in [("faults",), ("quality",), ("motor",), *random.Random("keys").sample(places, 15)]:
        data, value = without(text, path)
        write(state, json.dumps(data))
        done = again(state)
        is_named = bool(done.differences) or value is None or not is_required(data)
        if done.same or len(done.changed_since) != 1 or not is_named:
            unseen.append(path)
    assert (unseen, len(found), len(places) > 200) == ([], 1, True)


@pytest.mark.parametrize(
    "damaged",
    [
        "",
        "{",
        "null",
        "[]",
        "3",
        '"x"',
        "{}",
        '{"reasons": 3}',
        '{"reasons": [{}], "motor": []}',
        '{"steps": "x"}',
        "\x00",
    ],
)
def test_a_damaged_result_is_named_and_nothing_crashes(whole, capsys, damaged):
    state, run, _ = whole
    write(state, damaged)
    done = again(state)
    assert done.differences
    assert all(where.startswith("result") for where, _, _ in done.differences)
    assert main(["--state", str(state), "replay", run]) == 1
    printed = capsys.readouterr().out
    assert "differs: result" in printed
    assert "changed since it was stored: " in printed


@pytest.mark.parametrize("damaged", ["{", "null", "{}", "drop faults", "drop value"])
def test_a_damaged_correction_is_named_and_nothing_crashes(tmp_path, capsys, damaged):
    bench = virtual_bench.StoredBench(tmp_path / "state")
    run = bench.measure("G-1041")
    assert main(["--state", str(bench.state), "correct", run, "--sample", "G-1O41", "--because", "as it was"]) == 0
    with sqlite3.connect(database_path(bench.state)) as db:
        db.execute("DROP TRIGGER results_no_update")
        (text,) = db.execute("SELECT data FROM results WHERE supersedes IS NOT NULL").fetchone()
        if damaged.startswith("drop"):
            damaged = json.dumps(without(text, (damaged.split()[1],))[0])
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute("UPDATE results SET data = ? WHERE supersedes IS NOT NULL", (damaged,))
    done = again(bench.state)
    assert done.differences
    assert all(where.startswith("corrected result") for where, _, _ in done.differences)
    assert main(["--state", str(bench.state), "replay", run]) == 1
    assert "differs: corrected result" in capsys.readouterr().out


def test_a_damaged_kept_value_is_named_and_nothing_crashes(tmp_path, capsys):
    bench = virtual_bench.StoredBench(tmp_path / "state")
    run = bench.measure("G-1041")
    with sqlite3.connect(database_path(bench.state)) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute("UPDATE kept SET value = '{' WHERE idx = 0")
    assert again(bench.state).differences
    assert main(["--state", str(bench.state), "replay", run]) == 1
    assert "differs: kept[0]" in capsys.readouterr().out
