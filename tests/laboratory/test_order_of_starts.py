"""Runs of a sample are in the order of their starts, also where the clock was set back between them."""

import itertools

import pytest

from daq.adapters.store.reading import Reader
from daq.app.laboratory.ordering import completed
from daq.app.records.attempts import runs_of_sample
from daq.app.records.judged.judging import deciding_runs, judged_sample, without_cause
from daq.app.setup.run_order import RunOrder
from tests.laboratory.parts import laboratory
from tests.support.runs.charted import Measured, limited, make_charted, run_id

#: Seconds from each run to the next; the clock was set back where they are negative.
STEPS = (3600, -3600)


def with_verdict(value, verdict):
    found = limited(700.0, 900.0)["verdict"]
    return Measured("G-1", value, fill=f"F-{value}", changes={"verdict": found | {"verdict": verdict}})


OUTSIDE, WITHIN, THIRD = (
    with_verdict(value, verdict) for value, verdict in ((950.0, "outside"), (800.0, "within"), (810.0, "within"))
)


@pytest.mark.parametrize("every_s", STEPS)
@pytest.mark.parametrize("runs", list(itertools.permutations((OUTSIDE, WITHIN, THIRD))))
def test_the_first_run_that_was_started_is_reported_whatever_the_clock_shows(tmp_path, every_s, runs):
    """A result within after one outside must not become the reported one because the clock was set back."""
    with Reader(make_charted(tmp_path / "daq.db", runs, every_s=every_s)) as reader:
        assert [r.id for r in runs_of_sample(reader, "G-1")] == [run_id(i) for i in range(3)]
        found = judged_sample(reader, "G-1")
        assert found.value == runs[0].value
        assert [a.run for a in found.attempts] == [run_id(i) for i in range(3)]
        assert [r.id for r in deciding_runs(reader, "G-1", "glaze-flow")] == [run_id(0)]
        # The newest valid run is the one after which a repeat needs its cause.
        waits = run_id(2) if found.verdict == "outside" else ""
        assert without_cause(reader, "G-1", "glaze-flow") == waits


@pytest.mark.parametrize("every_s", STEPS)
def test_the_same_filling_is_that_of_the_run_started_last_whatever_the_clock_shows(tmp_path, every_s):
    """The filling of an earlier run would make two runs on one filling count as two."""
    make_charted(tmp_path / "daq.db", [WITHIN, THIRD], every_s=every_s)
    with laboratory(tmp_path) as lab, lab.reader() as reader:
        order = RunOrder(sample="G-1", instrument="bench-1", method_id="clear-glaze-qc", filling="same")
        assert completed(order, lab.catalogue, reader, ("bench-1",)).fill == THIRD.fill
