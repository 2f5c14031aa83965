"""Signatures under reports, their withdrawal with a certificate, and reports of results in doubt."""

import base64
import contextlib
import json
import random
import re

import jsonschema
import pytest

from daq.adapters.store.audit import digest_of
from daq.adapters.store.records import newest_revision, stored_text
from daq.app.cli.laboratory.trace import lines_of
from daq.app.delivery.contract import SCHEMAS
from daq.app.laboratory.reporting import making
from daq.app.laboratory.reporting.tracing import trace
from daq.app.laboratory.signing.report_subjects import report_named, report_subject
from daq.app.laboratory.signing.signing_list import named_subject
from daq.app.laboratory.signing.subjects import refusals
from daq.app.records.signatures import Releases, signatures_of
from daq.core.errors import SettingError
from daq.laboratory.kinds import number_of
from daq.laboratory.reports import Report
from daq.methods.messages.envelope import SOURCE_PATTERN
from tests.support.laboratories import cheap_hashes
from tests.support.runs.full_database import falsified
from tests.support.signed_laboratories import PASSWORD, SAMPLES, measured_bench, signing_lab, signing_lab_at, verify

SCHEMA = {s.name: json.loads(s.text()) for s in SCHEMAS if s.name in ("envelope", "signature")}


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


def certified(lab, *of):
    """Return the ids of new certificates."""
    return [lab.do("certificate_release", of=each)["id"] for each in of]


def traced(lab, ident):
    with lab.lab.reader() as reader:
        return trace(reader, report_named(reader, ident).record)


def words(found):
    return "\n".join(lead + text for text, lead in lines_of(found))


def codes(lab, ident, meaning="released"):
    """Return why a report must not be signed."""
    with lab.lab.reader() as reader:
        subject = report_subject(Releases(reader), ident)
    return [s.code for s in refusals(subject, meaning, None, review_own=False, alone=True)]


@pytest.mark.parametrize("about", ["run", pytest.param("sample", marks=pytest.mark.slow)])
def test_a_signature_covers_the_record_of_a_report_and_goes_with_its_certificate(lab, about):
    run, sample = lab.runs[1], SAMPLES[1]
    (ident,) = certified(lab, run if about == "run" else sample)
    lab.sign(ident, of="report", meaning="measured", person="m.keeper")
    done = lab.sign(ident, of="report")
    with lab.lab.reader() as reader:
        newest, stored = reader.newest_result(run), newest_revision(reader, Report.kind, ident)
    (*_, event) = lab.messages("signature")
    jsonschema.validate(event, SCHEMA["envelope"])
    jsonschema.validate(event["data"], SCHEMA["signature"])
    assert re.fullmatch(SOURCE_PATTERN, event["source"])
    assert (event["data"]["of"], event["data"]["subject"], event["data"]["sample"]) == ("report", ident, sample)
    assert int(event["sequence"]) == newest.sequence
    assert event["data"]["parts"] == [
        {"kind": "report", "id": ident, "revision": 1, "digest": digest_of(stored_text(stored.data))}
    ]
    assert event["data"]["digest"] == done["signed"][0]["digest"]
    found = traced(lab, ident)
    assert [(s["meaning"], s["by"], s["state"]) for s in found.about["signatures"]] == [
        ("measured", "m.keeper", "in_force"), ("released", "a.novak", "in_force"),
    ]  # fmt: skip
    assert found.about["release"] == "released"
    assert "signature: released by a.novak (A.NOVAK), 2025-" in words(found)
    assert codes(lab, ident) == ["signed_already"]
    with lab.lab.reader() as reader:
        last = reader.audit()[-1].seq
    lab.correct(run, lot="L9")
    with lab.lab.reader() as reader:
        entries = [e for e in reader.audit() if e.seq > last]
        assert {s.state for s in signatures_of(reader, "report", ident)} == {"withdrawn"}
    # One transaction: declaration, signatures, certificate and result.
    assert [e.what for e in entries[:6]] == [
        "run_corrected", "signature_withdrawn", "signature_withdrawn", "report_withdrawn", "result_corrected",
        "result_stored",
    ]  # fmt: skip
    gone = [e["data"] for e in lab.messages("signature") if e["data"]["state"] == "withdrawn"]
    assert [(d["of"], d["subject"], d["withdrawn"]["because"]) for d in gone] == [("report", ident, "mistyped")] * 2
    assert {d["sample"] for d in gone} == {sample}
    found = traced(lab, ident)
    assert found.about["release"] == "release_withdrawn"
    assert words(found).startswith("WITHDRAWN on ")
    assert "WITHDRAWN on 2025-" in words(found).split("signature: released by", 1)[1].splitlines()[0]
    assert codes(lab, ident)[:2] == ["report_is_withdrawn", "report_is_superseded"]
    assert lab.disagreements() == []


