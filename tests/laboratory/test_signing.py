"""Signatures under runs: who may sign what, the bytes that are signed, and the release that is lost."""

# ruff: noqa: S608 - names of our own tables

import json
import random
import re
from dataclasses import replace

import jsonschema
import pytest

from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.app.delivery.contract import SCHEMAS
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.signing.subjects import refusals, run_subject
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError
from daq.laboratory.people import Person
from daq.laboratory.signing import MEANINGS
from daq.methods.messages.envelope import SOURCE_PATTERN
from tests.support.runs.full_database import falsified
from tests.support.runs.stored import begin, conclude
from tests.support.signed_laboratories import PASSWORD, SAMPLES, measured_bench, signing_lab, signing_lab_at, verify

SCHEMA = {s.name: json.loads(s.text()) for s in SCHEMAS}


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        yield found


def test_a_signature_covers_the_stored_bytes_and_is_published_once(lab):
    run = lab.runs[0]
    lab.sign(run, meaning="measured", person="m.keeper")
    lab.sign(run, meaning="reviewed", person="b.lind")
    assert lab.release(run) is None
    done = lab.sign(run)
    assert (done["by"], done["signed"][0]["id"], lab.release(run)) == ("a.novak", run, "released")
    events = lab.messages("signature")
    assert [(e["data"]["meaning"], e["data"]["by"], e["data"]["name"]) for e in events] == [
        ("measured", "m.keeper", "M.KEEPER"), ("reviewed", "b.lind", "B.LIND"), ("released", "a.novak", "A.NOVAK"),
    ]  # fmt: skip
    with lab.lab.reader() as reader:
        newest = reader.newest_result(run)
    for event in events:
        jsonschema.validate(event, SCHEMA["envelope"])
        jsonschema.validate(event["data"], SCHEMA["signature"])
        assert re.fullmatch(SOURCE_PATTERN, event["source"])
        assert (event["id"], int(event["sequence"])) == (event["data"]["signature"], newest.sequence)
        (part,) = event["data"]["parts"]
        assert (part["kind"], part["id"]) == ("result", newest.id)
        assert event["data"]["digest"] == done["signed"][0]["digest"]
    assert len({e["id"] for e in events}) == 3
    with pytest.raises(SettingError, match="a.novak signed it already"):
        lab.sign(run, person="b.lind")
    assert len(lab.messages("signature")) == 3
    assert lab.disagreements() == []


def test_a_wrong_password_an_unknown_person_and_changed_bytes_are_refused(lab):
    run = lab.runs[0]
    for password in ("", "a new glazE"):
        with pytest.raises(SettingError, match="the log-in is refused"):
            lab.sign(run, password=password)
        lab.lab.clock.now += 60 * 10**9
    with pytest.raises(SettingError, match="not as it was when you looked"):
        lab.do("sign", meaning="released", password=PASSWORD, signed=[{"of": "run", "id": run, "digest": "0" * 64}])
    with pytest.raises(SettingError, match="named twice"):
        lab.sign(run, run)
    with pytest.raises(SettingError, match="say why it is rejected"):
        lab.sign(run, meaning="rejected")
    with pytest.raises(SettingError, match="there is no run nothing"):
        lab.sign(run, "nothing")
    assert (lab.messages("signature"), lab.release(run)) == ([], None)


def test_the_reviewer_is_not_the_one_who_measured_unless_configured(measured, tmp_path):
    bench, runs = measured
    with signing_lab(bench, runs, tmp_path) as lab:
        lab.do("person_role", "c.head", id="m.keeper", role="review")
        for meaning in ("reviewed", "released"):
            with pytest.raises(SettingError, match="m.keeper measured it; another person signs it"):
                lab.sign(runs[0], meaning=meaning, person="m.keeper")
        # To declare another operator does not help.
        lab.correct(runs[0], operator="b.lind")
        lab.correct(runs[0], operator="a.novak")
        for person in ("m.keeper", "b.lind", "a.novak"):
            with pytest.raises(SettingError, match=f"{person} measured it; another person signs it"):
                lab.sign(runs[0], person=person)
        with pytest.raises(SettingError, match="m.keeper measured it, not a.novak"):
            lab.sign(runs[1], meaning="measured")


@pytest.mark.slow
def test_a_person_may_review_the_own_work_where_that_is_configured(measured, tmp_path):
    bench, runs = measured
    with signing_lab(bench, runs, tmp_path / "own", review_own=True) as lab:
        lab.do("person_role", "c.head", id="m.keeper", role="review")
        lab.sign(runs[0], person="m.keeper")
        assert lab.release(runs[0]) == "released"


