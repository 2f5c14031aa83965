"""The control of the shift at a bench: an item of the checklist, the worklist, the handover, doctor, and whole runs."""

import json
from dataclasses import replace
from typing import get_args

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.cli.records import verification as command
from daq.app.daemon.shift.bench_views import bench_view
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.bench.handing_over import left_over
from daq.app.laboratory.bench.naming import named_sample
from daq.app.laboratory.laboratory import Laboratory
from daq.app.records.checks.instrument_history import instrument_history
from daq.app.records.replaying import recompute
from daq.app.records.signatures import Releases
from daq.app.run.standing import Standing
from daq.app.screens.bench.bench_lines import bench_lines
from daq.app.screens.styled_lines import text_of
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.equipping import equipment_findings
from daq.core.context import ControlState
from daq.core.driver import Identity
from daq.core.errors import SettingError
from daq.laboratory.bench.bench_events import Message, Pressed, Text
from daq.methods.files.instrument import ControlOfShift
from daq.methods.files.load import load_method
from daq.methods.planning.compile import compile_plan
from tests.bench_flow.flows import FACTS, NAMED, ready, walked
from tests.bench_flow.parts import Shift
from tests.support.laboratories import laboratory
from tests.support.processes.laboratory import SHORT
from tests.support.runs.stored import T0
from tests.support.runs.virtual_bench import StoredBench, run_id_of
from tests.support.signed_laboratories import verify

REQUIRED = ControlOfShift(fluid="house-oil", method="house-control")


@pytest.mark.parametrize("control", ["", *get_args(ControlState)])
def test_the_control_is_an_item_of_a_sample_that_keeps_no_run_from_starting(control):
    facts = replace(FACTS, control=control, control_fluid="house-oil")
    done = walked(Text("G-1042", NAMED), Pressed("confirm"), state=ready(), facts=facts)
    (begin,) = done.acts
    found = [(i.how, i.met) for i in begin.before if i.code == "control"]
    assert found == ([] if not control else [("measured", control == "passed")])
    own = NAMED.model_copy(update={"sample": "house-oil", "fluid": "house-oil"})
    done = walked(Text("house-oil", own), Pressed("confirm"), state=ready(), facts=facts)
    assert "control" not in [i.code for i in done.acts[0].before]
    assert done.acts[0].named.fluid == "house-oil"


@pytest.fixture
def lab(tmp_path):
    with laboratory(tmp_path) as lab:
        bench = lab.catalogue.instrument("bench-1").model_copy(update={"control": REQUIRED})
        lab.catalogue.instruments["bench-1"] = bench
        yield lab


def screen(lab, control):
    facts = replace(FACTS, control=control, control_fluid="house-oil")
    with lab.reader() as reader:
        view = bench_view(reader, lab.catalogue, ready(), 1, Message(""), facts, Standing())
    return "\n".join(text_of(line) for line in bench_lines(view, None, "", 80, 24))


def test_the_worklist_begins_with_the_control_that_is_due(lab):
    carry_out(lab, "sample_add", {"id": "G-7", "product": "clear-glaze"})
    shown = screen(lab, "missing")
    assert shown.index("house-oil  control due") < shown.index("G-7")
    assert "control due" not in screen(lab, "passed")
    assert "control due" not in screen(lab, "")


def test_the_id_of_the_control_fluid_names_its_control_at_this_bench_only(lab):
    with lab.reader() as reader:
        named = named_sample(reader, lab.catalogue, ("bench-1", "bench-2"), "bench-1", "house-oil")
        assert (named.sample, named.fluid, named.method) == ("house-oil", "house-oil", "house-control 1")
        assert (named.signal, named.low, named.high) == ("temperature", 24.9, 25.1)
        for bench, text in (("bench-2", "house-oil"), ("bench-1", "reference-b")):
            with pytest.raises(SettingError, match="is registered"):
                named_sample(reader, lab.catalogue, ("bench-1", "bench-2"), bench, text)


def test_handover_doctor_and_verification_name_a_control_that_has_not_passed(lab, monkeypatch):
    folder, store = lab.store.path.parent, lab.store
    monkeypatch.setattr("time.time_ns", lambda: T0)

    def named():
        with lab.reader() as reader:
            left = [
                (f.what, f.bench, f.sample, f.run) for f in left_over(reader, lab.catalogue, T0) if f.what == "control"
            ]
            shown = command._verifications_of(reader, lab.catalogue, "bench-1", "R-1042")
        found = [f.say for f in equipment_findings(lab.catalogue, folder, T0) if f.what.startswith("control of")]
        return left, found, [line for line in command._lines(shown, 200, whole=False) if "control" in line]

    left, found, lines = named()
    assert left == [("control", "bench-1", "house-oil", "")]
    assert found == ["control house-oil: missing"]
    assert lines == ["  control house-oil: missing: results are uncertain"]
    verify(store, "passed", passed=True, kind="control", fluid="house-oil", method="house-control")
    left, found, (line,) = named()
    assert (left, found) == ([], [])
    assert line.startswith("  control house-oil: passed, run passed of ")
    carry_out(lab, "handover", {})
    left, found, (line,) = named()
    assert left == [("control", "bench-1", "house-oil", "passed")]
    assert found == ["control house-oil: expired"]
    assert line.endswith("results are uncertain")