@pytest.mark.slow
def test_each_reason_against_the_release_of_a_report(lab):
    run, other, _ = lab.runs
    ident, of_other, of_third = certified(lab, run, other, SAMPLES[2])
    internal = lab.do("report_make", of=run)["id"]
    day = lab.do("report_day", day="2025-11-24")["id"]
    assert [codes(lab, i) for i in (ident, of_other, of_third)] == [[], [], []]
    assert codes(lab, internal) == codes(lab, day) == ["report_is_internal"]
    assert codes(lab, internal, "reviewed") == []
    with pytest.raises(SettingError, match="only certificates are released; sign this report as reviewed"):
        lab.sign(internal, of="report")
    lab.sign(internal, day, of="report", meaning="reviewed")
    lab.sign(run, meaning="rejected", because="a bubble", person="b.lind")
    assert codes(lab, ident) == ["report_is_withdrawn", "rejected_by"]
    lab.sign(f"{SAMPLES[2]}/clear-glaze-qc", of="reportable", meaning="rejected", because="a lump", person="b.lind")
    assert codes(lab, of_third) == ["report_is_withdrawn", "rejected_by"]
    lab.correct(other, lot="L9")
    assert codes(lab, of_other) == ["report_is_withdrawn", "report_is_superseded"]
    assert codes(lab, day) == ["report_is_internal", "report_is_superseded", "rejected_by"]
    verify(lab.lab.store, "failed", passed=False)
    assert codes(lab, ident) == ["report_is_withdrawn", "rejected_by", "verification_failed_after"]
    with pytest.raises(SettingError, match="there is no report 'nothing'"):
        lab.sign("nothing", of="report")
    with pytest.raises(SettingError, match="m.keeper measured it; another person signs it"):
        lab.do("person_role", "c.head", id="m.keeper", role="review")
        lab.sign(ident, of="report", meaning="reviewed", person="m.keeper")
    # The review of an internal report is no release: it stays in force after a correction.
    with lab.lab.reader() as reader:
        assert [s.state for s in signatures_of(reader, "report", day)] == ["in_force"]
    assert lab.disagreements() == []


def test_a_report_is_named_by_its_number(lab):
    run = lab.runs[1]
    (ident,) = certified(lab, run)
    with lab.lab.reader() as reader:
        releases = Releases(reader)
        for name in (ident, number_of(ident), number_of(ident).lower(), ident[:12]):
            subject = named_subject(releases, name)
            assert (subject.of, subject.id) == ("report", ident)
        assert named_subject(releases, run).of == "run"
        assert named_subject(releases, f"{SAMPLES[1]}/clear-glaze-qc").of == "reportable"
        with pytest.raises(SettingError, match="no run whose id begins with"):
            named_subject(releases, "0" * 12)


@pytest.mark.slow
def test_a_name_that_begins_a_run_and_a_report_is_refused(lab, monkeypatch):
    (ident,) = certified(lab, lab.runs[1])
    from daq.app.laboratory.signing import signing_list

    with lab.lab.reader() as reader:
        monkeypatch.setattr(signing_list, "find_run", lambda *_: reader.run(lab.runs[0]))
        with pytest.raises(SettingError, match="begins a run and a report; type more"):
            named_subject(Releases(reader), ident[:8])


@pytest.mark.slow
def test_another_file_of_a_report_is_not_covered_by_its_signature(lab, monkeypatch):
    (ident,) = certified(lab, lab.runs[1])
    lab.sign(ident, of="report")
    typeset = making.typeset
    monkeypatch.setattr(making, "typeset", lambda *given: typeset(*given) + b"\n")
    assert certified(lab, lab.runs[1]) == [ident]
    found = traced(lab, ident)
    assert (len(found.about["files"]), found.about["release"]) == (2, "release_withdrawn")
    assert found.about["signatures"][0]["withdrawn"]["because"].startswith("another version of the software")
    assert [e["data"]["state"] for e in lab.messages("signature")] == ["in_force", "withdrawn"]
    lab.sign(ident, of="report")
    assert traced(lab, ident).about["release"] == "released"
    assert lab.disagreements() == []


@pytest.mark.slow
def test_a_report_that_is_not_as_it_was_seen_is_not_signed(lab):
    (ident,) = certified(lab, lab.runs[1])
    with pytest.raises(SettingError, match="is not as it was when you looked at it"):
        lab.do("sign", meaning="released", password=PASSWORD, signed=[{"of": "report", "id": ident, "digest": "0"}])


