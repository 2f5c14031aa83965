"""Samples whose product's version is not stored, or is damaged: what was stored stays, and a reviewer can state it."""

import itertools
import json
import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.declaring.beginning import BeginConfigured, FixedText
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun
from daq.app.laboratory.bench.handing_over import left_over
from daq.app.laboratory.laboratory import find, new
from daq.app.laboratory.ordering import completed
from daq.app.laboratory.progress import open_tests
from daq.app.laboratory.repeats import waiting_for_cause
from daq.app.laboratory.signing.reportable_records import computed, samples_after
from daq.app.records.judged.judging import judged_sample
from daq.app.records.judged.product_versions import present, version_at, version_of_run
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError
from daq.laboratory.configuration import KeptText, RunConfiguration, UsedFile
from daq.laboratory.declarations import Declaration
from daq.laboratory.kinds import reportable_id
from daq.laboratory.reportables import ReportableRecord
from daq.methods.files.digest import restored
from daq.methods.files.product import Product
from tests.support.runs.full_database import TOPICS
from tests.support.runs.old_databases import from_dump
from tests.support.runs.stored import SECOND, T0, record, register
from tests.support.runs.virtual_bench import StoredBench
from tests.support.signed_laboratories import signing_lab, signing_lab_at, verify

TEST = "clear-glaze-qc"
SAMPLES = ("G-1", "G-2", "G-3")
DAY = 86_400 * SECOND


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A bench with a run of each sample, each under its own version of the product."""
    bench = StoredBench(tmp_path_factory.mktemp("measured") / "state", topics=TOPICS)
    text = json.loads(present(bench.catalogue.product("clear-glaze")).text)
    runs = []
    for sample in SAMPLES:
        product = restored(Product, json.dumps(text | {"version": f"of {sample}"}))
        bench.catalogue.products["clear-glaze"] = product
        fluid = "clear-glaze-thick" if sample == "G-3" else "clear-glaze"
        runs.append(bench.measure(sample, fluid, simulated=False))
    return bench, runs


def changed_outside(path, sql, *values):
    """Change records of a closed database, which the program itself does not do."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER records_no_delete")
        connection.execute("DROP TRIGGER records_no_update")
        assert connection.execute(sql, values).rowcount


@pytest.fixture
def earlier(measured, tmp_path):
    """A laboratory whose runs, reportable results and a release are from before the configuration was stored."""
    with signing_lab(*measured, tmp_path) as lab:
        lab.keep("G-1", "G-3")
        lab.sign(reportable_id("G-1", TEST), of="reportable")
    changed_outside(database_path(tmp_path / "state"), "DELETE FROM records WHERE kind = 'run_configuration'")
    with signing_lab_at(lab, database_path(tmp_path / "state")) as found:
        yield found


def stored(lab, sample):
    with lab.lab.reader() as reader:
        return find(reader, ReportableRecord, reportable_id(sample, TEST))


def release(lab, sample="G-1"):
    with lab.lab.reader() as reader:
        return Releases(reader).of_reportable(stored(lab, sample).record)


def test_a_stored_reportable_result_stays_where_the_version_of_its_product_is_not_stored(earlier):
    before = {sample: stored(earlier, sample) for sample in ("G-1", "G-3")}
    assert {kept.record.data.verdict.value for kept in before.values()} == {"within", "outside"}
    with earlier.lab.reader() as reader:
        after_start = [s for run in earlier.runs for s in samples_after(reader, reader.run(run))]
    assert (after_start, earlier.keep("G-1", "G-3")) == (list(SAMPLES), [])
    earlier.do("reportable_store", sample="G-1")
    assert {sample: stored(earlier, sample) for sample in before} == before
    assert release(earlier) == "released"
    # A failed verification is a reason of its own: the value stays, and must not be released.
    verify(earlier.lab.store, "failed", passed=False)
    assert earlier.keep("G-1") == [reportable_id("G-1", TEST)]
    now, was = stored(earlier, "G-1").record.data, before["G-1"].record.data
    assert (now.state, now.value, now.attempts) == ("blocked", was.value, was.attempts)
    assert [s.code for s in now.blocked] == ["verification_failed_after"]
    assert release(earlier) != "released"


@pytest.mark.parametrize("number", [1, 5, 8])
def test_the_runs_of_old_formats_have_no_version_until_the_present_file_is_stated(tmp_path, number):
    in_file = Catalogue.load(examples_dir()).product("clear-glaze")
    with Store(from_dump(tmp_path / "daq.db", f"{number:04}", number), utc_ns=T0) as store, store.reader() as reader:
        runs = [run for run in reader.runs(limit=-1) if run.product]
        assert runs
        for run in runs:
            file = in_file.model_copy(update={"id": run.product})
            assert (version_of_run(reader, run), version_at(reader, run, run.product, None)) == (None, None)
            assert version_at(reader, run, run.product, file) == present(file)


def test_a_changed_run_without_a_stored_version_of_its_product_gives_no_value(earlier):
    earlier.do("run_annul", "b.lind", run=earlier.runs[0], because="spilled")
    earlier.keep("G-1")
    assert stored(earlier, "G-1").record.data.value is None
    assert release(earlier) != "released"


def test_a_new_computation_says_how_the_version_of_a_product_is_stated(earlier):
    earlier.keep("G-2")
    data = stored(earlier, "G-2").record.data
    assert (data.value, data.how.code) == (None, "product_version_unknown")
    assert f"daq correct {earlier.runs[1][:8]} --product clear-glaze" in data.how.text