def test_a_set_is_signed_as_a_whole_or_not_at_all(lab):
    lab.do("run_annul", "c.head", run=lab.runs[2], because="spilled")
    with pytest.raises(SettingError, match="the run is annulled"):
        lab.sign(*lab.runs)
    assert [lab.release(run) for run in lab.runs] == [None, None, None]
    assert lab.messages("signature") == []
    lab.sign(*lab.runs[:2])
    assert [lab.release(run) for run in lab.runs] == ["released", "released", None]


def test_a_rejection_blocks_the_release_until_a_new_review_of_it_alone(lab):
    run, other, _ = lab.runs
    lab.sign(run)
    lab.sign(run, meaning="rejected", because="a bubble", person="b.lind")
    assert lab.release(run) == "rejected"
    states = [(e["data"]["meaning"], e["data"]["state"]) for e in lab.messages("signature")]
    assert states == [("released", "in_force"), ("rejected", "in_force"), ("released", "withdrawn")]
    for again in (lambda: None, lambda: lab.correct(run, lot="L9")):
        again()
        with pytest.raises(SettingError, match="b.lind rejected it"):
            lab.sign(run)
        with pytest.raises(SettingError, match="b.lind rejected it"):
            lab.sign(run, other, meaning="reviewed")
    with pytest.raises(SettingError, match=r"b\.lind rejected it .a bubble.; say why it may be used"):
        lab.sign(run, meaning="reviewed")
    lab.sign(run, meaning="reviewed", because="no bubble on the picture")
    lab.sign(run)
    assert lab.release(run) == "released"
    assert lab.disagreements() == []


@pytest.mark.parametrize("count", [2, pytest.param(20, marks=pytest.mark.slow)])
def test_seeded_corrections_each_withdraw_the_release_in_their_transaction(lab, count):
    rng = random.Random(20261129)
    lab.keep(*SAMPLES)
    published = 0
    for number in range(count):
        person = {"id": f"person-{number}"}
        carry_out(lab.at("c.head"), "person_add", person | {"role": "measure"})
        carry_out(lab.at("c.head"), "person_authorise", person | {"method": "clear-glaze-qc", "since": "2020-01-01"})
        run = rng.choice(lab.runs)
        lab.sign(run)
        reviewed = rng.random() < 0.5
        if reviewed:
            lab.sign(run, meaning="reviewed", person="b.lind")
        with lab.lab.reader() as reader:
            last = reader.audit()[-1].seq
        fact = rng.choice([{"lot": f"L{number}"}, {"operator": f"person-{number}"}, {"sample": f"G-{2000 + number}"}])
        done = lab.correct(run, **fact)
        assert lab.release(run) == "release_withdrawn"
        with lab.lab.reader() as reader:
            entries = [e for e in reader.audit() if e.seq > last]
            derived = [m for m in reader.messages(done["result"]) if "/signature/" in m.topic]
        # The withdrawal lies between the declaration and the result, which one transaction stores.
        what = [e.what for e in entries[: 4 + reviewed]]
        assert what[0] == "run_corrected"
        assert what[1 : 2 + reviewed] == ["signature_withdrawn"] * (1 + reviewed)
        assert what[2 + reviewed :] == ["result_corrected", "result_stored"]
        assert len(derived) == 1 + reviewed
        for message in derived:
            data = json.loads(message.payload)["data"]
            assert (data["state"], data["withdrawn"]["by"], data["withdrawn"]["because"]) == (
                "withdrawn", "c.head", "mistyped",
            )  # fmt: skip
        published += 2 * (1 + reviewed)
    events = lab.messages("signature")
    assert len(events) == len({e["id"] for e in events}) == published
    assert lab.disagreements() == []


def test_an_annulment_withdraws_the_release(lab):
    lab.sign(lab.runs[0])
    lab.do("run_annul", "c.head", run=lab.runs[0], because="spilled")
    assert lab.release(lab.runs[0]) == "release_withdrawn"
    for meaning in ("released",):
        with pytest.raises(SettingError, match="the run is annulled"):
            lab.sign(lab.runs[0], meaning=meaning)


