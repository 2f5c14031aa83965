"""A cup is off the bath list of a bench after a run of its sample there, or when the sample is done or cancelled."""

from dataclasses import replace

import pytest

from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.bench.cups import cups_in_bath
from daq.app.laboratory.bench.handing_over import left_over
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.samples import in_state
from daq.laboratory.bench.benchstate import BenchState, Cup
from daq.laboratory.samples import Sample
from tests.support.laboratories import laboratory
from tests.support.runs.stored import T0, begin, register

AT = T0 + 60 * 10**9


@pytest.mark.parametrize("bench", ["rotor-1", "rotor-2"])
@pytest.mark.parametrize(
    ("event", "stays"),
    [
        ("", True),
        ("run before", True),
        ("run after", False),
        ("other sample", True),
        ("cancelled", False),
        ("done before", True),
        ("done after", False),
        ("done after and reopened", False),
        ("done before and reopened", True),
        ("cancelled and reopened", False),
        ("cancelled before and reopened", True),
    ],
)
def test_a_cup_leaves_the_bath_by_a_run_on_its_bench_and_with_the_end_of_its_sample(tmp_path, bench, event, stays):
    """A run on another bench took the cup of that bench: a sample may have a test on each."""
    with laboratory(tmp_path) as lab:
        carry_out(lab, "sample_add", {"id": "G-1"})
        state = BenchState(id="rotor-1", stage="choosing", cups=(Cup(sample="G-1", since_utc_ns=AT),))
        stays = stays or (event == "run after" and bench == "rotor-2")
        lab.change(new(state, "bench_cup"))
        lab.store.submit(register()).result(10)
        if event == "cancelled":
            carry_out(lab, "sample_cancel", {"id": "G-1", "because": "spilled"})
        elif event.startswith(("done", "cancelled")):
            end_ns = AT - 1 if "before" in event else AT
            for to, at_ns in ((event.split()[0], end_ns), ("open", end_ns + 1))[: 1 + ("reopened" in event)]:
                lab.clock.now = at_ns
                lab.change(in_state(lab.get(Sample, "G-1"), to, "sample_done"))
        elif event:
            began = begin("run-1", bench)
            sample = "G-2" if event == "other sample" else "G-1"
            at_ns = AT - 1 if event == "run before" else AT + 1
            run = replace(began.run, sample=sample, began_utc_ns=at_ns)
            lab.store.submit(replace(began, run=run)).result(10)
        with lab.reader() as reader:
            assert [c.sample for c in cups_in_bath(reader, state)] == ["G-1"] * stays
            left = [f.sample for f in left_over(reader, lab.catalogue, AT) if f.what == "cup"]
        assert left == ["G-1"] * stays
