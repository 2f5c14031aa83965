"""Verifications are audited with their result and found again; so are the health figures of runs."""

import json

import pytest

from daq.adapters.store.store import Store
from daq.adapters.store.transactions import NoteHealth
from tests.support.runs.stored import SECOND, T0, begin, conclude, end, register


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        store.submit(register()).result(10)
        yield store


def measure(store, run, *, instrument="rotor-1", verification=None):
    for step in (begin(run, instrument), conclude(run, result_id=f"r-{run}", verification=verification), end(run)):
        store.submit(step).result(10)


def test_a_verification_is_audited_before_its_result_which_carries_it(store):
    measure(store, "a", verification={"passed": True, "run": "a"})
    with store.reader() as reader:
        (entry,) = reader.verifications("rotor-1")
        result = reader.newest_result("a")
        audit = {e.seq: e for e in reader.audit()}
    assert json.loads(entry.detail) == {"passed": True, "run": "a"}
    assert (entry.who, entry.subject) == ("m.keeper", "rotor-1")
    # The audit head in a result follows the entry, so that the result seals it.
    assert audit[result.audit_seq].what == "run_concluded"
    assert audit[result.audit_seq].previous == entry.hash


def test_concluding_twice_audits_once(store):
    measure(store, "a", verification={"passed": False})
    assert store.submit(conclude("a", verification={"passed": False})).result(10).repeated
    with store.reader() as reader:
        assert len(reader.verifications("rotor-1")) == 1


def test_verifications_are_those_of_one_instrument_oldest_first(store):
    measure(store, "a", verification={"n": 1})
    measure(store, "b", instrument="rotor-2", verification={"n": 2})
    measure(store, "c", verification={"n": 3})
    with store.reader() as reader:
        assert [json.loads(e.detail)["n"] for e in reader.verifications("rotor-1")] == [1, 3]
        assert reader.verifications("rotor-3") == []


def test_results_since_an_entry_and_the_last(store):
    measure(store, "a", verification={"passed": True})
    for run in ("b", "c"):
        measure(store, run)
    measure(store, "d", instrument="rotor-2")
    with store.reader() as reader:
        (entry,) = reader.verifications("rotor-1")
        assert reader.results_since("rotor-1", entry.seq) == [("r-a", "a"), ("r-b", "b"), ("r-c", "c")]
        assert reader.last_result("rotor-1").id == "r-c"
        assert reader.last_result("rotor-9") is None


def test_health_of_the_newest_runs_oldest_first(store):
    for number, run in enumerate("abc"):
        measure(store, run)
        store.submit(NoteHealth(run, "rotor-1", T0 + number * SECOND, {"zero": number})).result(10)
    store.submit(NoteHealth("b", "rotor-1", T0, {"zero": 7})).result(10)
    with store.reader() as reader:
        assert reader.health("rotor-1", limit=2) == {"b": {"zero": 7}, "c": {"zero": 2}}
        assert reader.health("rotor-2") == {}
        # The query uses an index, for any length of the audit trail.
        plan = reader.query(
            "EXPLAIN QUERY PLAN SELECT * FROM audit WHERE what = 'verification' AND subject = 'x' ORDER BY seq"
        )
        assert "audit_verifications" in plan[0]["detail"]
