"""A rejected certificate blocks every certificate of its results, until the result changes or a reason is given.

Case: a reviewer rejected a certificate, and the same results got a new number at once.
"""

import hashlib
import itertools
import threading
from dataclasses import replace

import pytest

from daq.adapters.store.records import ChangedMeanwhileError
from daq.app.laboratory import acts
from daq.app.laboratory.laboratory import find, new
from daq.app.laboratory.reporting.shown import newest_shown
from daq.app.laboratory.reporting.tracing import trace
from daq.app.laboratory.signing import sign_acts
from daq.app.laboratory.signing.report_subjects import rejected_sharing, report_named, report_subject
from daq.app.laboratory.signing.subjects import refusals
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.laboratory.kinds import number_of
from daq.laboratory.reports import Report
from tests.support.laboratories import cheap_hashes
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab

RUN, SAMPLE = 1, SAMPLES[1]
REFUSED = "there is no certificate of these results: b.lind rejected report {} which shows the result of run [0-9a-f]{{8}} of sample .*, too .wrong value.;"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch):
    cheap_hashes(monkeypatch)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path, required=False) as found:
        found.keep(*SAMPLES)
        yield found


def made(lab, about, customer=""):
    of = lab.runs[RUN] if about == "run" else SAMPLE
    return lab.do("certificate_release", of=of, customer=customer)["id"]


def reject(lab, ident):
    lab.sign(ident, of="report", meaning="rejected", because="wrong value", person="b.lind")


RUNS = range(len(SAMPLES))
SUBSETS = [frozenset(each) for size in RUNS for each in itertools.combinations(RUNS, size + 1)]


def stored_report(lab, runs, customer=""):
    """Store the record of a certificate of several runs with their newest results, and return what it shows."""
    with lab.lab.reader() as reader:
        shown = tuple(newest_shown(reader, [lab.runs[run] for run in sorted(runs)]))
    ident = hashlib.sha256(repr((sorted(runs), customer, [s.result for s in shown])).encode()).hexdigest()
    report = Report(
        id=ident, form="certificate", of="lot 7", title="a lot", simulated=False, issued="2026-11-30", files=("f",),
        shown=shown,
    )  # fmt: skip
    lab.lab.change(new(report, "report_made"))
    return ident, shown


@pytest.mark.parametrize("rejected", SUBSETS, ids=lambda runs: "".join(map(str, sorted(runs))))
def test_every_certificate_that_shows_one_of_the_rejected_results_is_blocked(lab, rejected):
    """Sweep over all sets of results of the new certificate: subsets, supersets, and sets that overlap."""
    ident, _ = stored_report(lab, rejected)
    released = {runs: stored_report(lab, runs, "a potter") for runs in SUBSETS}

    def blocked():
        with lab.lab.reader() as reader:
            made = {runs for runs, (_, shown) in released.items() if rejected_sharing(reader, "certificate", shown)}
            signed = {runs for runs, (other, _) in released.items() if named(reader, other)}
        assert made == signed
        return made

    def named(reader, other):
        """Return the runs for whose results a report must not be signed, as its hindrances name them."""
        found = report_subject(Releases(reader), other).hindrances
        return {run for s in found if s.code == "shown_result_rejected" for run in s.parameters["runs"]}

    def shared(left):
        """Compare the named runs of every report with those whose results are still rejected."""
        with lab.lab.reader() as reader:
            for runs, (other, shown) in released.items():
                wanted = {lab.runs[run] for run in runs & left}
                assert named(reader, other) == {run[:8] for run in wanted}
                assert {
                    run for last in rejected_sharing(reader, "certificate", shown).values() for run in last.runs
                } == wanted

    assert blocked() == set()
    reject(lab, ident)
    assert blocked() == {runs for runs in SUBSETS if runs & rejected}
    shared(rejected)
    # A result that has changed is not the rejected one; the others on the certificate are.
    changed = min(rejected)
    lab.correct(lab.runs[changed], lot="L9")
    released = {runs: stored_report(lab, runs, "a tiler") for runs in SUBSETS}
    assert blocked() == {runs for runs in SUBSETS if runs & (rejected - {changed})}
    shared(rejected - {changed})
    lab.sign(ident, of="report", meaning="reviewed", because="the limit was misread")
    assert blocked() == set()