CONTROL = SHORT.replace('"short"', '"house-control"').replace('"at_time"\n', '"at_time"\ncontrol = true\n').replace(
    "[[steps]]", '[conditioning.temperature]\ntarget = 25\nband = 2\nhold = "1 s"\nlongest = "1 min"\n\n[[steps]]'
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.asyncio
async def test_the_bench_measures_sample_and_control_and_warns_before_the_motor_turns(tmp_path):
    async with Shift(tmp_path) as bench:
        catalogue = bench.supervisor.catalogue
        (tmp_path / "control.toml").write_text(CONTROL, "utf-8")
        catalogue.methods["house-control"] = {"1": load_method(tmp_path / "control.toml")}
        lead = catalogue.instrument("bench-1")
        catalogue.instruments["bench-1"] = lead.model_copy(update={"control": REQUIRED})
        await bench.add("E-7")
        await bench.open_shift()
        assert [s.sample for s in bench.view().worklist] == ["house-oil", "E-7"]
        run = await bench.measure("E-7")
        result = bench.view().result
        assert "control_missing" in result["faults"]
        assert result["controlled"]["state"] == "missing"
        assert "control" in [i.code for i in bench.checklist(run).record.before]
        await bench.press("next")
        await bench.measure("house-oil")
        verification = bench.view().result["verification"]
        assert (verification["kind"], verification["fluid"], verification["lot"]) == ("control", "house-oil", "HO-3")
        order = RunOrder(sample="E-8", instrument="bench-1", method_id="short", product="engobe")
        active = await bench.supervisor.in_progress.begin(order)
        bench.supervisor.in_progress.stop("bench-1", "m.keeper")
        await active.task
        assert any(line.startswith("the result will be Uncertain: the control house-oil") for line in active.warnings)


class Controlled:
    """A configuration with a bench that requires a control; `measured` decides what the next run measures."""

    def __init__(self, bench, identity):
        self.own, self.bench, self.identity = bench.catalogue, bench, identity
        lead = self.own.instrument("bench-1").model_copy(update={"control": REQUIRED})
        self.own.instruments["bench-1"] = lead
        self.control = False

    def __getattr__(self, name):
        return getattr(self.own, name)

    def method(self, name, *version):
        return self.own.method("house-control" if self.control else name, *version)

    def compile(self, method, instrument, **more):
        fluid = self.own.fluid("house-oil") if self.control else None
        order = RunOrder(
            sample="x", instrument="bench-1", method_id=method.id, fluid="house-oil" if self.control else ""
        )
        path = database_path(self.bench.state)
        Store(path, utc_ns=T0).close()
        with Reader(path) as reader:
            history = instrument_history(reader, self.own, order, self.identity, self.bench.clock.utc_ns())
        if self.control:
            more = {"fluid": fluid}
        driver = self.own.make_driver(instrument)
        companions = [(i, self.own.make_driver(i)) for i in [self.own.instrument("thermo-1")]]
        return compile_plan(
            method, instrument, driver, identity=self.identity, companions=companions, history=history, **more
        )


@pytest.mark.slow
def test_whole_runs_are_good_only_after_a_passed_control_and_replay_to_the_same(tmp_path):
    bench = StoredBench(tmp_path / "state")
    bench.catalogue = catalogue = Controlled(bench, Identity("rotational", "R-1042", "1", {"full_scale_uN_m": 1000.0}))

    def measured(sample, *, control=False):
        catalogue.control = control
        run = bench.measure(sample, simulated=False, **({"product": ""} if control else {}))
        with Reader(database_path(bench.state)) as reader:
            assert recompute(reader, reader.run(run), catalogue.drivers).same
            return json.loads(reader.newest_result(run).data)

    def assign(viscosity):
        fluid = catalogue.own.fluid("house-oil")
        (row,) = fluid.assigned
        value = type(row.viscosity)(viscosity, "mPa.s")
        row = row.model_copy(update={"viscosity": value})
        catalogue.own.fluids["house-oil"] = fluid.model_copy(update={"assigned": (row,)})

    first = measured("G-1")
    assert (first["quality"], first["faults"]) == ("Uncertain", ["control_missing"])
    assign(2.0 * first["value"])
    failed = measured("house-oil", control=True)
    assert (failed["quality"], failed["verification"]["passed"]) == ("Good", False)
    assert failed["verification"]["results_since_pass"] == [result_of(bench, "G-1")]
    assert measured("G-2")["faults"] == ["control_failed"]
    assign(first["value"])
    passed = measured("house-oil again", control=True)
    assert passed["verification"]["passed"] is True
    good = measured("G-3")
    assert (good["quality"], good["controlled"]["run"]) == ("Good", passed["origin"]["run"])
    bench.clock.now += 12 * 3600 * 10**9
    assert measured("G-4")["faults"] == ["control_expired"]
    with Store(database_path(bench.state)) as store:
        lab = Laboratory(store, catalogue.own, bench.clock, "m.keeper")

        def corrected(run, **facts):
            carry_out(lab, "run_correct_reviewed", {"run": run, "because": "mistyped", **facts})
            with lab.reader() as reader:
                return json.loads(reader.newest_result(run).data)

        run = good["origin"]["run"]
        assert corrected(run, lot="L9")["quality"] == "Good"
        # It was measured with another geometry, whose control was not measured in that shift.
        other = corrected(run, geometry="coaxial-15")
        assert (other["quality"], other["faults"][0]) == ("Uncertain", "control_missing")
        assert corrected(run, geometry="coaxial-12")["quality"] == "Good"
        for facts in ({"geometry": "coaxial-15"}, {"fluid": "reference-b"}):
            with pytest.raises(SettingError, match="is a control, whose limits hold for one fluid"):
                corrected(passed["origin"]["run"], **facts)
        carry_out(lab, "run_annul", {"run": passed["origin"]["run"], "because": "wrong oil"})
        with lab.reader() as reader:
            (reason,) = Releases(reader).doubts(reader.run(run))
        assert reason.code == "control_withdrawn_after"


def result_of(bench, sample):
    with Reader(database_path(bench.state)) as reader:
        return reader.newest_result(run_id_of(sample)).id