def test_a_failed_verification_blocks_certificates_before_anything_is_withdrawn(lab):
    run, other, _ = lab.runs
    idents = certified(lab, run, SAMPLES[0], other, SAMPLES[1])
    for ident in idents:
        lab.sign(ident, of="report")
        assert "RELEASE BLOCKED" not in words(traced(lab, ident))
    verify(lab.lab.store, "failed", passed=False)
    for ident in idents:
        found = traced(lab, ident)
        assert (found.report.state, found.about["withdrawn"], found.about["release"]) == (
            "released", None, "release_blocked",
        )  # fmt: skip
        assert words(found).startswith("RELEASE BLOCKED: the verification failed of bench-1 failed after it")
        assert "  release: release blocked" in words(found)
        assert found.as_json()["blocked"][0]["code"] == "verification_failed_after"
    # A day shows it beside each result.
    day = traced(lab, lab.do("report_day", day="2025-11-24")["id"])
    assert day.objections == ()
    assert all(r["blocked"] for r in day.results if r["sample"] in SAMPLES)
    done = lab.do("doubt_decide", run=run, verification="failed", decision="upheld", because="the same on bench-2")
    assert done["withdrawn"] == []
    for ident in idents[:2]:
        found = traced(lab, ident)
        assert (found.objections, found.about["release"]) == ((), "released")
    done = lab.do("doubt_decide", run=other, verification="failed", decision="uncertain", because="3 % low")
    assert sorted(done["withdrawn"]) == sorted(idents[2:])
    for ident in idents[2:]:
        found = traced(lab, ident)
        assert (found.report.state, found.about["withdrawn"]["because"]) == ("withdrawn", "3 % low")
        assert [s["state"] for s in found.about["signatures"]] == ["withdrawn"]
    for ident in idents[:2]:
        assert traced(lab, ident).report.state == "released"
    gone = {e["data"]["subject"] for e in lab.messages("signature") if e["data"]["state"] == "withdrawn"}
    assert gone == set(idents[2:])
    assert lab.disagreements() == []


def generated_act(lab, run, act, number):
    """Carry out an act on a run: a decision is about the one verification that fails."""
    if act == "correct":
        lab.correct(run, lot=f"L{number}")
    elif act == "annul" and number > 24:
        lab.do("run_annul", "c.head", run=run, because="spilled")
    elif act == "reject":
        lab.sign(run, meaning="rejected", because="a bubble", person="b.lind")
    elif act == "review":
        lab.sign(run, meaning="reviewed")
    elif act == "fail":
        with lab.lab.reader() as reader:
            failed = reader.run("failed") is not None
        if number > 8 and not failed:
            verify(lab.lab.store, "failed", passed=False)
    elif act == "uphold" or (act == "doubt" and number > 20):
        decision = "upheld" if act == "uphold" else "uncertain"
        lab.do("doubt_decide", run=run, verification="failed", decision=decision, because="measured again")


@pytest.mark.slow
def test_generated_acts_leave_no_signed_certificate_of_a_result_that_is_gone(lab):
    """After each of 30 seeded acts: a release in force is of the newest results, and a blocked one says so."""
    rng = random.Random(20251129)
    idents = set(certified(lab, *lab.runs, *SAMPLES))
    for ident in idents:
        lab.sign(ident, of="report")
    acts = ["certify"] * 3 + ["review"] * 2 + ["uphold"] * 2 + ["correct", "annul", "reject", "fail", "doubt"]
    for number in range(30):
        run, act = rng.choice(lab.runs), rng.choice(acts)
        with contextlib.suppress(SettingError):
            if act == "certify":
                (ident,) = certified(lab, rng.choice([run, lab.newest(run)["sample"]["id"]]))
                idents.add(ident)
                lab.sign(ident, of="report")
            else:
                generated_act(lab, run, act, number)
        for ident in idents:
            found = traced(lab, ident)
            if found.about["release"] in ("released", "release_blocked"):
                assert not found.is_superseded
                assert found.report.state == "released"
            blocked = any(r["blocked"] for r in found.results)
            assert not (blocked and found.about["release"] == "released")
            assert not blocked or "RELEASE BLOCKED" in words(found)
    assert lab.disagreements() == []


@pytest.mark.slow
def test_a_falsified_signature_under_a_report_is_named(measured, tmp_path):
    with signing_lab(*measured, tmp_path, required=False) as lab:
        (ident,) = certified(lab, lab.runs[1])
        lab.sign(ident, of="report", meaning="reviewed")
        path = lab.lab.store.path
    for number, (before, after) in enumerate([("reviewed", "released"), ('"by"', '"bY"')]):
        changed = tmp_path / f"{number}.db"
        with falsified(path, changed) as db:
            db.execute("UPDATE records SET data = replace(data, ?, ?) WHERE kind = 'signature'", (before, after))
        with signing_lab_at(lab, changed) as again:
            assert words(traced(again, ident)).startswith("DO NOT USE: stored data do not agree")


@pytest.mark.slow
def test_a_signed_certificate_keeps_its_bytes(lab):
    """A signature under the report is not on its page: the same certificate is made again with the same number."""
    first = lab.do("certificate_release", of=lab.runs[1])
    lab.sign(first["id"], of="report")
    again = lab.do("certificate_release", of=lab.runs[1])
    assert (again["id"], base64.b64decode(again["pdf"])) == (first["id"], base64.b64decode(first["pdf"]))
