"""A failed verification suspends releases in its transaction, and a subscriber learns the decision afterwards."""

import json

import jsonschema
import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.app.delivery.contract import SCHEMAS
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.signing.suspending import suspending
from daq.core.encoding import encode
from daq.laboratory.signing import Suspension
from tests.support.runs.full_database import TOPICS
from tests.support.runs.stored import T0, builder
from tests.support.signed_laboratories import measured_bench, signing_lab, verification_detail, verify

SCHEMA = next(json.loads(s.text()) for s in SCHEMAS if s.name == "signature")


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def lab(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as found:
        yield found


def fails(lab, run, *, passed=False):
    follow = suspending(TOPICS, "bench-1", T0, "m.keeper")
    verify(lab.lab.store, run, passed=passed, follow=follow)


def published(lab, subject):
    """Return the messages of the release of a subject: revision, state, verifications, and whether it is resumed."""
    events = [e["data"] for e in lab.messages("signature") if e["data"]["subject"] == subject]
    for data in events:
        jsonschema.validate(data, SCHEMA)
    found = [d for d in events if d["meaning"] == "released"]
    assert len({e["id"] for e in lab.messages("signature")}) == len(lab.messages("signature"))
    return [
        (d["revision"], d["state"], [s["verification"] for s in d["suspended"]], d["resumed"] is not None)
        for d in found
    ]


def test_a_release_is_suspended_in_the_transaction_of_the_verification_until_a_person_decides(lab):
    upheld, doubted, unsigned = lab.runs
    lab.sign(upheld, doubted)
    lab.sign(unsigned, meaning="reviewed")
    store = lab.lab.store
    submitted = []
    submit = store.submit
    store.submit = lambda step: submitted.append(step.kind) or submit(step)
    fails(lab, "failed")
    store.submit = submit
    assert submitted == ["register_method", "begin_run", "conclude", "end_run"]
    signed = (1, "in_force", [], False)
    suspended = (2, "withdrawn", ["failed"], False)
    assert [published(lab, run) for run in lab.runs] == [[signed, suspended], [signed, suspended], []]
    (data,) = [
        e["data"] for e in lab.messages("signature") if e["data"]["suspended"] and e["data"]["subject"] == upheld
    ]
    assert data["withdrawn"]["because"].startswith("the verification failed of bench-1 failed after it")
    assert data["suspended"][0]["instrument"] == "bench-1"
    # The record of the signature stays in force: a person decides.
    assert lab.release(upheld) == "release_blocked"
    fails(lab, "failed again")
    assert published(lab, upheld)[2:] == [(3, "withdrawn", ["failed", "failed again"], False)]
    for verification in ("failed", "failed again"):
        lab.do("doubt_decide", run=upheld, verification=verification, decision="upheld", because="the same on bench-2")
    assert published(lab, upheld)[3:] == [(4, "withdrawn", ["failed again"], False), (5, "in_force", [], True)]
    assert lab.release(upheld) == "released"
    (resumed,) = [e["data"]["resumed"] for e in lab.messages("signature") if e["data"]["resumed"]]
    assert (resumed["by"], resumed["because"]) == ("a.novak", "the same on bench-2")
    lab.do("doubt_decide", run=doubted, verification="failed", decision="uncertain", because="3 % low")
    # Withdrawn for good: no verification is named any more.
    assert published(lab, doubted)[-1] == (5, "withdrawn", [], False)
    with lab.lab.reader() as reader:
        for event in lab.messages("signature"):
            suspension = find(reader, Suspension, event["data"]["signature"])
            assert suspension is None or suspension.record.verifications == ()
    # A pass does not lift anything, and says nothing twice.
    count = len(lab.messages("signature"))
    fails(lab, "passed", passed=True)
    assert len(lab.messages("signature")) == count
    assert lab.disagreements() == []


def test_a_verification_that_was_wrong_itself_lifts_the_suspension(lab):
    run = lab.runs[0]
    lab.sign(run)
    fails(lab, "failed")
    detail = encode(verification_detail("failed", passed=None))
    follow = suspending(TOPICS, "bench-1", T0, "c.head", "wrong fluid")
    step = Correct("r-failed", "s", "wrong fluid", T0, "c.head", builder("failed"), verification=detail, follow=follow)
    lab.lab.store.submit(step).result(10)
    assert published(lab, run)[1:] == [(2, "withdrawn", ["failed"], False), (3, "in_force", [], True)]


def test_without_a_broker_the_suspension_is_recorded_and_nothing_is_published(lab):
    lab.sign(lab.runs[0])
    count = len(lab.messages("signature"))
    verify(lab.lab.store, "failed", passed=False, follow=suspending(None, "bench-1", T0, "m.keeper"))
    with lab.lab.reader() as reader:
        (found,) = reader.query("SELECT count(*) AS n FROM records WHERE kind = 'suspension'")
    assert (found["n"], len(lab.messages("signature"))) == (1, count)
