"""A certificate of a single run does not outlive a further result of its sample, and none is released beside one."""

import shutil

import pytest

from daq.adapters.paths import database_path
from daq.app.cli.laboratory.trace import lines_of
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.reporting.tracing import trace
from daq.app.laboratory.signing.report_subjects import report_named, report_subject
from daq.app.laboratory.signing.subjects import refusals, run_subject
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.laboratory.reports import Report
from tests.support.laboratories import cheap_hashes
from tests.support.runs.virtual_bench import StoredBench, run_id_of
from tests.support.signed_laboratories import signing_lab, signing_lab_at

SAMPLE = "G-1042"
THICK = "clear-glaze-thick"
HIDDEN = "other_attempts"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch):
    cheap_hashes(monkeypatch)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    bench = StoredBench(tmp_path_factory.mktemp("measured") / "state")
    return bench, [bench.measure(SAMPLE, simulated=False, fill="1")]


def codes(lab, of, ident):
    """Return why a run or a report must not be released."""
    with lab.lab.reader() as reader:
        releases = Releases(reader)
        subject = report_subject(releases, ident) if of == "report" else run_subject(releases, reader.run(ident))
    return [s.code for s in refusals(subject, "released", None, review_own=False, alone=True)]


def traced(lab, ident):
    """Return state, release and objections of a report as a trace shows them."""
    with lab.lab.reader() as reader:
        found = trace(reader, report_named(reader, ident).record)
        assert all(s.text in "".join(text for text, _ in lines_of(found)) for s in found.objections)
        return find(reader, Report, ident).record.state, found.about["release"], [s.code for s in found.objections]


def certified(lab, run, *, signed):
    """Return the id of a certificate of a run, itself signed as released where `signed`."""
    ident = lab.do("certificate_release", of=run)["id"]
    if signed:
        lab.sign(ident, of="report")
    return ident


@pytest.mark.parametrize("signed", [True, pytest.param(False, marks=pytest.mark.slow)])
@pytest.mark.parametrize("fluid", [THICK, pytest.param("clear-glaze", marks=pytest.mark.slow)])
def test_a_further_result_withdraws_the_certificate_of_one_run(measured, tmp_path, fluid, signed):
    bench, (first,) = measured
    second = run_id_of(SAMPLE, fluid, fill="2")
    with signing_lab(*measured, tmp_path, required=False) as lab:
        lab.keep(SAMPLE)
        lab.sign(first)
        ident = certified(lab, first, signed=signed)
        assert traced(lab, ident) == ("released", "released" if signed else None, [])
        assert codes(lab, "report", ident) == (["signed_already"] if signed else [])
    # The second run ends: its result is stored, and the task after it has not run yet.
    path = tmp_path / "state" / database_path(bench.state).name
    StoredBench(path.parent, clock=bench.clock).measure(SAMPLE, fluid, simulated=False, fill="2")
    with signing_lab_at(lab, path) as lab:
        assert traced(lab, ident) == ("released", "release_blocked" if signed else None, [HIDDEN])
        assert HIDDEN in codes(lab, "report", ident)
        for run in (first, second):
            assert HIDDEN in codes(lab, "run", run)
            with pytest.raises(SettingError, match="would hide them"):
                certified(lab, run, signed=False)
        lab.keep(SAMPLE)
        assert traced(lab, ident)[:2] == ("withdrawn", "release_withdrawn" if signed else None)
        lab.do("run_annul", run=second, because="spilled")
        assert HIDDEN not in codes(lab, "run", first)
        assert traced(lab, certified(lab, first, signed=signed))[0] == "released"
        assert lab.disagreements() == []


@pytest.mark.slow
@pytest.mark.parametrize("fluid", ["clear-glaze", THICK])
def test_no_run_beside_another_one_is_released_alone(measured, tmp_path, fluid):
    bench, (first,) = measured
    shutil.copytree(bench.state, tmp_path / "twice" / "state")
    again = StoredBench(tmp_path / "twice" / "state", clock=bench.clock)
    second = again.measure(SAMPLE, fluid, simulated=False, fill="2")
    with signing_lab(again, [first, second], tmp_path / "lab", required=False) as lab:
        lab.keep(SAMPLE)
        for run in (first, second):
            with pytest.raises(SettingError, match="would hide them"):
                lab.sign(run)
            lab.sign(run, meaning="reviewed")
