"""A sample is done when the product's rule has its results, and a person opens it again."""

import asyncio
import random
import uuid
from dataclasses import replace
from types import SimpleNamespace

import pytest

from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangeRecords, revisions
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.store import Store
from daq.app.daemon import post_run
from daq.app.daemon.computing.computations import Computations
from daq.app.daemon.post_run import LAST_RUNS, PostRunTasks
from daq.app.laboratory import progress
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.bench.naming import outcome_of
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.lists.sample_lists import worklist
from daq.app.laboratory.progress import note_done
from daq.app.records.replaying import maker
from daq.core.errors import SettingError
from daq.laboratory.samples import Sample
from daq.methods.files.producttest import Replicates
from tests.laboratory.parts import any_ids
from tests.support.runs.stored import T0, begin, builder, conclude, end, register
from tests.support.runs.virtual_bench import StoredBench


@pytest.fixture
def bench(tmp_path):
    made = StoredBench(tmp_path / "state")
    any_ids(made.catalogue)
    return made


def act(bench, name, **order):
    with Store(database_path(bench.state)) as store:
        return carry_out(Laboratory(store, bench.catalogue, bench.clock, "m.keeper"), name, order)


def state_of(bench, ident="G-1"):
    with Store(database_path(bench.state)) as store:
        return Laboratory(store, bench.catalogue, bench.clock, "").get(Sample, ident).record.state


def noted(bench, run):
    with Store(database_path(bench.state)) as store:
        return note_done(store, bench.catalogue, run, bench.clock.utc_ns())


def replicates(bench, count):
    given = Replicates.model_validate({"count": count, "repeatability_limit": "50 %"})
    bench.catalogue.products["clear-glaze"] = bench.catalogue.product("clear-glaze").model_copy(
        update={"replicates": given}
    )


def test_one_valid_result_makes_a_sample_done_and_the_worklist_is_empty(bench):
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    run = bench.measure("G-1")
    assert noted(bench, run)
    assert state_of(bench) == "done"
    assert not noted(bench, run)
    with Store(database_path(bench.state)) as store, store.reader() as reader:
        assert worklist(reader) == []
        last = revisions(reader, "sample", "G-1")[-1]
        assert (last.what, last.who, last.because) == ("sample_done", "m.keeper", f"result of run {run}")


def test_a_run_without_a_valid_result_leaves_the_sample_open(bench):
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    assert not noted(bench, bench.measure("G-1", stop_after_s=45))
    assert state_of(bench) == "open"
    assert not noted(bench, bench.measure("G-2"))


def test_replicates_count_only_on_fills_of_their_own(bench):
    replicates(bench, 2)
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    assert not noted(bench, bench.measure("G-1", fill="a"))
    assert not noted(bench, bench.measure("G-1", "clear-glaze-thick", fill="a"))
    assert state_of(bench) == "open"
    assert noted(bench, bench.measure("G-1", fill="b"))
    assert state_of(bench) == "done"


def with_file(bench, **changes):
    """Edit the file of the product as a new version of it."""
    before = bench.catalogue.product("clear-glaze")
    bench.catalogue.products["clear-glaze"] = before.model_copy(update={"version": "99"} | changes)


@pytest.mark.parametrize("now", [1, *(pytest.param(n, marks=pytest.mark.slow) for n in (2, 3))])
@pytest.mark.parametrize("then", [1, 2])
def test_a_sample_is_done_by_the_version_with_which_its_measurement_began(bench, then, now):
    """The file of the product is edited between the runs: it asks for more or fewer replicates, or for another test."""
    replicates(bench, then)
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    run = bench.measure("G-1", fill="a")
    tests = bench.catalogue.product("clear-glaze").tests
    with_file(bench, replicates=Replicates.model_validate({"count": now, "repeatability_limit": "50 %"}))
    assert noted(bench, run) is (then == 1)
    other = tests[0].model_copy(update={"method": "glaze-flow 1.0.0"})
    for left in ((*tests, other), (other,), ()):
        with_file(bench, tests=left)
        with Store(database_path(bench.state)) as store, store.reader() as reader:
            outcome = outcome_of(reader, bench.catalogue, run)
        assert outcome.repeat == ("free" if then == 1 else "replicate")
        assert not noted(bench, run)
        assert note_undone_of(bench) is False
        assert state_of(bench) == ("done" if then == 1 else "open")


def note_undone_of(bench):
    with Store(database_path(bench.state)) as store:
        return progress.note_undone(store, bench.catalogue, "G-1", bench.clock.utc_ns(), "m.keeper", "looked again")


