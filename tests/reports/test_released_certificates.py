"""A certificate is made only of what is neither rejected nor in doubt, and where people are on, only of what is released."""

import base64
import re

import pytest

from daq.app.laboratory.laboratory import find
from daq.app.laboratory.reporting.signature_lines import signature_lines
from daq.app.records.signatures import RUN, Releases
from daq.core.errors import SettingError, StoreError
from daq.laboratory.reportables import ReportableRecord
from tests.reports.parts import text_of
from tests.support.laboratories import cheap_hashes, switch_people
from tests.support.runs.full_database import falsified
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab, signing_lab_at, verify

SAMPLE = "G-1042"
IDENT = f"{SAMPLE}/clear-glaze-qc"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch):
    cheap_hashes(monkeypatch)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        found.keep(*SAMPLES)
        yield found


def certificate(lab, of):
    """Return the bytes of a certificate."""
    return base64.b64decode(lab.do("certificate_release", of=of)["pdf"])


def measured_(lab, run):
    lab.sign(run, meaning="measured", person="m.keeper")


def reviewed(lab, run):
    lab.sign(run, meaning="reviewed", because="looked again")


def run_released(lab, run):
    lab.sign(run)


def value_released(lab, _):
    lab.sign(IDENT, of="reportable")


def run_rejected(lab, run):
    lab.sign(run, meaning="rejected", because="a bubble", person="b.lind")


def value_rejected(lab, _):
    lab.sign(IDENT, of="reportable", meaning="rejected", because="a bubble", person="b.lind")


def failed(lab, _):
    verify(lab.lab.store, "failed", passed=False)


def decided(decision):
    def step(lab, run):
        lab.do("doubt_decide", run=run, verification="failed", decision=decision, because="measured again")

    step.__name__ = decision
    return step


def stored(lab, _):
    lab.keep(SAMPLE)


def corrected(lab, run):
    lab.correct(run, lot="L9")


def joined(lab, _):
    """Another run joins the sample; the reportable result is not stored anew yet."""
    lab.correct(lab.runs[0], sample=SAMPLE)


def other_product(lab, _):
    """The file of the product asks for another rounding, which changes nothing about a sample of before."""
    product = lab.lab.catalogue.products["clear-glaze"]
    lab.lab.catalogue.products["clear-glaze"] = product.model_copy(update={"reported_digits": 2})


upheld, uncertain = decided("upheld"), decided("uncertain")
both = (run_released, value_released)
UNSIGNED, REJECTED, DOUBT = "has not signed it as released", "b.lind rejected it", "failed after it"
HIDDEN = "a certificate of one run would hide them"
WITHDRAWN = r"as it is now \(release withdrawn\)"
#: Steps, then the refusal of the certificate of the run and of the sample: where people are off, and where they are on.
STATES = [
    ((), ("", ""), (UNSIGNED, UNSIGNED)),
    ((measured_,), ("", ""), (UNSIGNED, UNSIGNED)),
    ((reviewed,), ("", ""), (UNSIGNED, UNSIGNED)),
    ((run_released,), ("", ""), ("", UNSIGNED)),
    ((value_released,), ("", ""), (UNSIGNED, "")),
    (both, ("", ""), ("", "")),
    ((run_rejected,), (REJECTED, REJECTED), (REJECTED, REJECTED)),
    ((*both, run_rejected), (REJECTED, REJECTED), (REJECTED, REJECTED)),
    ((value_rejected,), ("", REJECTED), (UNSIGNED, REJECTED)),
    ((*both, value_rejected), ("", REJECTED), ("", REJECTED)),
    ((run_rejected, reviewed), ("", ""), (UNSIGNED, UNSIGNED)),
    ((run_rejected, reviewed, *both), ("", ""), ("", "")),
    ((run_rejected, corrected), (REJECTED, REJECTED), (REJECTED, REJECTED)),
    ((failed,), (DOUBT, DOUBT), (DOUBT, DOUBT)),
    ((*both, failed), (DOUBT, DOUBT), (DOUBT, DOUBT)),
    ((*both, failed, stored), (DOUBT, DOUBT), (DOUBT, DOUBT)),
    ((failed, upheld), ("", ""), (UNSIGNED, UNSIGNED)),
    ((failed, upheld, *both), ("", ""), ("", "")),
    ((*both, failed, upheld), ("", ""), ("", "")),
    ((*both, failed, stored, upheld), ("", ""), ("", WITHDRAWN)),
    ((*both, failed, uncertain), ("is doubtful", "is doubtful"), ("is doubtful", "is doubtful")),
    ((*both, corrected), ("", ""), (WITHDRAWN, WITHDRAWN)),
    ((*both, corrected, *both), ("", ""), ("", "")),
    ((*both, joined), (HIDDEN, ""), (HIDDEN, UNSIGNED)),
    ((*both, other_product), ("", ""), ("", "")),
]
QUICK = {both, (run_rejected,), (*both, failed)}


def swept(steps, off, on):
    """Return the parameters of a test of a state."""
    name = "-".join(s.__name__.strip("_") for s in steps) or "nothing"
    return pytest.param(steps, off, on, id=name, marks=() if steps in QUICK else pytest.mark.slow)


