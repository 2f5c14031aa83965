"""The control of a shift: which results are Good, for every history of controls, handovers and fitted geometries.

The expected state comes from a model that is written independently here.  The shift's length of 12 h is common
practice, no source.
"""

import json
import random
from dataclasses import dataclass, field, replace

import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import RegisterMethod
from daq.app.records.checks.audited_checks import checks, entries
from daq.app.records.checks.check_trail import CheckTrail
from daq.app.records.checks.doubts import doubt_by, doubting, failures_after
from daq.app.records.checks.instrument_history import instrument_history
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import change_of, fit_of, fits_of, with_fits
from daq.app.setup.run_order import RunOrder
from daq.core.context import VerificationAsked
from daq.core.driver import Identity
from daq.core.encoding import encode
from daq.core.header import Header, read_header
from daq.laboratory.configuration import Fitted
from daq.methods.concluding.conclude import conclude as concluded
from daq.methods.concluding.foreseeing import foreseen
from daq.methods.files.instrument import ControlOfShift
from daq.methods.files.recipe import Geometries
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from daq.methods.planning.standing import AuditedVerification, control_due
from tests.support.runs.examples import CONFIG, example, facts, kept, plan_of, summaries
from tests.support.runs.stored import METHOD as METHOD_TEXT
from tests.support.runs.stored import METHOD_DIGEST, T0, begin, conclude, end
from tests.support.statements import codes, parameters

HOUR = 3600 * 10**9
FLUID, METHOD = "house-oil", "house-control"
GEOMETRIES = (("coaxial-12", ""), ("coaxial-15", ""), ("coaxial-12", "G-7"), ("coaxial-12", "G-8"))
SERIALS = ("R-1042", "R-2000")
STATES = {"passed": None, "missing": "control_missing", "failed": "control_failed",
          "not_judged": "control_not_judged", "expired": "control_expired"}  # fmt: skip


@dataclass
class StoredCheck:
    """A control as the model has it; `boundary` is the number of shifts and fits before its start."""

    run: str
    passed: bool | None
    geometry: tuple[str, str]
    serial: str
    fluid: str
    method: str
    bench: str
    began: int
    boundary: int
    authorised: bool = True
    has_passed: bool = False
    simulated: bool = False

    @property
    def fitted(self):
        return self.geometry

    @property
    def part(self):
        """The measuring geometry: by its serial number, or by its name where it has none."""
        return self.geometry[1] or self.geometry[0]


def may_be(one, other):
    """Return whether two geometries (name, serial number) may be the same one."""
    return one[1] == other[1] if one[1] and other[1] else one[0] == other[0]


