"""A repeat opens its sample with the start of its run; a start that is refused changes neither sample nor certificate."""

import asyncio
import itertools
import linecache
import shutil
import sys
from dataclasses import replace

import pytest

from daq.adapters.clock import ScaledClock
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.declaring.beginning import BeginConfigured
from daq.adapters.store.records import revisions
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun
from daq.app.daemon.runs_in_progress import RunsInProgress
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import find, new
from daq.app.laboratory.progress import note_done
from daq.app.laboratory.samples import REOPENED, in_state
from daq.app.laboratory.signing.changed_samples import By, reopening
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import NotAllowedError, SettingError, StoreError
from daq.laboratory.configuration import RunConfiguration
from daq.laboratory.reports import Report
from daq.laboratory.samples import Sample
from daq.methods.files.daemon import People
from tests.bench_flow.flows import in_stage
from tests.support.laboratories import cheap_hashes
from tests.support.memory_bench import SupervisorBench
from tests.support.runs.full_database import TOPICS
from tests.support.runs.virtual_bench import StoredBench, run_id_of
from tests.support.signed_laboratories import signing_lab

pytestmark = pytest.mark.asyncio

METHOD = "clear-glaze-qc"
SAMPLE = "G-1042"
RUN = run_id_of(SAMPLE)
REASON = "torque was unsteady"


def at_checklist():
    """Return the state of a bench whose next key starts the repeat of the sample."""
    judged = in_stage("verdict")
    named = judged.named.model_copy(
        update={"sample": SAMPLE, "lot": "", "repeat_of": RUN, "reason": REASON, "filling": "fresh"}
    )
    outcome = judged.outcome.model_copy(update={"run": RUN})
    return judged.model_copy(
        update={"id": "bench-1", "stage": "checking", "named": named, "outcome": outcome, "run": ""}
    )


@pytest.fixture(scope="module")
def released(tmp_path_factory):
    """State directories with a sample that is done, without and with released certificates, and the certificates."""
    folder = tmp_path_factory.mktemp("released")
    bench = StoredBench(folder / "measured" / "state", topics=TOPICS)
    runs = [bench.measure(SAMPLE, simulated=False)]
    out = {}
    with pytest.MonkeyPatch.context() as patch:
        cheap_hashes(patch)
        for certified in (False, True):
            own = folder / str(certified)
            with signing_lab(bench, runs, own) as lab:
                lab.do("sample_add", id=SAMPLE, product="clear-glaze")
                lab.keep(SAMPLE)
                lab.sign(RUN)
                lab.sign(f"{SAMPLE}/{METHOD}", of="reportable")
                made = [lab.do("certificate_release", of=of)["id"] for of in (RUN, SAMPLE) if certified]
                for ident in made:
                    lab.sign(ident, of="report")
                lab.lab.change(in_state(lab.lab.get(Sample, SAMPLE), "done", "sample_done"))
                lab.lab.change(new(at_checklist(), "bench_began"))
            out[certified] = own / "state", made
    return out


class Repeat(SupervisorBench):
    """The daemon of a bench at which the next key starts the repeat of a sample that is done."""

    def __init__(self, folder, released, *, certified=True, **options):
        state, self.certificates = released[certified]
        shutil.copytree(state, folder / "state")
        clock = ScaledClock(2.0)
        super().__init__(folder, companion=True, state=folder / "state", clock=clock, **options)
        catalogue = self.supervisor.catalogue
        catalogue.daemon = catalogue.daemon.model_copy(update={"people": People(required=True)})
        lead = catalogue.instruments["bench-1"]
        catalogue.instruments["bench-1"] = lead.model_copy(update={"fitted": "coaxial-12"})

    async def __aexit__(self, *failure):
        # A start that a test pretends would be waited for.
        self.supervisor.in_progress._beginning.clear()
        await super().__aexit__(*failure)

    async def press(self, person="b.lind", command="confirm", seen=None):
        """Press a key as a person, and return stage and message once no start is under way."""
        lab, flows = self.supervisor.laboratory(f"at-{person}"), self.supervisor.benches.flows
        order = {"bench": "bench-1", "command": command, "seen": flows.state("bench-1")[1] if seen is None else seen}
        await asyncio.to_thread(carry_out, lab, "bench_command", order)
        await self.until(lambda: flows.state("bench-1")[0].stage != "starting")
        state, _, message = flows.state("bench-1")
        return state.stage, message

    async def act(self, person, name, **order):
        await asyncio.to_thread(carry_out, self.supervisor.laboratory(f"at-{person}"), name, order)

    def stored(self):
        """Return the revisions of sample and certificates, and the number of runs."""
        return stored(self.supervisor.store, self.certificates)


