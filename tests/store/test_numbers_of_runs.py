"""The number of a run among those of its sample is counted in the transaction that begins the run."""

import json
import random
from dataclasses import replace

import pytest

from daq.adapters.store.declaring.beginning import BeginConfigured
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.store import Store
from daq.app.laboratory.laboratory import new
from daq.core.errors import SettingError
from daq.laboratory.configuration import RunConfiguration
from tests.support.runs.stored import T0, begin, register

SAMPLES = ("GL-1", "GL-2")
DECLARED = ("sample", "product", "lot", "sampled_at", "operator")


def started(run, sample, *, replicate=1, counted=True):
    start = begin(run)
    return replace(start, run=replace(start.run, sample=sample, replicate=replicate), counted=counted)


def moved(store, run, sample, after):
    """Return the change that declares a run to be of another sample."""
    with store.reader() as reader:
        record = reader.run(run)
    data = {name: getattr(record, name) for name in DECLARED} | {"sample": sample, "plan": None}
    return ChangeRecords(
        (Change("declaration", run, "run_corrected", data, [("sample", sample)], after),), T0, "x", "y"
    )


@pytest.mark.parametrize("seed", range(8))
def test_no_number_is_given_twice_for_a_sample_over_starts_and_corrections(tmp_path, seed):
    """Starts, stated numbers and moves to another sample in random order; each new number is above all of its sample."""
    rng = random.Random(seed)
    started_for: dict[str, str] = {}
    declared: dict[str, str] = {}
    numbers: dict[str, int] = {}
    revisions: dict[str, int] = {}
    with Store(tmp_path / "a.sqlite", utc_ns=T0) as store:
        store.submit(register()).result(20)
        for i in range(14):
            run, sample = f"run-{i}", rng.choice(SAMPLES)
            if numbers and rng.random() < 0.3:
                other = rng.choice(sorted(numbers))
                store.submit(moved(store, other, sample, revisions.get(other, 0))).result(20)
                revisions[other] = revisions.get(other, 0) + 1
                declared[other] = sample
                continue
            before = max((numbers[r] for r in numbers if sample in (started_for[r], declared.get(r))), default=0)
            stated = before + rng.randrange(1, 3) if rng.random() < 0.2 else 0
            start = started(run, sample, replicate=stated or 1, counted=not stated)
            numbers[run], started_for[run] = store.submit(start).result(20), sample
            assert numbers[run] == stated if stated else numbers[run] > before
    with Store(tmp_path / "a.sqlite", utc_ns=T0) as store, store.reader() as reader:
        assert {run: reader.run_as_started(run).replicate for run in numbers} == numbers
        entries = [e for e in reader.audit() if e.what == "run_started"]
        assert {e.subject: json.loads(e.detail)["replicate"] for e in entries} == numbers


def test_runs_of_other_samples_and_methods_are_not_counted(tmp_path):
    with Store(tmp_path / "a.sqlite", utc_ns=T0) as store:
        for known in (register(), replace(register(), id="other")):
            store.submit(known).result(20)
        other = started("run-2", "GL-1")
        other = replace(other, run=replace(other.run, method_id="other"))
        found = [store.submit(s).result(20) for s in (started("run-1", "GL-1"), other, started("run-3", "GL-2"))]
        assert found == [1, 1, 1]
        assert store.submit(started("run-4", "GL-1")).result(20) == 2


def configured(run, sample, *, replicate=1, counted=True):
    """Return the start of a run as the daemon makes it."""
    own = new(RunConfiguration(id=run, used=(), fitted={}), "run_configured")
    return BeginConfigured(started(run, sample, replicate=replicate, counted=counted), (), (), own)


@pytest.mark.parametrize("seed", range(4))
def test_a_stated_number_that_a_run_of_the_sample_has_is_refused(tmp_path, seed):
    """Starts, stated numbers and moves to another sample in random order: no sample has a number twice."""
    rng = random.Random(seed)
    began: dict[str, str] = {}
    of: dict[str, set[str]] = {}
    """The samples of each run: that at its start, and that of its newest correction."""
    numbers: dict[str, int] = {}
    revisions: dict[str, int] = {}
    refused = 0
    with Store(tmp_path / "a.sqlite", utc_ns=T0) as store:
        store.submit(register()).result(20)
        for i in range(25):
            run, sample, stated = f"run-{i}", rng.choice(SAMPLES), rng.choice([1, 2, 3, 4, 5])
            if numbers and rng.random() < 0.2:
                other = rng.choice(sorted(numbers))
                store.submit(moved(store, other, sample, revisions.get(other, 0))).result(20)
                revisions[other] = revisions.get(other, 0) + 1
                of[other] = {began[other], sample}
                continue
            taken = any(numbers[r] == stated and sample in of[r] for r in numbers)
            start = store.submit(configured(run, sample, replicate=stated, counted=stated == 1))
            if stated > 1 and taken:
                with pytest.raises(SettingError, match=f"has a run with the number {stated} already"):
                    start.result(20)
                refused += 1
                continue
            numbers[run], began[run], of[run] = start.result(20), sample, {sample}
        with store.reader() as reader:
            assert {r.id for r in reader.runs(limit=-1)} == set(numbers)
    assert refused > 2