def test_falsified_bytes_are_not_signed_and_a_release_of_them_is_not_shown(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as lab:
        lab.sign(lab.runs[1])
        path = lab.lab.store.path
    for number, sql in enumerate(
        [
            "UPDATE results SET data = json_set(data, '$.value', 1.5)",
            "UPDATE results SET data = replace(data, '\"Good\"', '\"good\"')",
            "UPDATE audit SET detail = replace(detail, 'digest', 'Digest') WHERE what = 'result_stored'",
        ]
    ):
        changed = tmp_path / f"{number}.db"
        with falsified(path, changed) as db:
            db.execute(sql)
        with signing_lab_at(lab, changed) as again:
            with pytest.raises(SettingError, match="do not agree with the audit trail"):
                again.sign(lab.runs[0])
            assert again.release(lab.runs[1]) == ("released" if "audit" in sql else "release_withdrawn")
            # `daq verify` names the signature, too.
            assert any("signature" in d for d in again.disagreements()) == ("audit" not in sql)


def codes(lab, run, meaning, person, *, alone=True):
    """Return why a person must not sign a run."""
    with lab.lab.reader() as reader:
        subject = run_subject(Releases(reader), reader.run(run))
        who = find(reader, Person, person).record
    return [s.code for s in refusals(subject, meaning, who, review_own=False, alone=alone)]


def test_each_reason_has_a_code(lab):
    run = lab.runs[0]
    assert codes(lab, run, "released", "a.novak") == []
    assert codes(lab, run, "released", "m.keeper") == ["measured_by_signer"]
    assert codes(lab, run, "measured", "a.novak") == ["not_measured_by_signer"]
    lab.sign(run)
    assert codes(lab, run, "released", "b.lind") == ["signed_already"]
    lab.sign(run, meaning="rejected", because="a bubble")
    assert codes(lab, run, "released", "b.lind") == ["rejected_by"]
    assert codes(lab, run, "reviewed", "b.lind") == []
    assert codes(lab, run, "reviewed", "b.lind", alone=False) == ["rejected_by"]
    verify(lab.lab.store, "failed", passed=False)
    assert codes(lab, lab.runs[1], "released", "b.lind") == ["verification_failed_after"]
    began = begin("concluded")
    began = replace(began, run=replace(began.run, sample="G-9"))
    for step in (began, conclude("concluded", build=built(lab, run))):
        lab.lab.store.submit(step).result()
    for meaning in MEANINGS:
        assert "signed_before_end" in codes(lab, "concluded", meaning, "a.novak")


def built(lab, run):
    """Return the maker of a result with the contents of that of another run."""
    data = lab.newest(run)
    return lambda *_: (json.dumps(data), [])


@pytest.mark.slow
def test_every_falsified_byte_of_the_records_is_named(measured, tmp_path):
    """Each row of the records, their keys and messages, at seeded places; a digest covers every byte of a text."""
    rng = random.Random(7)
    with signing_lab(*measured, tmp_path) as lab:
        lab.keep(*SAMPLES)
        lab.sign(lab.runs[0])
        lab.sign("G-1042/clear-glaze-qc", of="reportable")
        verify(lab.lab.store, "failed", passed=False)
        lab.do("doubt_decide", run=lab.runs[2], verification="failed", decision="upheld", because="measured again")
        lab.correct(lab.runs[0], lot="L9")
        path = lab.lab.store.path
        assert lab.disagreements() == []
    kinds = "('signature', 'reportable', 'doubt_decision')"
    texts = [
        ("records", "data", f"SELECT rowid, data FROM records WHERE kind IN {kinds}"),
        ("records", "id", f"SELECT rowid, id FROM records WHERE kind IN {kinds}"),
        ("record_keys", "value", f"SELECT rowid, value FROM record_keys WHERE kind IN {kinds}"),
        ("outbox", "payload", "SELECT seq, payload FROM outbox WHERE topic LIKE '%/signature/%' OR topic LIKE '%/reportable/%'"),
    ]  # fmt: skip
    copy = tmp_path / "copy.db"
    with falsified(path, copy) as db:
        found = [(t, c, row, value) for t, c, sql in texts for row, value in db.execute(sql).fetchall()]
    assert {(t, c) for t, c, _, _ in found} == {(t, c) for t, c, _ in texts}
    for table, column, row, value in found * 2:
        raw = value if isinstance(value, bytes) else value.encode()
        at = rng.randrange(len(raw))
        other = raw[:at] + bytes([raw[at] ^ 16]) + raw[at + 1 :]
        with falsified(path, copy) as db:
            given = other if isinstance(value, bytes) else other.decode("utf-8", "replace")
            db.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (given, row))
        with Stored(copy) as stored:
            assert table in {d.table for d in Comparison().of(stored)}, (table, column, at)