def stored(store, certificates):
    with store.reader() as reader:
        sample = [(r.what, r.data["state"], r.because) for r in revisions(reader, Sample.kind, SAMPLE)]
        states = [find(reader, Report, ident).record.state for ident in certificates]
        return sample, states, len(reader.runs(limit=-1))


CODES = {
    getattr(RunsInProgress, name).__code__
    for name in ("begin", "_begin", "_start", "_completed", "_ready", "_refuse_while_closing")
}


class RefusedAt:
    """Refuses the start of a run at its line number `count`, of all lines that it executes."""

    def __init__(self, count):
        self.left, self.where = count, ""

    def __call__(self, frame, event, _arg):
        if frame.f_code not in CODES:
            return None
        # A line with nothing but `try` does nothing.
        if event == "line" and linecache.getline(frame.f_code.co_filename, frame.f_lineno).strip() != "try:":
            self.left -= 1
            if not self.left:
                self.where = f"{frame.f_code.co_name}, line {frame.f_lineno}"
                raise SettingError("refused at " + self.where)
        return self


@pytest.mark.slow
async def test_a_start_refused_at_any_line_changes_nothing_and_one_that_is_stored_opens_the_sample(tmp_path, released):
    async with Repeat(tmp_path, released) as bench:
        before, places = bench.stored(), []
        while bench.stored() == before:
            refused = RefusedAt(len(places) + 1)
            earlier = sys.gettrace()
            sys.settrace(refused)
            try:
                stage, message = await bench.press()
            finally:
                sys.settrace(earlier)
            assert refused.where, (stage, message)
            assert (stage, message.code) == ("checking", "not_started"), (stage, message)
            places.append(refused.where)
        sample, states, runs = bench.stored()
        # The first line after the transaction that stores the start of the run.
        assert runs == before[2] + 1
        assert sample == [*before[0], (REOPENED, "open", REASON)]
        assert states == ["withdrawn", "withdrawn"]
        assert len(places) > 40
        assert {p.partition(",")[0] for p in places} == {c.co_name for c in CODES}


async def by_another_start(bench, _patch):
    bench.supervisor.in_progress._beginning.add("bench-1")


async def by_a_silent_instrument(bench, _patch):
    bench.box.silent = True
    await bench.until(lambda: bench.session.standing.state != "ready")


async def by_equipment_out_of_service(bench, _patch):
    await bench.act("c.head", "equipment_out", piece="bench-1/coaxial-12", because="a dent")


async def by_a_product_without_file(bench, _patch):
    del bench.supervisor.catalogue.products["clear-glaze"]


async def by_a_change_of_the_sample_meanwhile(bench, patch):
    runs = bench.supervisor.in_progress
    opened = runs._opened

    def meanwhile(opening, utc_ns):
        made = opened(opening, utc_ns)
        lab = bench.supervisor.laboratory("at-b.lind")
        carry_out(lab, "sample_change", {"id": SAMPLE, "remark": "urgent", "because": "asked for"})
        return made

    patch.setattr(runs, "_opened", meanwhile)


async def by_nothing(_bench, _patch):
    pass


