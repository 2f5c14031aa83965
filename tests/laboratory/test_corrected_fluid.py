"""A verification that was made with another certified fluid than declared: `daq correct --fluid` judges it again."""

import json
from dataclasses import replace

import pytest

from daq.app.cli.laboratory.trace import lines_of
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.reporting.tracing import trace
from daq.app.laboratory.signing.affected_runs import affected
from daq.app.records.checks.audited_checks import entries
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.laboratory.reports import Report
from tests.support.runs.full_database import TOPICS
from tests.support.runs.virtual_bench import StoredBench
from tests.support.signed_laboratories import signing_lab

pytestmark = pytest.mark.slow
OTHER = "reference-c"
SHARE = 1.2
"""Certified values of the other fluid over those of the first one."""


def measured(bench, name):
    if name == "V-1":
        return bench.measure(name, "reference-b", certified="reference-b", simulated=False)
    return bench.measure(name, simulated=False)


@pytest.fixture(params=[("G-1", "V-1")])
def lab(tmp_path, request):
    bench = StoredBench(tmp_path / "measured", topics=TOPICS)
    runs = [measured(bench, name) for name in request.param]
    with signing_lab(bench, runs, tmp_path) as found:
        fluid = found.lab.catalogue.fluid("reference-b")
        values = tuple(v.model_copy(update={"viscosity": scaled(v.viscosity)}) for v in fluid.values)
        other = fluid.model_copy(update={"id": OTHER, "lot": "C-1", "certificate": "C-2", "values": values})
        found.lab.catalogue.fluids[OTHER] = other
        yield found


def scaled(amount):
    return replace(amount, value=amount.value * SHARE)


def published(lab, run):
    found = [e["data"] for e in lab.messages("signature") if e["data"]["subject"] == run]
    return [(d["state"], [s["verification"] for s in d["suspended"]]) for d in found]


def test_the_verification_is_judged_with_the_other_certificate_and_blocks_what_was_measured_before(lab):
    run, verification = lab.runs
    lab.sign(run)
    before = lab.newest(verification)["verification"]
    assert before["passed"] is True
    done = lab.correct(verification, fluid=OTHER)
    assert (done["changes"], "verification" in done["changed"]) == (
        [{"name": "fluid", "before": "reference-b", "after": OTHER}],
        True,
    )
    data = lab.newest(verification)
    now = data["verification"]
    assert (now["fluid"], now["lot"], now["certificate"], now["passed"]) == (OTHER, "C-1", "C-2", False)
    for old, new in zip(before["levels"], now["levels"], strict=True):
        assert new["measured"] == old["measured"]
        assert new["certified"] == pytest.approx(SHARE * old["certified"])
        # The deviation by hand: measured less certified, of the certified value.
        by_hand = 100.0 * (new["measured"] / (SHARE * old["certified"]) - 1.0)
        assert new["deviation_percent"] == pytest.approx(by_hand)
    assert any(w["code"] == "declared_otherwise" and w["parameters"]["name"] == "fluid" for w in data["warnings"])
    with lab.lab.reader() as reader:
        (entry,) = entries(reader, "bench-1")
        assert (entry.detail.fluid, entry.detail.passed) == (OTHER, False)
        assert Releases(reader).doubts(reader.run(run))
    # Subscribers learn it in the transaction of the correction, and its end in that of the next one.
    assert published(lab, run) == [("in_force", []), ("withdrawn", [verification])]
    assert lab.release(run) == "release_blocked"
    lab.correct(verification, fluid="reference-b")
    assert published(lab, run)[2:] == [("in_force", [])]
    assert lab.release(run) == "released"
    again = lab.newest(verification)["verification"]
    assert json.dumps(again | {"results_since_pass": []}) == json.dumps(before | {"results_since_pass": []})
    lab.correct(verification, fluid=OTHER)
    lab.do("run_annul", run=verification, because="the wrong beaker")
    assert published(lab, run)[3:] == [("withdrawn", [verification]), ("in_force", [])]
    assert lab.disagreements() == []


@pytest.mark.parametrize("lab", [("V-1", "G-1")], indirect=True)
@pytest.mark.parametrize("annulled", [True, False])
def test_results_that_relied_on_a_verification_lose_release_and_certificate_when_it_is_taken_back(lab, annulled):
    verification, run = lab.runs
    lab.keep("G-1")
    lab.sign(run)
    lab.sign("G-1/clear-glaze-qc", of="reportable")
    of_sample, of_run = (lab.do("certificate_release", of=of)["id"] for of in ("G-1", run))
    if annulled:
        lab.do("run_annul", run=verification, because="another bottle")
    else:
        lab.correct(verification, fluid=OTHER)
    code = "verification_withdrawn_after" if annulled else "verification_failed_after"
    assert lab.release(run) == "release_blocked"
    assert published(lab, run) == [("in_force", []), ("withdrawn", [verification])]
    with lab.lab.reader() as reader:
        assert [s.code for s in Releases(reader).doubts(reader.run(run))] == [code]
        assert [e.run for e, _ in affected(reader, verification)] == [run]
        assert find(reader, Report, of_sample).record.state == "withdrawn"
        traced = trace(reader, find(reader, Report, of_run).record)
        assert Releases(reader).trail("bench-1").judged(verification).passed is (None if annulled else False)
        assert Releases(reader).trail("bench-1").judged(run) is None
    assert [s.code for s in traced.objections] == [code]
    verified = {"run": verification, "passed": True, "date": "2026-03-02"}
    result = traced.results[0] | {"verified": verified, "verified_counts": False}
    assert any("DOES NOT COUNT" in text for text, _ in lines_of(replace(traced, results=[result])))
    for of in ("G-1", run):
        with pytest.raises(SettingError, match=verification[:8]):
            lab.do("certificate_release", of=of)
    lab.do("doubt_decide", run=run, verification=verification, decision="uncertain", because="not known")
    assert (lab.newest(run)["quality"], len(lab.newest(run)["faults"])) == ("Uncertain", 1)
    assert lab.disagreements() == []
