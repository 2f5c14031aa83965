"""Records and messages are stored together, and only if nothing came in between."""

import dataclasses

import pytest

from daq.adapters.store.checks import check_database
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords, seen_audited, seen_keyed
from daq.adapters.store.records import Change, ChangedMeanwhileError, change_record, newest_revision
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.store import Store
from daq.core.errors import StoreError
from tests.support.runs.stored import T0, begin, conclude, end, register

SEEN = AsSeen(
    results=(("run-1", "result-1"),),
    records=(("sample", "G-1", 0),),
    verified=(("rotor-1", 0),),
    signed=(("run", "run-1", 0),),
    keyed=(("report", "run", "run-1", 0),),
    equipment=0,
)
#: A state for each part of `SEEN` that the database does not have.
OTHERS = {
    "results": (("run-1", "result-0"),),
    "records": (("sample", "G-1", 1),),
    "verified": (("rotor-1", 7),),
    "signed": (("run", "run-1", 1),),
    "keyed": (("report", "run", "run-1", 1),),
    "equipment": 1,
    "audited": 1,
}


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as store:
        for step in (register(), begin("run-1"), conclude("run-1", result_id="result-1"), end("run-1")):
            store.submit(step).result(10)
        yield store


def seen_now(store):
    with store.reader() as reader:
        return dataclasses.replace(SEEN, audited=seen_audited(reader))


def published(seen=SEEN, result="result-1"):
    change = Change("signature", "s-1", "signed_as_released", {"subject": "run-1"}, [("run", "run-1")])
    message = Outgoing("lab/v1/signature/rotor-1", b"{}", id="s-1")
    return PublishRecords((change,), ((result, message),), seen, T0, "a.novak", "because")


def contents(store):
    with store.reader() as reader:
        return [reader.query(f"SELECT * FROM {t}") for t in ("records", "record_keys", "outbox", "delivery", "audit")]  # noqa: S608


def test_record_message_and_audit_entries_are_stored_together(store):
    store.submit(published(seen_now(store))).result(10)
    with store.reader() as reader:
        stored = newest_revision(reader, "signature", "s-1")
        assert (stored.who, stored.because, stored.what) == ("a.novak", "because", "signed_as_released")
        assert [m.id for m in reader.messages("result-1")] == ["result-1", "s-1"]
        assert [m.sequence for m in reader.messages("result-1")] == [1, 1]
    with pytest.raises(ChangedMeanwhileError):
        store.submit(published()).result(10)
    assert [f for f in check_database(store.path, utc_ns=T0) if not f.ok and f.what != "outbox"] == []


@pytest.mark.parametrize("part", OTHERS)
def test_nothing_is_stored_where_something_came_in_between(store, part):
    before = contents(store)
    assert set(OTHERS) == {f.name for f in dataclasses.fields(AsSeen)}
    with pytest.raises(ChangedMeanwhileError, match="meanwhile"):
        store.submit(published(dataclasses.replace(SEEN, **{part: OTHERS[part]}))).result(10)
    assert contents(store) == before


def test_a_message_about_a_result_that_does_not_exist_stores_nothing(store):
    before = contents(store)
    with pytest.raises(StoreError, match="result-9 is not in the store"):
        store.submit(published(result="result-9")).result(10)
    assert contents(store) == before


def test_a_further_record_with_the_same_key_is_noticed(store):
    """Also where the first one is not changed: each report about a run, for example."""
    for number in range(3):
        with store.reader() as reader:
            before, head = seen_keyed(reader, "report", "run", "run-1"), seen_audited(reader)
        assert before == ("report", "run", "run-1", number)
        added = Change("report", f"c-{number}", "report_made", {}, [("run", "run-1")])
        store.submit(PublishRecords((added,), (), AsSeen(keyed=(before,), audited=head), T0, "a.novak")).result(10)
        again = Change("report", f"d-{number}", "report_made", {}, [("run", "run-1")])
        for seen in (AsSeen(keyed=(before,)), AsSeen(audited=head)):
            with pytest.raises(ChangedMeanwhileError, match="meanwhile: look at it, then repeat"):
                store.submit(PublishRecords((again,), (), seen, T0, "a.novak")).result(10)


@pytest.mark.parametrize("error", [StoreError("cannot be read"), ValueError("damaged")])
def test_the_result_of_a_verification_is_stored_also_where_nothing_can_follow(tmp_path, error):
    heads = []
    with Store(tmp_path / "other.sqlite", utc_ns=T0) as store:
        for step in (register(), begin("run-1")):
            store.submit(step).result(10)

        def follow(access):
            change_record(access, Change("suspension", "s", "release_suspended", {}), T0, "m.keeper")
            raise error

        store.on_audit = lambda number, head: heads.append((number, head))
        store.submit(conclude("run-1", result_id="result-1", follow=follow)).result(10)
        with store.reader() as reader:
            assert reader.newest_result("run-1").id == "result-1"
            assert newest_revision(reader, "suspension", "s") is None
            last = reader.audit()[-1]
        assert heads == [(last.seq, last.hash)]
        store.submit(end("run-1")).result(10)
    assert [f for f in check_database(tmp_path / "other.sqlite", utc_ns=T0) if not f.ok and f.what != "outbox"] == []