@dataclass
class Bench:
    """A bench in a store, and the model of what happened on it."""

    store: Store
    catalogue: Catalogue
    now: int = T0
    fitted: tuple[str, str] = GEOMETRIES[0]
    serial: str = SERIALS[0]
    boundary: int = 0
    controls: list[StoredCheck] = field(default_factory=list)
    order: list[str] = field(default_factory=list)
    measured: list[tuple] = field(default_factory=list)
    runs: int = 0

    def submit(self, *steps):
        for step in steps:
            self.store.submit(step).result(10)

    def control(
        self, passed, *, fluid=FLUID, method=METHOD, bench="bench-1", authorised=True, between=None, simulated=False
    ):
        """Measure a control; `between` happens while its run goes on."""
        run = f"control-{self.runs}"
        self.runs += 1
        known = StoredCheck(run, passed if authorised or not passed else None, self.fitted, self.serial, fluid, method,
                      bench, self.now, self.boundary)  # fmt: skip
        began = begin(run, bench)
        attribution = "authorised" if authorised else "not_authorised"
        record = replace(
            began.run, began_utc_ns=self.now, method_id=method, attribution=attribution, simulated=simulated
        )
        detail = self.detail(known, passed, f"r-{run}")
        self.submit(replace(began, run=record))
        if between is not None:
            between()
        self.now += 60 * 10**9
        self.submit(
            conclude(
                run, result_id=f"r-{run}", verification=encode(detail), utc_ns=self.now, build=self.build(run, known)
            ),
            end(run),
        )
        known.has_passed, known.authorised, known.simulated = bool(known.passed), authorised, simulated
        self.controls.append(known)
        self.order.append(run)

    @staticmethod
    def build(run, known):
        """Return the maker of a result with the parts that are looked up."""

        def build(_sequence, audit, digest):
            origin = {"run": run, "audit_head": audit.head, "journal_digest": digest, "serial": known.serial}
            geometry = {"name": known.fitted[0], "serial": known.fitted[1] or None}
            return json.dumps({"origin": origin, "geometry": geometry, "conditions": {}}), []

        return build

    @staticmethod
    def detail(known, passed, result):
        return AuditedVerification(
            run=known.run, result=result, passed=passed, condition="as_found", fluid=known.fluid, lot="HO-3",
            certificate="", geometry=known.geometry[0], geometry_serial=known.geometry[1], serial=known.serial,
            levels=(), results_in_doubt=0, kind="control",
        )  # fmt: skip

    def judge_again(self, known, passed):
        """Correct or annul a control."""
        found = self.detail(known, passed, f"again-{known.run}-{self.runs}")
        self.runs += 1
        with self.store.reader() as reader:
            newest = reader.newest_result(known.run).id
        self.submit(
            Correct(
                newest,
                found.result,
                "wrong fluid",
                self.now,
                "m.keeper",
                self.build(known.run, known),
                verification=encode(found),
            )
        )
        # Without an authorisation a control can fail and cannot pass.
        known.passed = passed if known.authorised or not passed else None
        known.has_passed |= bool(known.passed)

    def hand_over(self):
        self.boundary += 1
        self.submit(
            ChangeRecords((Change("handover", f"h-{self.boundary}", "handed_over", {"listed": []}, ()),), self.now, "m")
        )

    def fit(self, geometry, what="geometry_fitted"):
        self.fitted = geometry
        self.boundary += what == "geometry_fitted"
        with self.store.reader() as reader:
            before = fit_of(reader, "bench-1")
        record = Fitted(id="bench-1", geometry=geometry[0], serial=geometry[1])
        change = change_of(record, what, 0 if before is None else before.revision)
        self.submit(ChangeRecords((change,), self.now, "m.keeper"))

    def expected(self):
        """Return the state of the control by the model."""
        own = [c for c in self.controls if (c.bench, c.fluid, c.method) == ("bench-1", FLUID, METHOD)]
        own = [c for c in own if self.is_alike(c) and not (c.simulated and c.passed)]
        if not own:
            return "missing"
        last = own[-1]
        if not last.passed:
            return "failed" if last.passed is False else "not_judged"
        fresh = last.boundary == self.boundary and -12 * HOUR < self.now - last.began < 12 * HOUR
        return "passed" if fresh else "expired"

    def sample(self):
        """Store the result of a sample."""
        run = f"sample-{self.runs}"
        self.runs += 1
        self.now += 60 * 10**9
        self.submit(begin(run, "bench-1"))
        self.submit(conclude(run, result_id=f"r-{run}", utc_ns=self.now, build=self.build(run, self)), end(run))
        self.measured.append((len(self.order), run, self.fitted, self.serial))
        self.order.append(run)

    def doubted(self, control):
        """Return the samples that a control puts in doubt, by the model; None where it puts none in doubt."""
        withdrawn = control.has_passed and not control.passed
        if control.passed is not False and not withdrawn:
            return None
        place = self.order.index(control.run)
        same = [(self.order.index(c.run), c) for c in self.controls if c.bench == "bench-1" and c.passed]
        own = (control.serial, control.part, control.simulated)
        passes = [i for i, c in same if (c.serial, c.part, c.simulated) == own]
        after, until = place, place
        if control.passed is False:
            after = max((i for i in passes if i < place), default=-1)
        if withdrawn:
            until = min((i for i in passes if i > place), default=len(self.order))
        return [run for i, run, fitted, serial in self.measured
                if after < i < until and serial == control.serial and may_be(fitted, control.geometry)]  # fmt: skip

    def is_alike(self, c):
        """A pass counts for equal serial numbers; anything else also where one of them is not known."""
        if c.serial != self.serial or not may_be(self.fitted, c.geometry):
            return False
        return bool(self.fitted[1]) == bool(c.geometry[1]) or not c.passed

    def measure(self):
        """Return the plan of a run of a sample that starts now, and its conclusion."""
        identity = Identity("rotational", self.serial, "1.2", {"full_scale_uN_m": 1000.0})
        order = RunOrder(sample="G-1", instrument="bench-1", method_id="clear-glaze-qc")
        with self.store.reader() as reader:
            catalogue = with_fits(self.catalogue, fits_of(reader, ["bench-1"]))
            history = instrument_history(reader, catalogue, order, identity, self.now)
        plan = plan_of(
            ANY_GEOMETRY, catalogue.instrument("bench-1"), identity=identity, history=history, product=PRODUCT
        )
        return plan, concluded(plan, facts([kept(summaries())]))