@pytest.mark.parametrize("number", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in (1, 2))])
def test_a_reviewer_states_the_version_of_the_same_product(earlier, number):
    run, order = earlier.runs[number], {"product": "clear-glaze", "because": "the file of that day"}
    assert "needs_review" in earlier.do("run_correct", "c.head", run=run, **order)
    earlier.do("run_correct_reviewed", "c.head", run=run, **order)
    with earlier.lab.reader() as reader:
        declared = find(reader, Declaration, run).record
        own = present(earlier.lab.catalogue.product("clear-glaze"))
        assert (declared.product_text, declared.product_version) == (own.digest, own.version)
        assert [(c.name, c.before, c.after) for c in declared.changes] == [("product", "clear-glaze", "clear-glaze")]
        found = judged_sample(reader, SAMPLES[number], TEST)
    assert (found.decided, found.verdict) == ("single", "outside" if number == 2 else "within")
    with pytest.raises(SettingError, match="declared like this already"):
        earlier.do("run_correct_reviewed", "c.head", run=run, **order)


@pytest.mark.slow
def test_a_file_that_holds_from_a_later_day_judges_no_run_before_it(earlier):
    text = json.loads(present(earlier.lab.catalogue.product("clear-glaze")).text)
    order = {"product": "clear-glaze", "because": "the file of that day"}
    later, own = (
        restored(Product, json.dumps(text | {"version": d, "valid_from": d})) for d in ("2125-01-01", "2025-10-01")
    )
    earlier.lab.catalogue.products["clear-glaze"] = later
    with pytest.raises(SettingError, match="holds from 2125-01-01"):
        earlier.do("run_correct_reviewed", "c.head", run=earlier.runs[0], **order)
    for run, in_file in zip(earlier.runs, (own, later), strict=False):
        # The version that was stated for the run before is that of the next one, too.
        earlier.lab.catalogue.products["clear-glaze"] = in_file
        earlier.do("run_correct_reviewed", "c.head", run=run, **order)
        with earlier.lab.reader() as reader:
            assert find(reader, Declaration, run).record.product_version == "2025-10-01"


def version(text, name, since):
    dated = {} if since is None else {"valid_from": since}
    return restored(Product, json.dumps(text | {"version": name} | dated))


def test_runs_without_a_stored_version_hide_none_of_the_runs_beyond_them(tmp_path):
    """Each place of a known run among unknown ones, on both sides of the run that is corrected."""
    text = json.loads(present(Catalogue.load(examples_dir()).product("engobe")).text)
    seen = set()
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result()
        for number, (before, after) in enumerate(itertools.product((None, 1, 2, 3), repeat=2)):
            own = text | {"id": f"engobe-{number}"}
            for place in (-3, -2, -1, 1, 2, 3):
                run = replace(record(f"{number} {place}"), product=own["id"], began_utc_ns=T0 + (10 + place) * DAY)
                known = {-(before or 9): "early", after or 9: "late"}.get(place)
                if known is None:
                    store.submit(BeginRun(run)).result()
                    continue
                made = present(version(own, known, "2025-10-01" if known == "early" else "2026-01-01"))
                used = UsedFile(what="product", id=own["id"], version=known, text=made.digest)
                configured = new(RunConfiguration(id=run.id, used=(used,), fitted={}), "run_configured")
                kept = (FixedText(new(KeptText(id=made.digest, text=made.text), "text_kept")),)
                store.submit(BeginConfigured(BeginRun(run), (), kept, configured)).result()
            with store.reader() as reader:
                asked = replace(record("r"), product="", began_utc_ns=T0 + 10 * DAY)
                try:
                    found = version_at(reader, asked, own["id"], version(own, "file", "2025-10-02")).version
                except SettingError:
                    found = ""
            # With a later version stored, the present file was not in force.
            expected = ("early" if before else "") if after else "file"
            assert found == expected, (before, after)
            seen.add(expected)
    assert seen == {"", "early", "file"}


def test_a_damaged_text_of_a_product_is_an_objection_to_its_own_samples_only(measured, tmp_path):
    bench, runs = measured
    with signing_lab(bench, runs, tmp_path) as lab, lab.lab.reader() as reader:
        for sample in SAMPLES:
            lab.do("sample_add", id=sample, product="clear-glaze")
        (used,) = (u for u in find(reader, RunConfiguration, runs[0]).record.used if u.what == "product")
    path = database_path(tmp_path / "state")
    changed_outside(path, "UPDATE records SET data = json_set(data, '$.text', '{}') WHERE id = ?", used.text)
    with signing_lab_at(lab, path) as lab, lab.lab.reader() as reader:
        catalogue = lab.lab.catalogue
        found = {sample: judged_sample(reader, sample, TEST) for sample in SAMPLES}
        assert {s: f.decided for s, f in found.items()} == {"G-1": "none", "G-2": "single", "G-3": "single"}
        assert found["G-1"].how.code == "product_text_damaged"
        assert found["G-1"].how.parameters == {"product": "clear-glaze", "run": runs[0][:8]}
        assert [computed(Releases(reader), sample)[TEST].state for sample in SAMPLES] == [
            "open",
            "complete",
            "complete",
        ]
        product = catalogue.product("clear-glaze")
        assert [bool(open_tests(reader, sample, product)) for sample in SAMPLES] == [True, False, False]
        assert [run.id for run in waiting_for_cause(reader, limit=10)] == [runs[2]]
        assert {left.sample for left in left_over(reader, catalogue, T0)} >= set(SAMPLES)
        order = RunOrder(sample="G-1", instrument="bench-1", product="clear-glaze", filling="fresh")
        assert completed(order, catalogue, reader, ("bench-1",)).method_id == TEST