def test_a_sample_that_was_opened_again_waits_for_a_further_run(bench):
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    first = bench.measure("G-1")
    noted(bench, first)
    act(bench, "sample_again", id="G-1", because="the lid was open")
    assert not noted(bench, first)
    assert state_of(bench) == "open"
    bench.clock.now += 10**9
    assert noted(bench, bench.measure("G-1", fill="b"))
    assert state_of(bench) == "done"
    act(bench, "sample_again", id="G-1", because="x")
    with pytest.raises(SettingError, match="is open already"):
        act(bench, "sample_again", id="G-1", because="x")


def test_a_cancelled_sample_stays_cancelled(bench):
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    act(bench, "sample_cancel", id="G-1", because="spilled")
    assert not noted(bench, bench.measure("G-1"))
    assert state_of(bench) == "cancelled"


def test_a_change_at_the_same_moment_is_not_lost(bench, monkeypatch):
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    run = bench.measure("G-1")
    real, others = progress.is_measured, []

    def changed_meanwhile(reader, sample, product):
        if len(others) < 2:
            others.append(sample.lot)
            lot = f"lot {len(others)}"
            act(bench, "sample_change", id="G-1", lot=lot, because="read again")
        return real(reader, sample, product)

    monkeypatch.setattr(progress, "is_measured", changed_meanwhile)
    assert noted(bench, run)
    with Store(database_path(bench.state)) as store:
        record = Laboratory(store, bench.catalogue, bench.clock, "").get(Sample, "G-1").record
    assert (record.lot, record.state) == ("lot 2", "done")


def test_a_note_that_a_kill_came_before_is_made_after_the_next_start(bench):
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    act(bench, "sample_add", id="G-2", product="clear-glaze")
    bench.measure("G-1")

    async def started():
        with Store(database_path(bench.state)) as store:
            computations = Computations(store, maker(bench.catalogue.drivers), bench.clock)
            tasks = PostRunTasks(store, lambda: bench.catalogue, computations, bench.clock, None, lambda: None)
            tasks.make_up(["bench-1", "bench-2"])
            await tasks.tasks.finish()

    asyncio.run(started())
    assert (state_of(bench, "G-1"), state_of(bench, "G-2")) == ("done", "open")


def started(store, monkeypatch, fails=()):
    """Return the runs for which a start makes up, in their order; the note of those in `fails` meets a damaged text."""
    done = []
    tasks = PostRunTasks(store, lambda: None, None, None, None, lambda: None)

    async def noted(run):
        done.append(run)
        if run in fails:
            raise ValueError(run)

    async def stored(run):
        done.append(f"{run} stored")

    monkeypatch.setattr(tasks, "_note_done", noted)
    monkeypatch.setattr(tasks, "_store_reportables", stored)

    async def start():
        tasks.make_up(["rotor-1"])
        await tasks.tasks.finish()

    asyncio.run(start())
    assert tasks.tasks.ended == {}
    return done


def ended(store, number, known="result"):
    """Store a whole run, and the reportable result of its sample, which has the run's result, the run alone, or none.

    It has the run alone where another run of the sample ended while the run was still going on.
    """
    run, result = f"run-{number:02d}", str(uuid.UUID(int=number + 1))
    for step in (begin(run), conclude(run, result_id=result), end(run)):
        store.submit(step).result(20)
    if known:
        attempts = [{"run": run, "result": result if known == "result" else None}]
        change = Change("reportable", run, "reportable_stored", {"data": {"attempts": attempts}}, [("run", run)])
        store.submit(ChangeRecords((change,), T0, "x")).result(20)
    return run


@pytest.mark.parametrize("known", ["", "run"])
@pytest.mark.parametrize("count", [1, LAST_RUNS, LAST_RUNS + 1, 2 * LAST_RUNS + 3])
def test_after_a_start_every_run_has_what_follows_from_it_also_where_many_lack_it(tmp_path, monkeypatch, count, known):
    """Nothing could be stored after the ends of `count` runs; the older runs lack nothing, and are not done again."""
    older = 2 * LAST_RUNS
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(20)
        runs = [ended(store, number, "result" if number < older else known) for number in range(older + count)]
        done = started(store, monkeypatch)
    wanted = runs[-max(count, LAST_RUNS) :]
    assert done == [made for run in wanted for made in (run, f"{run} stored")]


def test_a_damaged_text_of_one_run_ends_what_follows_from_no_other_one(tmp_path, monkeypatch):
    """Texts of results and of reportable results, each damaged in another way; one run's note meets the damage."""
    texts = ["{", "[]", "null", '{"verification": '] * 2
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(20)
        runs = [ended(store, number) for number in range(len(texts) + LAST_RUNS)]
        damaged = dict(zip(runs, texts, strict=False))
        whole, records = Reader.newest_result, post_run.found_by

        def newest(reader, run):
            return replace(whole(reader, run), data=damaged.get(run, "{}"))

        def found(reader, kind, name, run, *, limit):
            if run in runs[::2] and run in damaged:
                raise ValueError(run)
            kept = records(reader, kind, name, run, limit=limit)
            return [replace(k, data={"data": None}) for k in kept] if run in damaged else kept

        monkeypatch.setattr(Reader, "newest_result", newest)
        monkeypatch.setattr(post_run, "found_by", found)
        monkeypatch.setattr(post_run, "LAST_RUNS", LAST_RUNS + 1)  # so that it does not end at the whole runs
        done = started(store, monkeypatch, fails=[runs[0], runs[3]])
    assert [run for run in done if run in damaged] == list(damaged)
    assert [run for run in runs if f"{run} stored" not in done] == [runs[0], runs[3]]


