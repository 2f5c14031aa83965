"""From a file or a number back to raw bytes, people, limits and verifications; corrections withdraw certificates."""

import hashlib
import random
import sqlite3
from types import SimpleNamespace

import pytest

from daq.adapters.store.records import newest_revision, revisions
from daq.app.cli.laboratory.trace import lines_of
from daq.app.laboratory.laboratory import changed
from daq.app.laboratory.reporting.result_page import _evidence
from daq.app.laboratory.reporting.tracing import report_of_file, reports_of_run, trace
from daq.app.laboratory.signing.report_subjects import report_named
from daq.app.laboratory.signing.report_withdrawal import WITHDRAWN
from daq.app.screens.verification_text import controlled_words
from daq.core.errors import SettingError
from daq.laboratory.reports import Report
from tests.reports.parts import text_of
from tests.support.corrected_facts import generated


def traced(lab, name):
    with lab.lab.reader() as reader:
        return trace(reader, report_named(reader, name).record)


def words(found):
    return "\n".join(lead + text for text, lead in lines_of(found))


def test_a_file_leads_to_the_raw_bytes_and_people(lab):
    run = lab.runs[1]
    done, pdf = lab.certificate(run, customer="Tile works")
    digest = hashlib.sha256(pdf).hexdigest()
    assert done["file"] == digest
    with lab.lab.reader() as reader:
        report = report_of_file(reader, digest).record
        found = trace(reader, report)
        raw = b"".join(block.raw for block in reader.journal(run))
        newest = reader.newest_result(run)
        record = reader.run(run)
    (result,) = found.results
    assert result["raw"]["bytes"] == len(raw)
    assert result["raw"]["digest"] == newest.journal_digest
    assert (result["result"], result["audit"]["head"]) == (newest.id, newest.audit_head)
    assert result["people"][0]["what"] == "run_started"
    assert {p["who"] for p in result["people"]} >= {record.operator}
    assert [(x["low"], x["high"]) for x in result["limits"]] == [(700.0, 900.0)]
    assert found.disagreements == []
    assert found.about["made"]["who"] == "m.keeper"
    for shown in (digest, newest.audit_head, f"{len(raw)} bytes", "viscosity 700 to 900", "run started by m.keeper"):
        assert shown in words(found)


def test_a_certificate_leads_to_the_control_of_the_shift(lab):
    done, _ = lab.certificate("G-1042")
    control = {"fluid": "house-oil", "state": "passed", "run": "c-1", "began": "2026-03-02T06:10:00Z", "serial": "R-1042",
               "geometry": "coaxial-12", "geometry_serial": None}  # fmt: skip
    found = traced(lab, done["id"])
    assert "control of the shift" not in words(found)
    assert {r["controlled"] for r in found.results} == {None}
    found.results[0]["controlled"] = control
    line = "house-oil: passed, run c-1 of 2026-03-02T06:10:00Z (R-1042, coaxial-12)"
    assert f"control of the shift: {line}" in words(found)
    assert controlled_words({"controlled": control | {"state": "missing", "run": None}}) == "house-oil: missing"
    # The record of the run states it, too.
    product = SimpleNamespace(words="", approved_by="", text_digest="")
    given = SimpleNamespace(product=product, shown=found.report.shown[0])
    assert ("Control of the shift", line) in _evidence(given, lab.newest(lab.runs[1]) | {"controlled": control})


@pytest.mark.parametrize("form", ["{}", "{:.12}", "{:.6}"])
def test_a_number_is_found_however_it_is_typed(lab, form):
    done = lab.do("certificate_release", of="G-1042")
    typed = form.format(done["id"])
    for name in (typed, typed.upper(), "-".join(typed[i : i + 4] for i in range(0, len(typed), 4))):
        assert traced(lab, name).report.id == done["id"]


def test_a_changed_file_and_a_foreign_number_are_not_found(lab):
    _, pdf = lab.certificate("G-1042")
    rng = random.Random(7)
    with lab.lab.reader() as reader:
        for _ in range(20):
            at = rng.randrange(len(pdf))
            changed = pdf[:at] + bytes([pdf[at] ^ 1]) + pdf[at + 1 :]
            with pytest.raises(SettingError, match="the file was changed"):
                report_of_file(reader, hashlib.sha256(changed).hexdigest())
        for name in ("0" * 12, "12345", "G-1042", ""):
            with pytest.raises(SettingError):
                report_named(reader, name)


