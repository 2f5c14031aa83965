"""A certificate does not outlive a change of its sample, nor a rejection, also not one that a review follows."""

import pytest

from daq.app.laboratory.laboratory import find
from daq.app.laboratory.reporting.tracing import trace
from daq.core.errors import NotAllowedError, SettingError
from daq.laboratory.reports import Report
from daq.laboratory.samples import Sample
from tests.support.laboratories import cheap_hashes
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab

SAMPLE = SAMPLES[0]
VALUE = f"{SAMPLE}/clear-glaze-qc"
STATED = {
    "lot": {"lot": "L2"},
    "sampled_at": {"sampled_at": "2025-01-02T03:04+00:00"},
    "condition": {"condition": "warm"},
    "received_by": {"received_by": "n.gate"},
}
"""Changes of fields that say what was measured."""
COPIED = {"lot": "L1", "sampled_at": "2025-01-01T01:02+00:00"}
"""Those that a run takes from its sample, as they are first."""
WORK = {
    "due": {"due": "2027-01-02T03:04+00:00"},
    "retained": {"retain": "shelf 3"},
    "bench": {"bench": "bench-2"},
    "priority": {"priority": 2},
    "remark": {"remark": "wanted soon"},
}
"""Changes of fields that plan the work."""


@pytest.fixture(autouse=True)
def _cheap(monkeypatch):
    cheap_hashes(monkeypatch)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        found.do("sample_add", "m.keeper", id=SAMPLE, product="clear-glaze")
        yield found


def certified(lab):
    """Release a run and its sample, and return their certificates."""
    lab.keep(SAMPLE)
    lab.sign(lab.runs[0])
    lab.sign(VALUE, of="reportable")
    return [certificate(lab, of) for of in (SAMPLE, lab.runs[0])]


def certificate(lab, of):
    return lab.do("certificate_release", of=of)["id"]


def withdrawn(lab, reports):
    """Return the reason of the withdrawal of each report; None where it is released."""
    with lab.lab.reader() as reader:
        traced = [trace(reader, find(reader, Report, ident).record) for ident in reports]
    assert all(t.about["withdrawn"] is None or t.about["state"] == "withdrawn" for t in traced)
    return [None if t.about["withdrawn"] is None else t.about["withdrawn"]["because"] for t in traced]


def test_each_field_of_a_sample_is_tried():
    own = {"id", "product", "rework", "state"}  # a product cannot change after a run, a rework and an id never
    assert {*STATED, *WORK, *own} == set(Sample.model_fields)


@pytest.mark.parametrize("name", ["lot", *(pytest.param(n, marks=pytest.mark.slow) for n in STATED if n != "lot")])
def test_a_change_of_the_sample_withdraws_its_certificates_and_needs_a_reviewer(lab, name):
    if name in COPIED:  # the run has it from the sample
        lab.do("sample_change", "m.keeper", id=SAMPLE, because="known now", **{name: COPIED[name]})
        lab.correct(lab.runs[0], **{name: COPIED[name]})
    reports = certified(lab)
    order = {"id": SAMPLE, "because": "mistyped"} | STATED[name]
    with pytest.raises(NotAllowedError, match="2 released certificates state"):
        lab.do("sample_change", "m.keeper", **order)
    assert withdrawn(lab, reports) == [None, None]
    assert sorted(lab.do("sample_change", **order)["withdrawn"]) == sorted(reports)
    assert withdrawn(lab, reports) == ["mistyped", "mistyped"]
    if name in COPIED:
        for of in (SAMPLE, lab.runs[0]):
            with pytest.raises(SettingError, match=f"daq correct .* --{name.replace('_at', '')}"):
                certificate(lab, of)
        lab.correct(lab.runs[0], **{name: next(iter(STATED[name].values()))})
        lab.keep(SAMPLE)
        lab.sign(lab.runs[0])
        lab.sign(VALUE, of="reportable")
    assert withdrawn(lab, [certificate(lab, of) for of in (SAMPLE, lab.runs[0])]) == [None, None]
    assert lab.disagreements() == []


def test_a_change_of_the_planning_withdraws_nothing(lab):
    reports = certified(lab)
    for name, change in WORK.items():
        done = lab.do("sample_change", "m.keeper", id=SAMPLE, because="other plan", **change)
        assert (done["withdrawn"], withdrawn(lab, reports)) == ([], [None, None]), name


def test_cancelling_a_sample_and_opening_it_again_withdraw_its_certificates(lab):
    reports = certified(lab)
    with pytest.raises(NotAllowedError):
        lab.do("sample_cancel", "m.keeper", id=SAMPLE, because="not ours")
    lab.do("sample_cancel", id=SAMPLE, because="not ours")
    assert withdrawn(lab, reports) == ["not ours", "not ours"]
    with pytest.raises(SettingError, match="is cancelled: not ours"):
        certificate(lab, SAMPLE)
    lab.do("sample_again", "m.keeper", id=SAMPLE, because="ours, wrong cup")
    for of in (SAMPLE, lab.runs[0]):
        with pytest.raises(SettingError, match="opened again .ours, wrong cup"):
            certificate(lab, of)


@pytest.mark.parametrize("of", ["run", *(pytest.param(of, marks=pytest.mark.slow) for of in ("reportable", "report"))])
def test_a_rejection_withdraws_certificates_and_a_later_review_does_not_bring_them_back(lab, of):
    reports = certified(lab)
    subject = {"run": lab.runs[0], "reportable": VALUE, "report": reports[0]}[of]
    lab.sign(subject, of=of, meaning="rejected", because="wrong cup")
    gone = ["wrong cup", None if of == "report" else "wrong cup"]
    assert withdrawn(lab, reports) == gone
    lab.sign(subject, of=of, meaning="reviewed", because="looked again")
    assert withdrawn(lab, reports) == gone
    if of == "run":
        with pytest.raises(SettingError, match="not signed it as released"):
            certificate(lab, lab.runs[0])
        lab.sign(lab.runs[0])
        again = certificate(lab, lab.runs[0])
        assert (again in reports, withdrawn(lab, [again])) == (False, [None])
    assert lab.disagreements() == []
