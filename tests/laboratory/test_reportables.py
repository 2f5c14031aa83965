"""Reportable results as records: the same as `daq reportable`, stored when they change, and published once."""

import json
from dataclasses import replace
from functools import partial

import jsonschema
import pytest
from pydantic import TypeAdapter

from daq.adapters.store.audit import digest_of
from daq.adapters.store.records import revisions
from daq.app.delivery.contract import SCHEMAS
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.signing.reportable_records import computed, is_current
from daq.app.laboratory.signing.subjects import reportable_subject
from daq.app.records.judged.judging import judged_sample
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.laboratory.kinds import reportable_id
from daq.laboratory.reportables import ReportableRecord
from daq.methods.concluding.reportable import Reportable
from daq.methods.files.producttest import Replicates
from daq.methods.parts import statement
from daq.methods.sentences import rendering
from tests.support.runs.full_database import TOPICS
from tests.support.runs.stored import begin
from tests.support.runs.virtual_bench import StoredBench
from tests.support.signed_laboratories import signing_lab, signing_lab_at

SCHEMA = {s.name: json.loads(s.text()) for s in SCHEMAS}
TEST = "clear-glaze-qc"
IDENT = reportable_id("G-1", TEST)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A bench with three runs of one sample on fresh fills, one repeat on a fill, and one run of another sample."""
    bench = StoredBench(tmp_path_factory.mktemp("filled") / "state", topics=TOPICS)
    product = bench.catalogue.product("clear-glaze")
    limit = {"count": 2, "most": 3, "repeatability_limit": "15 mPa.s"}
    rule = Replicates.model_validate(limit, strict=False)
    bench.catalogue.products["clear-glaze"] = product.model_copy(update={"replicates": rule, "version": "pairs"})
    about = [("1", 1), ("2", 2), ("2", 3), ("3", 4)]
    runs = [
        bench.measure("G-1", simulated=False, fill=fill, replicate=n, speed=20 if n != 3 else 10) for fill, n in about
    ]
    return bench, [*runs, bench.measure("G-2", simulated=False)]


@pytest.fixture
def lab(filled, tmp_path):
    with signing_lab(*filled, tmp_path) as found:
        yield found


def stored(lab, ident=IDENT):
    with lab.lab.reader() as reader:
        return find(reader, ReportableRecord, ident)


def by_command(lab, sample):
    with lab.lab.reader() as reader:
        found = judged_sample(reader, sample, TEST)
    return TypeAdapter(Reportable).dump_python(found, mode="json")


def without_digests(attempt):
    return {k: v for k, v in attempt.items() if k not in ("result", "digest")}


def check(lab, sample="G-1"):
    """Check that the stored reportable result is the computed one, and lists every run with its digest."""
    data = stored(lab, reportable_id(sample, TEST)).record.data.model_dump(mode="json")
    expected = by_command(lab, sample)
    attempts = data.pop("attempts")
    assert [without_digests(a) for a in attempts] == expected.pop("attempts")
    assert {k: data[k] for k in expected} == expected
    with lab.lab.reader() as reader:
        for a in attempts:
            newest = reader.newest_result(a["run"])
            assert (a["result"], a["digest"]) == (newest.id, digest_of(newest.data))
    return data


def test_every_attempt_the_rule_and_the_scatter_between_fills_are_stored(lab):
    assert lab.keep("G-1", "G-2") == [IDENT, reportable_id("G-2", TEST)]
    data = check(lab)
    assert (data["state"], data["decided"], data["verdict"], data["revision"]) == ("complete", "mean", "within", 1)
    assert data["uncertainty"]["expanded"] > 0
    assert "scatter between fills" in [c["name"] for c in data["uncertainty"]["components"]]
    assert [a.counted for a in stored(lab).record.data.attempts] == [True, True, False, False]
    assert check(lab, "G-2")["state"] == "open"
    # Nothing has changed, so nothing is stored or published.
    assert lab.keep("G-1", "G-2") == []
    events = lab.messages("reportable")
    assert len(events) == len({e["id"] for e in events}) == 2
    for event in events:
        jsonschema.validate(event, SCHEMA["envelope"])
        jsonschema.validate(event["data"], SCHEMA["reportable"])
    assert events[0]["data"] == stored(lab).record.data.model_dump(mode="json")
    assert lab.disagreements() == []


def test_a_release_stays_after_an_update_that_writes_numbers_with_more_digits(tmp_path, monkeypatch):
    """The stored limit is "up to 1e+06", and the one that is computed now "up to 1000000": the same limit."""
    bench = StoredBench(tmp_path / "bench", topics=TOPICS)
    product = bench.catalogue.product("clear-glaze")
    limits = tuple(limit.model_copy(update={"low": None, "high": 1e6}) for limit in product.limits)
    bench.catalogue.products["clear-glaze"] = product.model_copy(update={"limits": limits, "version": "wide"})
    with monkeypatch.context() as older:
        older.setattr(statement, "render", partial(rendering.render, language=rendering.EARLIER))
        run = bench.measure("G-1", simulated=False)
        with signing_lab(bench, [run], tmp_path) as lab:
            assert lab.keep("G-1") == [IDENT]
            lab.sign(IDENT, of="reportable")
    with signing_lab_at(lab, lab.lab.store.path) as lab:
        kept = stored(lab)
        with lab.lab.reader() as reader:
            releases = Releases(reader)
            now = computed(releases, "G-1")[TEST]
            assert "up to 1e+06" in kept.record.data.limits[0].text
            assert "up to 1000000" in now.limits[0].text
            assert is_current(releases, kept.record)
        assert lab.keep("G-1") == []
        assert (stored(lab).revision, len(lab.messages("reportable"))) == (1, 1)
        with lab.lab.reader() as reader:
            assert Releases(reader).of_record("reportable", IDENT, blocked=False) == "released"


def test_corrections_and_annulments_store_it_anew_and_withdraw_its_release(lab):
    lab.keep("G-1", "G-2")
    for number, change in enumerate(
        [
            lambda: lab.correct(lab.runs[0], lot="L1"),
            lambda: lab.correct(lab.runs[3], lot="L2"),
            lambda: lab.do("run_annul", "c.head", run=lab.runs[1], because="spilled"),
        ]
    ):
        lab.sign(IDENT, of="reportable")
        change()
        kept = stored(lab)
        assert (kept.revision, kept.record.data.revision) == (number + 2, number + 2)
        with lab.lab.reader() as reader:
            assert Releases(reader).of_record("reportable", IDENT, blocked=False) == "release_withdrawn"
        check(lab)
    events = lab.messages("signature")
    assert [e["data"]["state"] for e in events] == ["in_force", "withdrawn"] * 3
    assert len({e["id"] for e in events}) == 6
    assert lab.disagreements() == []


@pytest.mark.slow
def test_a_run_that_moves_to_another_sample_changes_both(lab):
    lab.keep("G-1", "G-2")
    lab.sign(IDENT, of="reportable")
    lab.correct(lab.runs[4], sample="G-1", operator="b.lind")
    assert [a.run for a in stored(lab).record.data.attempts] == lab.runs
    (left,) = stored(lab, reportable_id("G-2", TEST)).record.data.attempts
    assert (left.run, left.counted, [w.code for w in left.why]) == (lab.runs[4], False, ["moved_to_sample"])
    check(lab)
    with lab.lab.reader() as reader:
        assert Releases(reader).of_record("reportable", IDENT, blocked=False) == "release_withdrawn"
        assert [r.what for r in revisions(reader, "reportable", IDENT)] == ["reportable_stored"] * 2
    assert lab.disagreements() == []


@pytest.mark.slow
def test_one_that_is_out_of_date_or_of_several_products_is_not_released(lab):
    lab.keep("G-1")
    product = lab.lab.catalogue.products["clear-glaze"]
    # Another version of the product changes nothing about a sample that was measured before it.
    newer = product.model_copy(update={"replicates": None, "version": "newer"})
    lab.lab.catalogue.products["clear-glaze"] = newer
    lab.keep("G-1")
    lab.sign(IDENT, of="reportable")
    lab.correct(lab.runs[0], product="engobe")
    data = stored(lab).record.data
    assert (data.value, data.state, data.how.code) == (None, "open", "products_differ")
    assert all(not a.counted for a in data.attempts)
    with lab.lab.reader() as reader:
        subject = reportable_subject(Releases(reader), IDENT)
    assert [s.code for s in subject.hindrances] == ["reportable_without_value"]
    del lab.lab.catalogue.products["clear-glaze"]
    lab.keep("G-2")
    assert stored(lab, reportable_id("G-2", TEST)).record.data.how.code == "more_results_needed"


@pytest.mark.slow
def test_a_release_is_not_shown_before_a_further_run_is_stored_in_it(lab, filled):
    lab.keep("G-1")
    lab.sign(IDENT, of="reportable")

    def shown():
        with lab.lab.reader() as reader:
            return Releases(reader).of_reportable(find(reader, ReportableRecord, IDENT).record)

    assert shown() == "released"
    run = begin("further", "bench-1")
    further = replace(run, run=replace(run.run, sample="G-1", method_id=TEST, product="clear-glaze"))
    lab.lab.store.submit(further).result()
    assert shown() == "release_withdrawn"
    with pytest.raises(SettingError, match="have changed since it was stored"):
        lab.sign(IDENT, of="reportable")
    with lab.lab.reader() as reader:
        subject = reportable_subject(Releases(reader), IDENT)
    assert [s.code for s in subject.hindrances] == ["reportable_out_of_date"]


@pytest.mark.slow
def test_a_rejected_run_blocks_its_reportable_result(lab):
    lab.keep("G-1")
    lab.sign(IDENT, of="reportable")
    lab.sign(lab.runs[0], meaning="rejected", because="a bubble", person="b.lind")
    with lab.lab.reader() as reader:
        assert Releases(reader).of_record("reportable", IDENT, blocked=False) == "release_withdrawn"
    with pytest.raises(SettingError, match="b.lind rejected it"):
        lab.sign(IDENT, of="reportable")
    assert lab.disagreements() == []


def test_storing_is_an_act_for_samples_of_before(lab):
    assert lab.do("reportable_store", "m.keeper", sample="G-1") == {"stored": [IDENT]}
    assert lab.do("reportable_store", "m.keeper", sample="G-1") == {"stored": []}
    with pytest.raises(SettingError, match="there is no run of sample 'G-9'"):
        lab.do("reportable_store", "m.keeper", sample="G-9")