@pytest.mark.parametrize(("steps", "off", "on"), [swept(*s) for s in STATES])
def test_a_certificate_is_refused_in_every_state_but_the_good_ones(lab, steps, off, on):
    run = lab.runs[1]
    for step in steps:
        step(lab, run)
    for required, refusals in ((False, off), (True, on)):
        switch_people(lab.lab.catalogue, on=required)
        for of, words in zip((run, SAMPLE), refusals, strict=True):
            if words:
                with pytest.raises(SettingError, match=f"has no certificate: .*{words}"):
                    lab.do("certificate_release", of=of)
            else:
                assert certificate(lab, of).startswith(b"%PDF-")
    assert lab.disagreements() == []


@pytest.mark.slow
def test_the_code_of_each_refusal(lab):
    run = lab.runs[1]

    def codes(*, needed):
        with lab.lab.reader() as reader:
            releases, record = Releases(reader), reader.run(run)
            kept = find(reader, ReportableRecord, IDENT).record
            of_run = releases.against_run(record, reader.newest_result(run), needed=needed)
            of_value = releases.against_reportable(IDENT, kept, [record], needed=needed)
        return [s.code for s in of_run], [s.code for s in of_value]

    assert codes(needed=False) == ([], [])
    assert codes(needed=True) == (["not_released"], ["not_released"])
    run_rejected(lab, run)
    failed(lab, run)
    both_codes = ["rejected_by", "verification_failed_after"]
    assert codes(needed=False) == (both_codes, both_codes)
    assert codes(needed=True) == ([*both_codes, "not_released"], [*both_codes, "not_released"])


def words_of(pdf):
    return re.sub(r"\s+", " ", text_of(pdf))


def test_pages_show_the_signatures_in_force_and_lines_for_the_hand_only_without_them(lab):
    run, other = lab.runs[1], lab.runs[2]
    switch_people(lab.lab.catalogue, on=False)
    for of in (run, SAMPLE):
        assert "Authorised by: name, function, date" in words_of(certificate(lab, of))
    measured_(lab, run)
    # Who measured is not named to a customer, and does not authorise the page.
    shown = words_of(certificate(lab, run))
    assert ("M.KEEPER" in shown, "Authorised by: name" in shown) == (False, True)
    record = words_of(base64.b64decode(lab.do("report_make", of=run)["pdf"]))
    assert "Signed as measured by M.KEEPER, 2025-" in record
    lab.sign(run, meaning="reviewed", person="b.lind")
    lab.sign(run)
    value_released(lab, run)
    shown = words_of(certificate(lab, run))
    assert re.search(r"Signed as reviewed by B\.LIND, 2025-\S+ \S+ UTC Signed as released by A\.NOVAK, 2025-", shown)
    assert "Authorised by: name" not in shown
    shown = words_of(certificate(lab, SAMPLE))
    assert ("Signed as released by A.NOVAK" in shown, "B.LIND" in shown) == (True, False)
    shown = words_of(base64.b64decode(lab.do("report_make", of=SAMPLE)["pdf"]))
    for line in (f"{IDENT}: Signed as released by A.NOVAK", f"run {run[:8]}: Signed as measured by M.KEEPER"):
        assert line in shown
    # A correction withdraws them: the next pages are signed by hand.
    corrected(lab, run)
    for of in (run, SAMPLE):
        shown = words_of(certificate(lab, of))
        assert ("Signed as" in shown, "Authorised by: name" in shown) == (False, True)
    assert "Signed as" not in words_of(certificate(lab, other))


@pytest.mark.slow
@pytest.mark.parametrize("first", [0, 1])
def test_lines_name_rejections_and_blocked_releases(lab, first):
    run, other = lab.runs[first], lab.runs[2]
    lab.sign(run, other)
    value_released(lab, run)
    lab.sign(run, meaning="rejected", because="a bubble", person="b.lind")
    failed(lab, run)
    with lab.lab.reader() as reader:
        releases = Releases(reader)
        assert [s.split(", 2025")[0] for s in signature_lines(releases, [(RUN, run)])] == [
            "Signed as rejected by B.LIND"
        ]
        blocked = [signature_lines(releases, [(RUN, other)])]
        # A rejection of a run withdraws the release of its reportable result.
        if first != 1:
            blocked.append(signature_lines(releases, [("reportable", IDENT)]))
        for (line,) in blocked:
            assert re.search(r"Signed as released by A\.NOVAK, .*; RELEASE BLOCKED: the verification failed", line)
        if first == 1:
            assert signature_lines(releases, [("reportable", IDENT)]) == ()
    reviewed(lab, run)
    with lab.lab.reader() as reader:
        (line,) = signature_lines(Releases(reader), [(RUN, run)])
    assert line.startswith("Signed as reviewed by A.NOVAK")


@pytest.mark.slow
def test_a_falsified_signature_gives_no_certificate(measured, tmp_path):
    """A person who writes into the file cannot lift a rejection: the signature does not agree with the audit trail."""
    with signing_lab(*measured, tmp_path) as lab:
        lab.keep(SAMPLE)
        value_released(lab, lab.runs[1])
        value_rejected(lab, lab.runs[1])
        path = lab.lab.store.path
    for number, (before, after) in enumerate([("rejected", "reviewed"), ("withdrawn", "in_force")]):
        changed = tmp_path / f"{number}.db"
        with falsified(path, changed) as db:
            db.execute("UPDATE records SET data = replace(data, ?, ?) WHERE kind = 'signature'", (before, after))
        with signing_lab_at(lab, changed) as again:
            switch_people(again.lab.catalogue, on=False)
            with pytest.raises(StoreError, match=f"reportable {IDENT}: .* do not agree with the audit trail"):
                again.do("certificate_release", of=SAMPLE)