def test_a_further_run_of_the_sample_does_not_bring_a_rejected_result_onto_a_certificate(lab, measured):
    """The certificate of the sample then shows more results than the rejected one."""
    ident = made(lab, "sample")
    reject(lab, ident)
    bench = replace(measured[0], state=lab.lab.store.path.parent)
    bench.measure(SAMPLE, fill="2", simulated=False)
    lab.keep(SAMPLE)
    with pytest.raises(SettingError, match=REFUSED.format(number_of(ident) + ",")):
        made(lab, "sample")
    lab.sign(ident, of="report", meaning="reviewed", because="a further filling was measured")
    assert made(lab, "sample")


ABOUTS = [
    pytest.param(first, again, marks=() if first != again else pytest.mark.slow)
    for first, again in itertools.product(("run", "sample"), repeat=2)
]
"""The subjects of the rejected certificate and of the new one."""


@pytest.mark.parametrize(("first", "again"), ABOUTS)
def test_the_same_results_get_no_certificate_until_a_review_states_why(lab, first, again):
    ident = made(lab, first)
    lab.sign(ident, of="report")
    reject(lab, ident)
    with lab.lab.reader() as reader:
        shown = trace(reader, report_named(reader, ident).record)
    assert (shown.about["state"], shown.about["release"]) == ("withdrawn", "rejected")
    refused = REFUSED.format(number_of(ident) + ",")
    for customer in ("", "a potter"):
        with pytest.raises(SettingError, match=refused):
            made(lab, again, customer)
    # A review without a reason lifts nothing.
    with pytest.raises(SettingError, match=r"b\.lind rejected it .wrong value.; say why it may be used"):
        lab.sign(ident, of="report", meaning="reviewed")
    with pytest.raises(SettingError, match=refused):
        made(lab, again)
    lab.sign(ident, of="report", meaning="reviewed", because="the value is right, the limit was misread")
    new = made(lab, again)
    with lab.lab.reader() as reader:
        states = [find(reader, Report, one).record.state for one in (ident, new)]
    assert (new != ident, states) == (True, ["withdrawn", "released"])
    # A second rejection blocks again, although the first one was answered.
    reject(lab, new)
    with pytest.raises(SettingError, match=REFUSED.format(number_of(new) + ",")):
        made(lab, again)
    assert lab.disagreements() == []


@pytest.mark.parametrize(("first", "again"), ABOUTS)
def test_a_corrected_result_gets_its_certificate(lab, first, again):
    reject(lab, made(lab, first))
    lab.correct(lab.runs[RUN], lot="L9")
    assert made(lab, again)


def test_a_certificate_from_before_is_neither_released_nor_handed_out_again(lab):
    one, other = made(lab, "run", "a potter"), made(lab, "run", "a tiler")
    unrelated = lab.do("certificate_release", of=lab.runs[RUN + 1])["id"]

    def codes(ident):
        with lab.lab.reader() as reader:
            subject = report_subject(Releases(reader), ident)
        return [s.code for s in refusals(subject, "released", None, review_own=False, alone=True)]

    reject(lab, one)
    assert (codes(other), codes(unrelated)) == (["shown_result_rejected"], [])
    with pytest.raises(
        SettingError, match=f"b.lind rejected report {number_of(one)}, which shows .*{lab.runs[RUN][:8]}"
    ):
        lab.sign(other, of="report")
    with pytest.raises(SettingError, match="there is no certificate of these results"):
        made(lab, "run", "a tiler")
    lab.sign(one, of="report", meaning="reviewed", because="only the customer was wrong")
    lab.sign(other, of="report")
    assert codes(other) == ["signed_already"]


def test_a_rejection_between_the_look_and_the_release_refuses_the_release(lab, monkeypatch):
    one, other = made(lab, "run", "a potter"), made(lab, "run", "a tiler")
    transaction = sign_acts._transaction

    def late(laboratory, reader, subjects, signer):
        step = transaction(laboratory, reader, subjects, signer)
        if signer.meaning == "released":
            reject(lab, one)
        return step

    monkeypatch.setattr(sign_acts, "_transaction", late)
    # Acts wait for each other; here one is carried out within another.
    monkeypatch.setattr(acts, "_ONE_AT_A_TIME", threading.RLock())
    with pytest.raises(ChangedMeanwhileError, match="meanwhile"):
        lab.sign(other, of="report")