def test_a_flow_curve_under_other_first_levels_of_its_topic_is_not_published_again(tmp_path, monkeypatch):
    """The place of the bench in the works was renamed since; a run whose curve is missing is found all the same."""
    before, now = Topics(site="east"), Topics(site="west")
    monkeypatch.setattr(post_run, "plan_of", lambda run: SimpleNamespace(context=SimpleNamespace(flow_curve=True)))
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(20)
        for number in range(3):
            run, result = f"run-{number}", str(uuid.UUID(int=number + 1))
            build = builder(run, topics=[(before.result("rotor-1"), False)])
            for step in (begin(run), conclude(run, result_id=result, build=build), end(run)):
                store.submit(step).result(20)
            if number != 1:
                message = Outgoing(before.curve("rotor-1"), b"{}", id=str(uuid.UUID(int=number + 10)))
                store.submit(AddDerived(result, message, T0)).result(20)
        tasks = PostRunTasks(store, lambda: None, None, None, now, lambda: None)
        assert tasks._runs_with_curve(("rotor-1",)) == ["run-1"]


#: A run as it was left: whether its result has messages, whether each of its results has its curve in the outbox.
LEFT = {
    "whole": (True, (True,)),
    "without its curve": (True, (False,)),
    "without a broker": (False, (False,)),
    "without a curve in its method": (True, (False,)),
    "corrected": (True, (True, True)),
    "corrected without its curve": (True, (True, False)),
    "corrected, and the curve of the first one lacks": (True, (False, True)),
}
MISSING = ("without its curve", "corrected without its curve")


@pytest.mark.parametrize("seed", range(4))
def test_a_start_finds_the_runs_whose_newest_result_lacks_its_curve_until_five_in_a_row_are_whole(
    tmp_path, monkeypatch, seed
):
    rng, topics = random.Random(seed), Topics()
    left = rng.choices(list(LEFT), [6, 2, 1, 1, 1, 1, 1], k=24)
    names = [f"run-{number:02d}" for number in range(len(left))]
    flow_curve = {run: kind != "without a curve in its method" for run, kind in zip(names, left, strict=True)}
    monkeypatch.setattr(
        post_run,
        "plan_of",
        lambda run: SimpleNamespace(context=SimpleNamespace(flow_curve=True if flow_curve[run.id] else None)),
    )
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(20)
        for number, (run, kind) in enumerate(zip(names, left, strict=True)):
            published, curves = LEFT[kind]
            build = builder(run, topics=[(topics.result("rotor-1"), False)] if published else [])
            results = [str(uuid.UUID(int=10 * number + place + 1)) for place in range(len(curves))]
            steps = [begin(run), conclude(run, result_id=results[0], build=build), end(run)]
            steps += [Correct(results[0], other, "mistyped", T0, "c.head", build) for other in results[1:]]
            for place, (result, has_curve) in enumerate(zip(results, curves, strict=True)):
                message = Outgoing(topics.curve("rotor-1"), b"{}", id=str(uuid.UUID(int=1000 * number + place + 500)))
                steps += [AddDerived(result, message, T0)] if has_curve else []
            for step in steps:
                store.submit(step).result(20)
        tasks = PostRunTasks(store, lambda: None, None, None, topics, lambda: None)
        found = tasks._runs_with_curve(("rotor-1",))
    wanted, in_a_row = [], 0
    for run, kind in zip(reversed(names), reversed(left), strict=True):
        if in_a_row < LAST_RUNS:
            in_a_row = 0 if kind in MISSING else in_a_row + 1
            wanted += [run] * (kind in MISSING)
    assert found == wanted[::-1]


def test_the_first_verdict_stays_where_a_batch_is_reworked(bench):
    act(bench, "sample_add", id="G-1", product="clear-glaze")
    first = bench.measure("G-1", "clear-glaze-thick")
    act(bench, "sample_add", id="G-2", product="clear-glaze", rework={"of": "G-1", "added": "200 mL water"})
    with Store(database_path(bench.state)) as store, store.reader() as reader:
        before = reader.newest_result(first).data
    noted(bench, bench.measure("G-2"))
    with Store(database_path(bench.state)) as store, store.reader() as reader:
        assert reader.newest_result(first).data == before
        assert [r.id for r in reader.runs(sample="G-1")] == [first]