REFUSED = {
    by_another_start: ("b.lind", "another run is being started"),
    by_a_silent_instrument: ("b.lind", "not_met_motor_still"),
    by_equipment_out_of_service: ("b.lind", "a dent"),
    by_a_product_without_file: ("b.lind", "clear-glaze"),
    by_a_change_of_the_sample_meanwhile: ("b.lind", "was changed while the run was being started"),
    by_nothing: ("m.keeper", "a person who reviews makes it"),
}


@pytest.mark.slow
@pytest.mark.parametrize("hindered", REFUSED)
async def test_a_refused_start_leaves_the_sample_done_and_its_certificates_released(
    tmp_path, released, monkeypatch, hindered
):
    person, words = REFUSED[hindered]
    async with Repeat(tmp_path, released) as bench:
        before = bench.stored()
        await hindered(bench, monkeypatch)
        stage, message = await bench.press(person)
        sample, states, runs = bench.stored()
        assert (stage, words in f"{message.code} {message.values}") == ("checking", True), message
        assert [s for s in sample if s[0] != "sample_changed"] == before[0]
        assert (states, runs) == before[1:]
        assert sample[-1][1] == "done"


@pytest.mark.slow
@pytest.mark.parametrize(("person", "certified"), [("b.lind", True), ("m.keeper", False)])
async def test_a_start_opens_the_sample_once_however_often_its_key_is_pressed(tmp_path, released, person, certified):
    async with Repeat(tmp_path, released, certified=certified) as bench:
        before, seen = bench.stored(), bench.supervisor.benches.flows.state("bench-1")[1]
        keys = [bench.press(person, seen=seen) for _ in range(4)]
        keys += [bench.press("nobody", seen=seen)]
        done = await asyncio.gather(*keys, return_exceptions=True)
        assert [type(d) for d in done if isinstance(d, NotAllowedError)] == [NotAllowedError]
        assert [d[0] for d in done if not isinstance(d, Exception)] == ["running"], done
        sample, states, runs = bench.stored()
        assert sample == [*before[0], (REOPENED, "open", REASON)]
        assert runs == before[2] + 1
        assert set(states) == ({"withdrawn"} if certified else set())


async def test_the_transaction_that_begins_a_repeat_is_stored_whole_or_not_at_all(tmp_path, released):
    """It is undone at each of its statements in turn; and the sample waits for this run from then on."""
    state, certificates = released[True]
    shutil.copytree(state, tmp_path / "state")
    left = 0

    def undone(point):
        nonlocal left
        if point.startswith("begin_run.") and point != "begin_run.committed":
            left -= 1
            if not left:
                raise StoreError(point)

    catalogue = Catalogue.load(examples_dir())
    with Store(database_path(tmp_path / "state"), crash_hook=undone) as store:
        with store.reader() as reader:
            utc_ns = reader.newest_result(RUN).created_utc_ns
            run = replace(reader.run(RUN), id="repeat", began_utc_ns=utc_ns)
            by = By(store.uuid, TOPICS, "b.lind", REASON, utc_ns, reviews=True)
            made = BeginConfigured(
                BeginRun(run), (), (), new(RunConfiguration(id="repeat", used=(), fitted={}), "run_configured"),
                before=reopening(reader, SAMPLE, by),
            )  # fmt: skip
        before = stored(store, certificates)
        for statements in itertools.count(1):
            left = statements
            try:
                store.submit(made).result()
            except StoreError:
                assert stored(store, certificates) == before
            else:
                break
        assert statements > 15
        sample, states, runs = stored(store, certificates)
        assert (sample[-1], set(states), runs) == ((REOPENED, "open", REASON), {"withdrawn"}, before[2] + 1)
        # Both have the same time; the run that was measured before does not make the sample done again.
        assert not note_done(store, catalogue, RUN, utc_ns)
        assert note_done(store, catalogue, "repeat", utc_ns)
