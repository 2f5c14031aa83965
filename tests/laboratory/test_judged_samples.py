"""A sample is judged by the stored version of its product, from all its runs, and by other persons than measured it."""

import ast
import itertools
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import daq
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.declaring.beginning import BeginConfigured, FixedText
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.ordering import completed
from daq.app.laboratory.reporting.about_runs import against_alone
from daq.app.laboratory.reporting.shown import product_used
from daq.app.laboratory.signing.reportable_records import computed
from daq.app.records.judged.judging import judged_sample, tried_of_sample, without_cause
from daq.app.records.judged.product_versions import present, version_at
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder, with_past_moment
from daq.core.errors import NotAllowedError, SettingError
from daq.laboratory.configuration import KeptText, RunConfiguration, UsedFile
from daq.methods.files.daemon import People
from daq.methods.files.digest import restored
from daq.methods.files.product import Product
from tests.support.laboratories import at, laboratory, staffed
from tests.support.runs.stored import T0, record, register
from tests.support.runs.virtual_bench import StoredBench, run_id_of

TEST = "clear-glaze-qc"
THICK = "clear-glaze-thick"
DAY = 86_400 * 10**9


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Samples with a run within, a run outside, and two runs on two fillings."""
    bench = StoredBench(tmp_path_factory.mktemp("judged") / "state")
    for sample, fluid, fill in (
        ("in", "clear-glaze", ""),
        ("out", THICK, ""),
        ("two", "clear-glaze", "1"),
        ("two", "clear-glaze", "2"),
    ):
        bench.measure(sample, fluid, operator="measure", **({"fill": fill} if fill else {}))
    return bench.state


RUNS = {
    "in": run_id_of("in"),
    "out": run_id_of("out", THICK),
    "first": run_id_of("two", fill="1"),
    "second": run_id_of("two", fill="2"),
}


@pytest.fixture
def lab(measured, tmp_path):
    shutil.copyfile(database_path(measured), tmp_path / "daq.db")
    with laboratory(tmp_path) as lab:
        yield lab


def seen(lab, sample):
    """Return value, verdict and number of counted runs of a sample, and the run after which it waits for a cause."""
    with lab.reader() as reader:
        found = judged_sample(reader, sample, TEST)
        counted = tuple(a.run for a in found.attempts if a.counted)
        return found.value, found.verdict, counted, without_cause(reader, sample, TEST)


def test_the_rule_for_replicates_is_asked_in_one_place():
    """Another call of `reportable` would judge a sample from a part of its runs, or by another version."""
    calls = set()
    for path in Path(daq.__file__).parent.rglob("*.py"):
        text = path.read_text()
        for node in ast.walk(ast.parse(text)) if "reportable(" in text else ():
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "reportable":
                calls.add(path.name)
    # A certificate asks it whether one run can count at all.  Beside a damaged result it is asked without runs.
    assert calls == {"judging.py", "certificate_page.py", "reportable_records.py"}


FACTS = (
    {"sample": "in"},
    {"sample": "out"},
    {"sample": "two"},
    {"sample": "nowhere"},
    {"lot": "L9"},
    {"product": ""},
    {"operator": "a.novak"},
)


@pytest.mark.slow
@pytest.mark.parametrize("run", RUNS)
@pytest.mark.parametrize("fact", FACTS, ids=str)
def test_no_correction_changes_what_a_sample_states_without_a_reviewer(lab, run, fact):
    """Each correction of each run: the outcome of the reviewed one decides whether a reviewer was needed."""
    order = {"run": RUNS[run], "because": "mistyped"} | fact
    samples = ("in", "out", "two", "nowhere")
    before = {sample: seen(lab, sample) for sample in samples}
    if fact.get("sample") == {"first": "two", "second": "two"}.get(run, run):
        with pytest.raises(SettingError, match="nothing of run"):
            carry_out(lab, "run_correct", order)
        return
    done = carry_out(lab, "run_correct", order)
    stayed = "needs_review" not in done
    if not stayed:
        assert {sample: seen(lab, sample) for sample in samples} == before
        carry_out(lab, "run_correct_reviewed", order)
    after = {sample: seen(lab, sample) for sample in samples}
    assert not (stayed and (after != before or run == "out"))
    # A sample that waits goes on waiting: a run that leaves stays outside for its first sample.
    assert all(after[sample][3] for sample in samples if before[sample][3]) or fact == {"product": ""}
    if "sample" in fact:
        home = {"first": "two", "second": "two"}.get(run, run)
        with lab.reader() as reader:
            (left,) = [t for t in tried_of_sample(reader, home) if t.moved is not None]
            (listed,) = [a for a in computed(Releases(reader), home)[TEST].attempts if a.run == RUNS[run]]
        assert (left.run.id, left.outside) == (RUNS[run], run == "out")
        assert (listed.counted, [w.code for w in listed.why]) == (False, ["moved_to_sample"])
        assert listed.why[0].parameters == {"sample": fact["sample"], "because": "mistyped"}


def test_a_sample_that_an_outside_run_left_waits_for_its_own_cause(lab):
    carry_out(lab, "run_correct_reviewed", {"run": RUNS["out"], "sample": "other", "because": "mistyped"})
    order = RunOrder(sample="out", instrument="bench-1", product="clear-glaze", filling="fresh")
    assert [seen(lab, sample)[3] for sample in ("out", "other")] == [RUNS["out"]] * 2
    cause = {"run": RUNS["out"], "cause": "transcription", "because": "the label of the other cup"}
    with lab.reader() as reader, pytest.raises(SettingError, match="needs an assigned cause"):
        completed(order, lab.catalogue, reader, ("bench-1",))
    assert carry_out(lab, "repeat_assign", cause | {"sample": "out"})["sample"] == "out"
    with lab.reader() as reader:
        completed(order, lab.catalogue, reader, ("bench-1",))
    # The cause of one sample is none of the other.
    assert [seen(lab, sample)[3] for sample in ("out", "other")] == ["", RUNS["out"]]
    assert carry_out(lab, "repeat_assign", cause)["sample"] == "other"
    assert seen(lab, "other")[3] == ""


@pytest.mark.slow
def test_a_run_that_comes_back_is_a_run_of_its_sample_again(lab):
    before = seen(lab, "out")
    for sample in ("other", "third", "out"):
        carry_out(lab, "run_correct_reviewed", {"run": RUNS["out"], "sample": sample, "because": "mistyped"})
    assert seen(lab, "out") == before
    assert [seen(lab, sample)[3] for sample in ("other", "third")] == [RUNS["out"]] * 2


def test_a_certificate_of_one_run_hides_no_other(lab):
    expected = {"in": [], "out": [], "first": ["other_attempts"], "second": ["other_attempts"]}

    def codes():
        with lab.reader() as reader:
            releases = Releases(reader)
            runs = {name: reader.run(run) for name, run in RUNS.items()}
            newest = {name: reader.newest_result(run) for name, run in RUNS.items()}
            return {n: [s.code for s in against_alone(releases, runs[n], newest[n], needed=False)] for n in RUNS}

    assert codes() == expected
    # An outside run that was moved away is hidden by a run of its first sample, and by one of its new sample.
    carry_out(lab, "run_correct_reviewed", {"run": RUNS["out"], "sample": "in", "because": "mistyped"})
    assert codes() == expected | {"in": ["other_attempts"], "out": ["other_attempts"]}
    carry_out(lab, "run_annul", {"run": RUNS["second"], "because": "spilled"})
    assert codes()["first"] == []


def versions(product):
    """Return other versions of a product, of which each would judge a sample in another way."""
    rule = {"count": 2, "most": 3, "repeatability_limit": {"value": 15.0, "unit": "mPa.s"}}
    text = json.loads(present(product).text)
    changes = (
        {"rounding": "rounded", "reported_digits": 1},
        {"reported_digits": 2},
        {"replicates": rule},
        {"limits": [limit | {"high": 5000.0} for limit in text["limits"]]},
        {"limits": []},
        {"acceptance": "guard_banded_acceptance", "guard_factor": 1.0},
    )
    return [restored(Product, json.dumps(text | change | {"version": f"v{i}"})) for i, change in enumerate(changes)]


def test_a_new_version_of_a_product_judges_no_sample_that_was_measured_before_it(lab):
    product = lab.catalogue.product("clear-glaze")
    with lab.reader() as reader:
        before = {sample: computed(Releases(reader), sample) for sample in ("in", "out", "two")}
    waits = {sample: seen(lab, sample)[3] for sample in before}
    for other in (*versions(product), None):
        if other is None:
            del lab.catalogue.products["clear-glaze"]
        else:
            lab.catalogue.products["clear-glaze"] = other
        for sample, found in before.items():
            carry_out(lab, "reportable_store", {"sample": sample})
            with lab.reader() as reader:
                assert computed(Releases(reader), sample) == found
            assert seen(lab, sample)[3] == waits[sample]


@pytest.mark.slow
def test_a_correction_judges_by_the_version_of_the_day_of_the_run(lab):
    """The run, and a run of another product, whatever the file states now."""
    product = lab.catalogue.product("clear-glaze")
    with lab.reader() as reader:
        own = product_used(reader, reader.run(RUNS["out"]))
        verdict = json.loads(reader.newest_result(RUNS["out"]).data)["verdict"]
    assert own.version == product.version
    for other in versions(product)[2:4]:
        lab.catalogue.products["clear-glaze"] = other
        with pytest.raises(SettingError, match="declared like this already"):
            carry_out(lab, "run_correct_reviewed", {"run": RUNS["out"], "product": "clear-glaze", "because": "x"})
        carry_out(lab, "run_correct_reviewed", {"run": RUNS["out"], "product": "", "because": "x"})
        carry_out(lab, "run_correct_reviewed", {"run": RUNS["out"], "product": "clear-glaze", "because": "x"})
        with lab.reader() as reader:
            assert json.loads(reader.newest_result(RUNS["out"]).data)["verdict"] == verdict
            assert product_used(reader, reader.run(RUNS["out"])) == own


def test_runs_under_two_versions_give_no_result(tmp_path):
    bench = StoredBench(tmp_path)
    product = bench.catalogue.product("clear-glaze")
    rule = {"count": 2, "most": 3, "repeatability_limit": {"value": 15.0, "unit": "mPa.s"}}
    for fill, version in (("1", "a"), ("2", "b")):
        text = json.loads(present(product).text) | {"replicates": rule, "version": version}
        bench.catalogue.products["clear-glaze"] = restored(Product, json.dumps(text))
        bench.measure("mixed", fill=fill)
    with laboratory(tmp_path) as lab, lab.reader() as reader:
        found = judged_sample(reader, "mixed", TEST)
    assert (found.value, found.how.code) == (None, "product_versions_differ")
    assert found.how.parameters == {"product": "clear-glaze", "versions": ("a", "b")}


def store_start(store, run, version):
    """Store the start of a run with a version of its product."""
    text = present(version)
    used = UsedFile(what="product", id=version.id, version=version.version, text=text.digest)
    store.submit(
        BeginConfigured(
            BeginRun(run),
            (),
            (FixedText(new(KeptText(id=text.digest, text=text.text), "text_kept")),),
            new(RunConfiguration(id=run.id, used=(used,), fitted={}), "run_configured"),
        )
    ).result()


def test_a_product_whose_version_is_not_stored_gives_no_result(tmp_path):
    run = StoredBench(tmp_path).measure("unknown", product="gone-glaze")
    with laboratory(tmp_path) as lab, lab.reader() as reader:
        found = judged_sample(reader, "unknown", TEST)
        assert (found.value, found.how.code) == (None, "product_version_unknown")
        assert found.how.parameters == {"product": "gone-glaze", "run": run[:8]}
        # Its own verdict is within, so nothing waits.
        assert without_cause(reader, "unknown", TEST) == ""


def expected_version(before, after, in_file):
    """Return the version in force on the day of a run, from the dates alone; "" where two could have been."""
    later = after or in_file
    if before is not None and before.version == later.version:
        return before.version
    since = later.valid_from
    if since is not None and since > "2025-10-10":
        return "" if before is None else before.version
    return "" if before is not None and since is None else later.version


@pytest.mark.slow
def test_the_version_in_force_follows_from_runs_and_dates(tmp_path):
    """Each combination of the versions of the run before, the run after and the file, with dates around the run."""
    text = json.loads(present(Catalogue.load(examples_dir()).product("engobe")).text)
    dates = {"early": "2025-10-01", "same": "2025-10-10", "late": "2025-10-20", "undated": None}
    now = T0 + 36 * 3600 * 10**9  # 2025-10-10
    outcomes = set()
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result()
        for number, chosen in enumerate(itertools.product([None, *dates], [None, *dates], dates)):
            before, after, in_file = (
                None if name is None else made_of(text, f"engobe-{number}", name, dates[name]) for name in chosen
            )
            for version, utc_ns in ((before, now - DAY), (after, now + DAY)):
                if version is not None:
                    own = replace(record(f"{number} {utc_ns}"), product=version.id, began_utc_ns=utc_ns)
                    store_start(store, own, version)
            run = replace(record("r"), product="clear-glaze", began_utc_ns=now)
            expected = expected_version(before, after, in_file)
            with store.reader() as reader:
                try:
                    found = version_at(reader, run, in_file.id, in_file).version
                except SettingError:
                    found = ""
            assert found == expected, chosen
            outcomes.add(expected)
    assert outcomes == {"", *dates}


def made_of(text, ident, version, valid_from):
    dated = {} if valid_from is None else {"valid_from": valid_from}
    return restored(Product, json.dumps(text | {"id": ident, "version": version} | dated))


@pytest.mark.slow
def test_the_operator_as_corrected_and_the_one_who_measured_need_an_authorisation(measured, tmp_path):
    """Each pair of persons; the result names those who had none."""
    shutil.copyfile(database_path(measured), tmp_path / "daq.db")
    with staffed(tmp_path) as lab:
        for person, known in (("skilled", True), ("trainee", False)):
            carry_out(lab, "person_add", {"id": person, "role": "measure"})
            if known:
                carry_out(lab, "person_authorise", {"id": person, "method": TEST, "since": "2020-01-01"})
        order = {"run": RUNS["in"], "because": "the other shift"}
        with pytest.raises(SettingError, match="there is no person 'nobody'"):
            carry_out(lab, "run_correct", order | {"operator": "nobody"})
        for operator, missing in (("skilled", []), ("trainee", ["trainee"]), ("skilled", [])):
            done = carry_out(lab, "run_correct", order | {"operator": operator})
            if missing or "needs_review" in done:
                assert {"reportable", "authorisation"} <= set(done["needs_review"])
                carry_out(lab, "run_correct_reviewed", order | {"operator": operator})
            with lab.reader() as reader:
                found = judged_sample(reader, "in", TEST)
            names = [w.parameters["operator"] for w in found.attempts[0].why if w.code == "operator_not_authorised"]
            assert (names, found.value is None) == (missing, bool(missing))


OWN_WORK = {
    "run_annul": {"because": "spilled"},
    "run_correct_reviewed": {"sample": "other", "because": "mistyped"},
    "repeat_assign": {"cause": "bubbles", "because": "bubbles"},
    "doubt_decide": {"verification": "last", "decision": "upheld", "because": "a check"},
}


@pytest.mark.slow
@pytest.mark.parametrize("act", OWN_WORK)
@pytest.mark.parametrize("review_own", [False, True])
def test_a_person_does_not_review_what_the_same_person_measured(measured, tmp_path, act, review_own):
    """Also after another operator is declared for the run; `review_own` allows it."""
    shutil.copyfile(database_path(measured), tmp_path / "daq.db")
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_role", {"id": "measure", "role": "review"})
        daemon = lab.catalogue.daemon
        lab.catalogue.daemon = daemon.model_copy(update={"people": People(required=True, review_own=review_own)})
        order = OWN_WORK[act] | {"run": RUNS["out"]}
        for declared in ("measure", "review"):
            if declared != "measure":
                correction = {"run": RUNS["out"], "operator": declared, "because": "x"}
                carry_out(lab, "run_correct_reviewed", correction)
            words = _refused(at(lab, "at-measure"), act, order)
            assert ("is for another person who reviews" in words) == (not review_own), (declared, words)
            if review_own:
                break
        else:
            assert "another person" not in _refused(lab, act, order)


def _refused(lab, act, order):
    try:
        carry_out(lab, act, order)
    except NotAllowedError as error:
        return str(error)
    except SettingError as error:
        return str(error)
    return ""


@pytest.mark.parametrize(
    ("typed", "stored"),
    [
        ("", ""),
        ("2025-10-09T08:00+00:00", "2025-10-09T08:00+00:00"),
        ("2025-10-09T08:00+02:00", "2025-10-09T08:00+02:00"),
        ("2031-01-01T10:00+00:00", None),
        ("yesterday lunch", None),
        ("25:00", None),
    ],
)
def test_the_sampling_time_of_a_run_is_read_like_that_of_a_sample(typed, stored):
    order = RunOrder(sample="G-1", sampled_at=typed)
    if stored is None:
        with pytest.raises(SettingError, match=r"sampled_at: .*(future|is no time)"):
            with_past_moment(order, T0 + DAY)
        return
    assert with_past_moment(order, T0 + DAY).sampled_at == stored
    # The latest 14:20, which is a time with its offset.
    latest = with_past_moment(order.model_copy(update={"sampled_at": "14:20"}), T0 + DAY).sampled_at
    assert "T14:20" in latest
    assert with_past_moment(order.model_copy(update={"sampled_at": latest}), T0 + DAY).sampled_at == latest
