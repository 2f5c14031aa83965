"""Runs of a sample are in the order of their starts, also where the clock was set back between them."""

import itertools

import pytest

from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.laboratory import ordering
from daq.app.laboratory.ordering import completed
from daq.app.records.attempts import newest_started, runs_of_sample
from daq.app.records.judged.judging import deciding_runs, judged_sample, without_cause
from daq.app.setup.run_order import RunOrder
from tests.laboratory.parts import laboratory
from tests.support.runs.charted import Measured, limited, make_charted, run_id
from tests.support.runs.stored import begin, conclude, end, register

#: Seconds from each run to the next; the clock was set back where they are negative.
STEPS = (3600, -3600)


def with_verdict(value, verdict):
    found = limited(700.0, 900.0)["verdict"]
    return Measured("G-1", value, fill=f"F-{value}", changes={"verdict": found | {"verdict": verdict}})


OUTSIDE, WITHIN, THIRD = (
    with_verdict(value, verdict) for value, verdict in ((950.0, "outside"), (800.0, "within"), (810.0, "within"))
)


@pytest.fixture
def asked(monkeypatch):
    """Return a list that gets each statement that a reader runs."""
    found, rows, query = [], Reader.rows, Reader.query
    monkeypatch.setattr(Reader, "rows", lambda self, sql, *a, **k: found.append(sql) or rows(self, sql, *a, **k))
    monkeypatch.setattr(Reader, "query", lambda self, sql, *a, **k: found.append(sql) or query(self, sql, *a, **k))
    return found


def test_the_order_of_the_starts_costs_one_statement_however_many_runs_a_sample_has(tmp_path, asked):
    counts = set()
    for count in (1, 2, 9):
        with Reader(make_charted(tmp_path / f"{count}.db", [WITHIN] * count)) as reader:
            asked.clear()
            assert len(runs_of_sample(reader, "G-1")) == count
        counts.add(len(asked))
        assert sum("run_started" in sql for sql in asked) == 1
    assert len(counts) == 1


@pytest.mark.parametrize("stated", [{"filling": "fresh"}, {"fill": "F-1"}, {"filling": "same"}, {}])
def test_the_runs_before_are_read_only_where_they_decide_the_filling(tmp_path, monkeypatch, stated):
    make_charted(tmp_path / "daq.db", [WITHIN, THIRD])
    read = []
    monkeypatch.setattr(ordering, "runs_of_sample", lambda *a: read.append(a) or runs_of_sample(*a))
    with laboratory(tmp_path) as lab, lab.reader() as reader:
        order = RunOrder(sample="G-1", instrument="bench-1", method_id="clear-glaze-qc", **stated)
        done = completed(order, lab.catalogue, reader, ("bench-1",))
    decides = stated in ({"filling": "same"}, {})
    assert (len(read), done.fill) == (int(decides), THIRD.fill if decides else stated.get("fill", ""))


def test_the_runs_before_of_a_control_fluid_are_not_read(tmp_path, monkeypatch):
    make_charted(tmp_path / "daq.db", [Measured("house-oil", 480.0, product="")])
    monkeypatch.setattr(ordering, "runs_of_sample", None)
    with laboratory(tmp_path) as lab, lab.reader() as reader:
        order = RunOrder(sample="house-oil", fluid="house-oil", instrument="bench-1", method_id="house-control")
        assert completed(order, lab.catalogue, reader, ("bench-1",)).fill == ""


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


@pytest.mark.parametrize("step_s", STEPS)
@pytest.mark.parametrize("going", [False, True])
def test_the_newest_run_of_a_bench_is_the_one_that_was_started_last(tmp_path, step_s, going):
    path = make_charted(tmp_path / "daq.db", [WITHIN, THIRD, OUTSIDE], every_s=step_s)
    wanted = run_id(2)
    if going:
        with Store(path) as store:
            for step in (register(), began := begin("going", "bench-1")):
                store.submit(step).result(10)
        wanted = began.run.id
    with Reader(path) as reader:
        assert newest_started(reader, "bench-1").id == wanted
        assert newest_started(reader, "bench-9") is None


@pytest.mark.parametrize("recovered", list(itertools.permutations("123")))
def test_a_run_that_is_recovered_late_is_not_the_newest_of_its_bench(tmp_path, recovered):
    """Runs are started in the order of their names, and concluded in any order; also while one has not ended yet."""
    with Store(tmp_path / "daq.db") as store:
        for step in (register(), *(begin(name, "bench-1") for name in "123")):
            store.submit(step).result(10)
        for name in recovered:
            for step in (conclude(name), end(name)):
                store.submit(step).result(10)
                with store.reader() as reader:
                    assert newest_started(reader, "bench-1").id == "3"