ANY_GEOMETRY = example("methods/clear-glaze-qc.toml").model_copy(update={"geometry": Geometries()})
PRODUCT = example("products/clear-glaze.toml")
PRODUCT = PRODUCT.model_copy(
    update={"limits": tuple(x.model_copy(update={"geometry": None, "vessel": None}) for x in PRODUCT.limits)}
)
REQUIRED = ControlOfShift(fluid=FLUID, method=METHOD)


def required(catalogue, control=REQUIRED):
    bench = catalogue.instrument("bench-1").model_copy(update={"control": control, "expect_serial": None})
    catalogue.instruments["bench-1"] = bench
    return catalogue


@pytest.fixture
def bench(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        for name in (METHOD, "reference-check", "glaze-flow"):
            store.submit(RegisterMethod(name, "1", METHOD_DIGEST, METHOD_TEXT, T0, "m.keeper")).result(10)
        found = Bench(store, required(Catalogue.load(CONFIG)))
        found.fit(GEOMETRIES[0], "fitted_as_the_file_states")
        yield found


def happen(bench, rng):
    """Let one thing happen at random."""
    bench.now += rng.choice((1, 30, 200, 700, -20)) * 60 * 10**9
    passed = rng.choice((True, True, True, False, None))
    kind = rng.choice(("control",) * 4 + ("handover", "fit", "note", "other", "serial", "again", "during"))
    if kind == "control":
        bench.control(passed, authorised=rng.random() < 0.8)
    elif kind == "other":
        bench.control(
            True,
            **rng.choice(
                ({"fluid": "reference-b"}, {"method": "reference-check"}, {"bench": "bench-2"}, {"simulated": True})
            ),
        )
    elif kind == "handover":
        bench.hand_over()
    elif kind == "fit":
        bench.fit(rng.choice(GEOMETRIES))
    elif kind == "note":
        bench.fit(bench.fitted, "file_names_what_is_fitted")
    elif kind == "serial":
        bench.serial = rng.choice(SERIALS)
    elif kind == "during":
        bench.control(passed, between=bench.hand_over)
    elif bench.controls:
        bench.judge_again(rng.choice(bench.controls), rng.choice((True, False, None)))


@pytest.mark.parametrize(
    ("seed", "things"), [(1, 40), *(pytest.param(seed, 150, marks=pytest.mark.slow) for seed in (2, 4, 7))]
)
def test_a_result_is_good_only_after_the_control_of_this_shift_has_passed(bench, seed, things):
    rng = random.Random(seed)
    seen = set()
    for _ in range(things):
        happen(bench, rng)
        plan, found = bench.measure()
        expected = bench.expected()
        seen.add(expected)
        assert plan.context.control.state == expected
        assert (found.quality.value, found.validity) == (
            ("Good", "valid") if expected == "passed" else ("Uncertain", "doubtful")
        )
        fault = STATES[expected]
        assert found.faults == (() if fault is None else (fault,))
        assert codes(found.reasons) == list(found.faults)
        due = control_due(plan)
        assert (None if due is None else due.code) == (None if fault is None else "control_not_passed")
        # The limits of the product judge no such value, but the run is possible.
        assert found.verdict.verdict == ("within" if fault is None else "not_comparable")
        assert fault is None or codes(found.verdict.limits[0].reasons) == [fault]
        assert foreseen(plan) == ()
        # The value itself does not change.
        assert found.value == 800.0
    assert seen == set(STATES)


@pytest.mark.parametrize(
    ("seed", "things"), [(11, 60), *(pytest.param(seed, 150, marks=pytest.mark.slow) for seed in (12, 13, 17))]
)
def test_a_failed_or_withdrawn_control_puts_the_results_of_its_geometry_in_doubt(bench, seed, things):
    rng = random.Random(seed)
    for _ in range(things):
        happen(bench, rng)
        bench.sample()
    kinds = set()
    with bench.store.reader() as reader:
        found = checks(reader, "bench-1")
        assert entries(reader, "bench-1") == []
        first = {run: reader.results(run)[0].audit_seq for _, run, _, _ in bench.measured}
        doubts = doubting(CheckTrail(reader, "bench-1"))
        blocked = {run: {e.run for e in failures_after(reader, doubts, run, seq)} for run, seq in first.items()}
        # A release asks for the judgements that are no pass first, and leaves out the rest where there is none.
        asked = {run: {e.run for e in Releases(reader).failures(reader.run(run))} for run in first}
        assert asked == blocked
        for known, entry in zip((c for c in bench.controls if c.bench == "bench-1"), found, strict=True):
            expected = bench.doubted(known)
            kinds.add(entry.doubt)
            assert (entry.doubt is None) == (expected is None)
            # A correction of the control asks for all of them again, however it is judged then.
            could = {run for _, run in doubt_by(reader, found, entry, however=True).results}
            assert could >= set(expected or ())
            assert could >= set(bench.doubted(replace(known, passed=False)))
            assert could >= set(bench.doubted(replace(known, passed=None, has_passed=True)))
            assert {run for run, by in blocked.items() if known.run in by} == set(expected or ())
            if expected is not None:
                assert [run for _, run in doubt_by(reader, found, entry).results] == expected
    assert kinds == {None, "control_failed_later", "control_withdrawn_later"}


@pytest.mark.parametrize(("ns", "state"), [
    (0, "passed"), (12 * HOUR - 1, "passed"), (12 * HOUR, "expired"), (1 - 12 * HOUR, "passed"), (-12 * HOUR, "expired"),
])  # fmt: skip
def test_a_control_holds_for_less_than_twelve_hours_from_its_start(bench, ns, state):
    began = bench.now
    bench.control(True)
    bench.now = began + ns
    assert bench.measure()[0].context.control.state == state


@pytest.mark.parametrize(
    "other", [{"fluid": "reference-b"}, {"method": "reference-check"}, {"bench": "bench-2"}, {"simulated": True}]
)
def test_another_fluid_method_or_bench_or_a_simulated_instrument_is_not_the_control(bench, other):
    bench.control(True, **other)
    assert bench.measure()[0].context.control.state == "missing"
    bench.control(False)
    bench.control(True, **other)
    assert bench.measure()[0].context.control.state == "failed"


@pytest.mark.parametrize("simulated", [False, True])
def test_a_verification_on_a_simulated_instrument_says_nothing_about_a_real_one(bench, simulated):
    found = StoredCheck("check-1", True, GEOMETRIES[0], SERIALS[0], "reference-b", METHOD, "bench-1", bench.now, 0)
    for run, passed, is_simulated in (("check-1", False, False), ("check-2", True, simulated)):
        detail = replace(bench.detail(replace(found, run=run), passed, f"r-{run}"), kind="verification")
        began = begin(run, "bench-1")
        bench.submit(
            replace(began, run=replace(began.run, simulated=is_simulated)),
            conclude(run, result_id=f"r-{run}", verification=encode(detail), build=bench.build(run, found)),
            end(run),
        )
    plan, _ = bench.measure()
    assert plan.context.standing.passed is not simulated


def test_nothing_changes_where_no_control_is_required(bench):
    required(bench.catalogue, None)
    bench.control(False)
    plan, found = bench.measure()
    assert (plan.context.control, found.quality.value, found.faults) == (None, "Good", ())


def test_the_reason_names_the_control_and_its_newest_run(bench):
    _, found = bench.measure()
    about = {"fluid": FLUID, "instrument": "bench-1", "geometry": "coaxial-12"}
    assert parameters(found.reasons, "control_missing") == about
    bench.control(False)
    _, found = bench.measure()
    assert parameters(found.reasons, "control_failed") == about | {"moment": "2025-10-09T08:53:20Z", "run": "control-0"}
    assert found.reasons[0].text == (
        "the last control failed: house-oil on bench-1 with coaxial-12, last measured 2025-10-09T08:53:20Z (run control-0)"
    )


def test_the_warning_before_a_run_names_the_control_and_its_state(bench):
    plan, _ = bench.measure()
    assert control_due(plan).text == (
        "the result will be Uncertain: the control house-oil of this shift has not passed on bench-1 with coaxial-12 (missing)"
    )
    verifying = VerificationAsked(levels=1, full_scale=0.0, kind="control")
    assert control_due(replace(plan, context=replace(plan.context, verification=verifying))) is None


def test_the_control_is_in_the_header_and_in_the_result(bench):
    bench.control(True)
    plan, found = bench.measure()
    again = read_header(Header(run="run-1", plan=plan, drivers={}, software="0", libraries={}).text).plan
    assert again.context.control == plan.context.control
    assert concluded(again, facts([kept(summaries())])) == found
    data = ResultData.build(plan, found, RunDetails(run="run-1", sample=Sample(id="G-1")))
    assert data.controlled.model_dump() == {
        "fluid": FLUID, "state": "passed", "run": "control-0", "began": "2025-10-09T08:53:20Z", "serial": "R-1042",
        "geometry": "coaxial-12", "geometry_serial": None,
    }  # fmt: skip
