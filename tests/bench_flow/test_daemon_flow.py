"""The work at a bench through the daemon: from the id to the next sample, repeats, damage, and restarts."""

import asyncio
import sqlite3

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.epochs import ended_regularly
from daq.adapters.store.reading import Reader
from daq.app.cli.records.checklist_lines import checklist_lines
from daq.app.laboratory.laboratory import find, new
from daq.core.errors import SettingError
from daq.laboratory.bench.benchstate import Outcome
from daq.laboratory.bench.repeatcause import RepeatCause
from daq.laboratory.samples import Sample
from tests.bench_flow.parts import Shift

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


async def test_two_samples_with_two_keys_each_and_a_checklist_for_each_run(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7", "E-8")
        await bench.open_shift()
        assert [s.sample for s in bench.view().worklist] == ["E-7", "E-8"]
        for sample in ("E-7", "E-8"):
            run = await bench.measure(sample)
            assert bench.view().result["sample"]["id"] == sample
            await bench.press("next")
            kept = bench.checklist(run)
            assert (kept.record.bench, kept.record.sample, kept.revision) == ("bench-1", sample, 2)
            how = {i.code: i.how for i in (*kept.record.opening, *kept.record.before, *kept.record.after)}
            assert how["zero"] == "measured"
            assert how["motor_still"] == "measured"
            assert how["immersed"] == how["inspected"] == "together"
            shown = "\n".join(checklist_lines(bench.shown(run).checklist))
            assert "start of the shift, confirmed by the daemon: motor still, zero with nothing attached" in shown
            assert "after the run, attested together, with one key: rotor and cup cleaned, dried" in shown
            assert how["clean"] == ("together" if sample == "E-7" else "earlier")
        by = {e.who for e in bench.audited("bench_confirm", "bench_next", "bench_text", "checklist_kept")}
        assert by == {"m.keeper"}
        assert len(bench.audited("checklist_kept", "checklist_after")) == 4


async def test_wrong_ids_and_old_screens_change_nothing(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7")
        await bench.open_shift()
        await bench.scan("4006381333931")
        view = bench.view()
        assert (view.stage, view.message) == ("choosing", "sample_refused")
        assert "no sample '4006381333931' is registered" in view.values["reason"]
        await bench.scan("E-7")
        old = bench.view().revision
        await bench.press("back")
        with pytest.raises(SettingError, match="earlier state"):
            await bench.act("bench_command", bench="bench-1", command="confirm", seen=old)
        assert bench.started_runs() == []


async def test_a_run_that_is_refused_leaves_the_sample_at_the_bench(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7")
        await bench.open_shift()
        await bench.scan("E-7")
        await bench.begin("long")  # without the flow
        await bench.until(lambda: bench.session.standing.state == "in_run")
        await bench.press("confirm")
        view = bench.view()
        assert (view.stage, view.message) == ("checking", "run_elsewhere")
        bench.supervisor.stop_run("bench-1", "m.keeper")


async def test_the_stop_key_stops_the_run(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7")
        await bench.open_shift()
        await bench.scan("E-7")
        await bench.press("confirm")
        await bench.until_stage("running")
        await bench.press("stop")
        view = await bench.until_stage("verdict")
        assert (view.outcome, view.validity) == ("stopped", "not_valid")
        await bench.press("same")
        await bench.scan("the cup was tilted")
        await bench.press("confirm")
        view = bench.view()
        assert (view.stage, view.filling, view.reason) == ("checking", "same", "the cup was tilted")


async def test_a_repeat_after_a_valid_outside_waits_for_a_reviewer(tmp_path, monkeypatch):
    # The need of a cause is tested with stored runs (`test_repeats`); here readings could be missing under load.
    monkeypatch.setattr(
        "daq.app.daemon.shift.benches.outcome_of",
        lambda _reader, _catalogue, run: Outcome(run=run, validity="valid", verdict="outside", repeat="cause"),
    )
    async with Shift(tmp_path) as bench:
        await bench.add("E-7")
        await bench.open_shift()
        run = await bench.measure("E-7")
        await bench.press("fresh")
        assert (bench.view().stage, bench.view().awaited) == ("waiting", ("E-7",))
        laboratory = bench.supervisor.laboratory("r.viewer")
        cause = RepeatCause(id=run, sample="E-7", cause="bubbles")
        await asyncio.to_thread(laboratory.change, new(cause, "cause_assigned"), because="bubbles at the rotor")
        assert (await bench.until_stage("repeating")).draft == "bubbles: bubbles at the rotor"
        await bench.press("confirm")
        view = bench.view()
        assert (view.stage, view.reason, view.awaited) == ("checking", "bubbles: bubbles at the rotor", ())


async def test_a_damaged_geometry_measures_no_more(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7", "E-8")
        await bench.open_shift()
        await bench.measure("E-7")
        await bench.press("damage")
        await bench.scan("a dent at the rim")
        await bench.press("confirm")
        assert bench.view().stage == "verdict"
        await bench.press("next")
        await bench.scan("E-8")
        view = bench.view()
        assert (view.stage, view.message) == ("choosing", "out_of_service")
        assert "daq equipment back bench-1/coaxial-15" in view.values["reason"]
        assert [e.who for e in bench.audited("equipment_out_of_service")] == ["m.keeper"]
        with pytest.raises(SettingError, match="a dent at the rim"):
            await bench.begin()
        await bench.act("fit", instrument="bench-1", geometry="coaxial-12")
        assert bench.view().stage == "zeroing"
        await bench.press("confirm")
        await bench.press("confirm")
        assert bench.view().out_of_service == ""
        await bench.act("equipment_back", piece="bench-1/coaxial-15", because="ground and measured")
        await bench.act("fit", instrument="bench-1", geometry="coaxial-15")
        assert bench.view().out_of_service == ""


def copied(bench, folder):
    """Copy the database as a power failure would leave it."""
    state = folder / "after"
    state.mkdir(mode=0o700)
    with sqlite3.connect(database_path(bench.supervisor.state)) as source, sqlite3.connect(database_path(state)) as to:
        source.backup(to)
    source.close()
    to.close()
    return state


async def test_after_a_power_failure_the_fill_is_named_and_no_run_goes_on(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7", "E-8")
        await bench.open_shift()
        await bench.press("bath")
        await bench.scan("E-8")
        await bench.scan("E-7")
        await bench.press("confirm")
        await bench.until_stage("running")
        state = copied(bench, tmp_path)
    (tmp_path / "second").mkdir()
    async with Shift(tmp_path / "second", state=state) as bench:
        view = bench.view()
        assert (view.stage, view.discard, view.warm_up) == ("discarding", ("E-7", "E-8"), True)
        assert bench.supervisor.runs == {}
        assert view.outcome == "interrupted"
        await bench.press("confirm")
        assert [i.code for i in bench.view().items] == ["warm_up", "level", "motor_still", "zero"]
        await bench.open_shift()
        assert [e.who for e in bench.audited("bench_restored")] == ["daemon"]
        assert len(bench.started_runs()) == 1
    async with Shift(tmp_path / "second", state=state) as bench:
        # That was a regular end: nothing is discarded, and the shift goes on.
        assert bench.view().stage == "choosing"
    with Reader(database_path(state)) as reader:
        assert ended_regularly(reader)
        assert find(reader, Sample, "E-7").record.state == "open"


async def test_after_a_power_failure_the_fill_of_a_run_started_without_the_bench_is_named(tmp_path):
    async with Shift(tmp_path) as bench:
        await bench.add("E-7")
        await bench.open_shift()
        active = await bench.begin("long")
        await bench.until(lambda: bench.session.standing.state == "in_run")
        assert bench.view().stage == "choosing"
        state, sample = copied(bench, tmp_path), active.record.sample
    (tmp_path / "second").mkdir()
    async with Shift(tmp_path / "second", state=state) as bench:
        view = bench.view()
        assert (view.stage, view.discard, view.warm_up) == ("discarding", (sample,), True)
        assert bench.supervisor.runs == {}
