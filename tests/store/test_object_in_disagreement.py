"""A stored value that is an object of JSON is named like any other where it differs."""

from daq.adapters.store.agreement.one_run import disagreements_of_sample
from tests.support.runs.charted import Measured, make_charted, run_id
from tests.support.runs.full_database import falsified


def test_a_header_that_was_changed_is_named_once(tmp_path):
    path = make_charted(tmp_path / "daq.db", [Measured("G-1", 1.0)])
    with falsified(path, tmp_path / "changed.db") as db:
        db.execute("""UPDATE runs SET header = '{"plan": {"links": [{"name": "bench-9"}]}}'""")
    found = disagreements_of_sample(tmp_path / "changed.db", "G-1", [run_id(0), run_id(0)])
    assert {d.table for d in found if isinstance(d.here, dict)} == {"runs"}
    assert len({(d.field, d.where) for d in found}) == len(found)
