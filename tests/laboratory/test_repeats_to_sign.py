"""A person who signs looks first at repeats: runs beyond the replicates that the product's rule asks for."""

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.store import Store
from daq.app.laboratory.signing.subjects import run_subject
from daq.app.records.signatures import Releases
from daq.methods.files.producttest import Replicates
from tests.support.runs.virtual_bench import StoredBench

#: Runs of one sample, oldest first: filling, and whether it was stopped; and the runs that are repeats.
HISTORIES = {
    "two replicates": ([("1", False), ("2", False)], []),
    "a third one": ([("1", False), ("2", False), ("3", False)], [3]),
    "after a stopped one": ([("1", True), ("2", False)], [2]),
}


@pytest.mark.parametrize("name", HISTORIES)
def test_runs_beyond_the_replicates_of_the_rule_are_looked_at_first(tmp_path, name):
    history, repeats = HISTORIES[name]
    bench = StoredBench(tmp_path / "state")
    rule = Replicates.model_validate({"count": 2, "repeatability_limit": "50 %"})
    product = bench.catalogue.products["clear-glaze"]
    bench.catalogue.products["clear-glaze"] = product.model_copy(update={"replicates": rule})
    runs = []
    for number, (fill, stopped) in enumerate(history, start=1):
        about = {"stop_after_s": 20} if stopped else {}
        runs.append(bench.measure("G-1042", fill=fill, replicate=number, **about))
    with Store(database_path(bench.state)) as store, store.reader() as reader:
        releases = Releases(reader)
        found = [n for n, run in enumerate(runs, 1) if "repeat" in run_subject(releases, reader.run(run)).exceptions]
    assert found == repeats
