"""Each result names its entry in the audit trail and that of the result before it, of any instrument."""

import itertools
import json

import pytest

from daq.adapters.store.audit import genesis
from daq.adapters.store.backup import backup, restore
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.store import Store
from tests.support.runs.stored import T0, begin, conclude, register


def measure(store, run, stream):
    def build(_sequence, point, _digest):
        points.append(point)
        return json.dumps({"run": run}), [Outgoing("t", b"{}")]

    points = []
    store.submit(begin(run, stream)).result(10)
    store.submit(conclude(run, build=build)).result(10)
    return points[0]


@pytest.mark.slow
def test_results_of_several_instruments_and_epochs_form_one_chain(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        store.submit(register()).result(10)
        points = [measure(store, f"r{n}", f"bench-{n % 2}") for n in range(5)]
        with store.reader() as reader:
            heads = {e.seq: e.hash for e in reader.audit()}
            source = reader.identity()[0]
    assert (points[0].before_number, points[0].before) == (0, genesis(source))
    for before, point in itertools.pairwise(points):
        assert (point.before_number, point.before) == (before.number, before.head)
    assert all(heads[p.number] == p.head for p in points)
    backup(tmp_path / "daq.sqlite", tmp_path / "copy.sqlite")
    restore(tmp_path / "copy.sqlite", tmp_path / "restored.sqlite", utc_ns=T0, who="m.keeper")
    with Store(tmp_path / "restored.sqlite", utc_ns=T0) as store:
        after = measure(store, "r5", "bench-0")
    assert (after.before_number, after.before) == (points[-1].number, points[-1].head)
