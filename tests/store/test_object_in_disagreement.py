"""A stored value that is an object of JSON is named like any other where it differs."""

from daq.adapters.store.agreement import one_run
from daq.adapters.store.agreement.disagreement import Disagreement
from tests.support.runs.charted import Measured, make_charted, run_id


def test_an_object_that_differs_is_named_once(tmp_path, monkeypatch):
    path = make_charted(tmp_path / "daq.db", [Measured("G-1", 1.0)])
    changed = Disagreement("runs", run_id(0), "header", {"plan": {}}, None, "its first record")
    monkeypatch.setattr(one_run, "of_run_and_records", lambda *_: iter([changed, changed]))
    assert one_run.disagreements_of_sample(path, "G-1", [run_id(0)]) == [changed]
