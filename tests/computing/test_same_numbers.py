"""The tasks after a run store the same, byte for byte, in the daemon and in the process for computations."""

import json

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.store import Store
from daq.app.daemon.computing import tasks as here
from tests.support.processes.computing import computations, content, copied, follow
from tests.support.runs.ended_runs import EXAMPLES, FLOW_CURVE, ended

pytestmark = pytest.mark.slow  # processes; `computes_apart` is off unless a file switches it on

TABLES = ("health", "records", "outbox")


def added(before, after, table):
    return [line for line in after if line.startswith(f'INSERT INTO "{table}"') and line not in before]


def forbid(monkeypatch):
    """Let nothing that follows a run be computed in this process."""

    def never(*_, **__):
        raise AssertionError("computed in the daemon")

    for name in ("note_done", "Keeping", "samples_after", "figures", "raw_journal", "curve_message"):
        monkeypatch.setattr(here, name, never)


def test_the_database_is_the_same_wherever_it_was_computed(tmp_path, monkeypatch):
    state = tmp_path / "state"
    runs = ended(state, *EXAMPLES)
    before = content(state)
    one, other = copied(state, tmp_path / "one"), copied(state, tmp_path / "other")
    follow(one, runs)
    forbid(monkeypatch)
    follow(other, runs, computations)
    found = content(one)
    assert content(other) == found
    # Something of each kind followed: otherwise the comparison would compare nothing.
    assert len(added(before, found, "health")) == len(runs)
    assert any("reportable" in line for line in added(before, found, "records"))
    assert any("sample_done" in line for line in added(before, found, "audit"))
    with Store(database_path(one)) as store, store.reader() as reader:
        curves = reader.query(
            "SELECT payload FROM outbox WHERE topic = ?", ["glaze-works/kiln-street/quality/lab/v1/curve/bench-2"]
        )
    assert [json.loads(row["payload"])["data"]["run"] for row in curves] == [runs[FLOW_CURVE]]