def test_a_correction_withdraws_the_certificates_of_its_run_and_its_sample(lab):
    run = lab.runs[1]
    numbers = [lab.do("certificate_release", of=of)["id"] for of in (run, "G-1043")]
    kept = lab.do("certificate_release", of="G-1042")["id"]
    record = lab.do("report_make", of=run)["id"]
    done = lab.correct(run, lot="L8", because="label of another bucket")
    assert sorted(done["withdrawn"]) == sorted(numbers)
    for number in numbers:
        found = traced(lab, number)
        assert found.report.state == "withdrawn"
        assert found.about["withdrawn"]["because"] == "label of another bucket"
        assert words(found).startswith("WITHDRAWN on ")
    assert traced(lab, kept).report.state == "released"
    assert words(traced(lab, record)).startswith("SUPERSEDED")
    with lab.lab.reader() as reader:
        about = {r["id"]: r for r in reports_of_run(reader, run)}
    assert {i: r["state"] for i, r in about.items()} == {**dict.fromkeys(numbers, "withdrawn"), record: "released"}
    new, pdf = lab.certificate(run)
    assert f"number {about[numbers[0]]['number']}, withdrawn" in text_of(pdf)
    assert new["id"] not in numbers


def test_a_report_that_was_withdrawn_is_not_made_again(lab):
    done = lab.do("report_make", of="G-1042")
    kept = lab.lab.get(Report, done["id"])
    lab.lab.change(changed(kept, kept.record.withdrawn(), WITHDRAWN), because="a mistake")
    with pytest.raises(SettingError, match="was withdrawn: a mistake"):
        lab.do("report_make", of="G-1042")


@pytest.mark.slow
def test_a_run_that_joins_a_sample_withdraws_its_certificate(lab):
    certificate = lab.do("certificate_release", of="G-1042")["id"]
    done = lab.correct(lab.runs[1], sample="G-1042")
    assert done["withdrawn"] == [certificate]


@pytest.mark.slow
def test_an_annulment_withdraws(lab):
    certificates = [lab.do("certificate_release", of=of)["id"] for of in (lab.runs[1], "G-1043")]
    done = lab.do("run_annul", run=lab.runs[1], because="spilled")
    assert sorted(done["withdrawn"]) == sorted(certificates)
    assert {traced(lab, c).about["withdrawn"]["because"] for c in certificates} == {"spilled"}


@pytest.mark.slow
def test_a_withdrawn_certificate_is_withdrawn_once(lab):
    certificate = lab.do("certificate_release", of=lab.runs[1])["id"]
    assert lab.correct(lab.runs[1], lot="L8")["withdrawn"] == [certificate]
    assert lab.correct(lab.runs[1], lot="L9")["withdrawn"] == []
    with lab.lab.reader() as reader:
        assert len(revisions(reader, Report.kind, certificate)) == 2


@pytest.mark.slow
def test_generated_corrections_withdraw_every_certificate(lab):
    """20 seeded corrections of any facts: the certificates of the run and of its samples, and no others."""
    rng = random.Random(20251129)
    done = 0
    while done < 20:
        run = rng.choice(lab.runs)
        released = {}
        for of in (*lab.runs, *sorted({lab.newest(r)["sample"]["id"] for r in lab.runs})):
            try:
                released[of] = lab.do("certificate_release", of=of)["id"]
            except SettingError as error:
                assert "has no certificate" in str(error) or "several products" in str(error)  # noqa: PT017
        before = lab.newest(run)["sample"]["id"]
        facts = generated(rng, lab.lab.catalogue)
        try:
            corrected = lab.correct(run, **facts)
        except SettingError as error:
            assert "nothing" in str(error) or "already" in str(error)  # noqa: PT017
            continue
        after = lab.newest(run)["sample"]["id"]
        done += 1
        expected = {released[of] for of in (run, before, after) if of in released}
        assert set(corrected["withdrawn"]) == expected
        with lab.lab.reader() as reader:
            states = {i: newest_revision(reader, Report.kind, i).data["state"] for i in released.values()}
        assert {i for i, state in states.items() if state == "withdrawn"} == expected


@pytest.mark.parametrize(
    ("act", "order"), [("certificate_release", {"of": "G-1043"}), ("report_day", {"day": "2025-11-24"})]
)
def test_a_falsified_record_of_a_report_is_named(lab, act, order):
    done = lab.do(act, **order)
    database = sqlite3.connect(lab.lab.store.path)
    with database:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
        database.execute("UPDATE records SET data = replace(data, 'released', 'withdrawn') WHERE kind = 'report'")
    database.close()
    found = traced(lab, done["id"])
    assert any("records report" in text for text in found.disagreements)
    assert words(found).startswith("DO NOT USE")
