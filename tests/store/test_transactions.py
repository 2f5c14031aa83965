"""Transactions of the store on a real file: accepted, kept, refused."""

import json
import sqlite3
from pathlib import Path

import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.outgoing.delivery import Acknowledge, Refused, SendAgain
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import AppendBlock, Audit, SeeInstrument
from daq.core.errors import JournalError, SettingError, StoreError
from tests.support.runs.stored import METHOD_DIGEST, SECOND, T0, begin, blocks, builder, conclude, end, record, register


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as opened:
        yield opened


def do(store, *transactions):
    return [store.submit(t).result(timeout=10) for t in transactions]


def test_a_whole_run_is_stored_and_read_back(store):
    first, second, third = blocks(3)
    do(store, register(), begin("run-1"), AppendBlock("run-1", first))
    (committed,) = do(store, conclude("run-1", block=second, result_id="res-1"))
    do(store, end("run-1", third))
    with store.reader() as reader:
        run = reader.run("run-1")
        assert run is not None
        assert (run.state, run.outcome, run.motor) == ("ended", "complete", "still")
        assert run.companions == ("bath-probe",)
        assert run.simulated is True
        assert [b.raw for b in reader.journal("run-1")] == [first.raw, second.raw, third.raw]
        assert reader.kept("run-1") == [{"mean": 1}, {"mean": 2}]
        (result,) = reader.results("run-1")
        data = json.loads(result.data)
        # The stored values are those the payload was built from.
        assert data == {
            "run": "run-1",
            "sequence": 1,
            "audit_head": reader.audit()[result.audit_seq - 1].hash,
            "journal_digest": second.digest,
        }
        assert (committed.id, committed.sequence, committed.repeated) == ("res-1", 1, False)
        (message,) = reader.waiting()
        assert (message.id, message.payload, message.stream) == ("res-1", result.data.encode(), "rotor-1")
        assert [e.what for e in reader.audit()] == [
            "method_registered", "run_started", "run_concluded", "result_stored", "run_ended",
        ]  # fmt: skip


def test_the_second_result_of_a_run_is_answered_with_the_first(store):
    do(store, register(), begin("run-1"))
    first, again = do(store, conclude("run-1", result_id="a"), conclude("run-1", result_id="b"))
    assert again.repeated
    assert (again.id, again.sequence, again.audit_head) == (first.id, first.sequence, first.audit_head)
    with store.reader() as reader:
        assert len(reader.results("run-1")) == 1
        assert len(reader.waiting()) == 1


def test_two_first_results_of_a_run_are_impossible_in_the_file_itself(store):
    do(store, register(), begin("run-1"), conclude("run-1", result_id="a"))
    with sqlite3.connect(store.path) as other, pytest.raises(sqlite3.IntegrityError, match=r"results\.run"):
        other.execute(
            "INSERT INTO results SELECT 'b', run, epoch, stream, 2, data, 0, NULL, audit_seq, audit_head, '' FROM results"
        )
    other.close()


def test_sequences_are_contiguous_for_each_stream(store):
    do(store, register())
    for i in range(3):
        for instrument in ("rotor-1", "rotor-2"):
            do(store, begin(f"{instrument}-{i}", instrument), conclude(f"{instrument}-{i}"))
    with store.reader() as reader:
        found = [(r.stream, r.sequence) for r in reader.all_results()]
    assert sorted(found) == [(name, n) for name in ("rotor-1", "rotor-2") for n in (1, 2, 3)]


def test_a_failing_builder_leaves_nothing_and_takes_no_sequence_number(store):
    do(store, register(), begin("run-1"))

    def broken(*_):
        raise ValueError("no unit")

    with pytest.raises(ValueError, match="no unit"):
        do(store, conclude("run-1", build=broken, block=blocks(1)[0]))
    assert store.trouble is None
    with store.reader() as reader:
        assert reader.run("run-1").state == "running"
        assert list(reader.journal("run-1")) == []
        assert reader.kept("run-1") == []
        assert [e.what for e in reader.audit()] == ["method_registered", "run_started"]
    assert do(store, conclude("run-1"))[0].sequence == 1


def test_a_correction_supersedes_and_only_the_newest_can_be_corrected(store):
    do(store, register(), begin("run-1"), conclude("run-1", result_id="a"))
    with pytest.raises(StoreError, match="has not ended"):
        do(store, Correct("a", "b", "wrong lot", T0, "m.keeper", builder("run-1")))
    do(store, end("run-1"))
    fix = Correct("a", "b", "wrong lot", T0, "m.keeper", builder("run-1"))
    (corrected,) = do(store, fix)
    assert corrected.sequence == 2
    with pytest.raises(StoreError, match="corrected already: correct b"):
        do(store, Correct("a", "c", "again", T0, "m.keeper", builder("run-1")))
    with store.reader() as reader:
        assert reader.newest_result("run-1").id == "b"
        assert [r.supersedes for r in reader.results("run-1")] == [None, "a"]


def test_a_method_version_with_other_content_is_refused(store):
    do(store, register(), register())
    with pytest.raises(SettingError, match="give the changed method a new version"):
        do(store, register(digest="d2"))
    do(store, register(version="2", digest="d2"))
    with store.reader() as reader:
        assert reader.method("glaze-flow", "1").digest == METHOD_DIGEST
        assert [e.what for e in reader.audit()] == ["method_registered"] * 2
    assert store.trouble is None


def test_a_block_that_does_not_follow_is_refused(store):
    first, _, third = blocks(3)
    do(store, register(), begin("run-1"), AppendBlock("run-1", first))
    for wrong in (first, third):
        with pytest.raises(StoreError, match="does not follow block 0"):
            do(store, AppendBlock("run-1", wrong))
    with store.reader() as reader:
        assert reader.journal_digest("run-1") == first.digest


def test_a_run_does_not_end_without_a_result(store):
    do(store, register(), begin("run-1"))
    with pytest.raises(StoreError, match="conclude it before it ends"):
        do(store, end("run-1"))


def test_a_run_begins_only_with_a_registered_method(store):
    with pytest.raises(StoreError, match="FOREIGN KEY"):
        do(store, begin("run-1"))
    assert store.trouble is None  # no fault of the file: the request was wrong


def test_unfinished_runs_are_found(store):
    do(store, register(), begin("a"), begin("b"), begin("c"), conclude("b"), conclude("c"), end("c"))
    with store.reader() as reader:
        assert [(r.id, r.state) for r in reader.unfinished_runs()] == [("a", "running"), ("b", "concluded")]


def test_messages_are_acknowledged_refused_and_sent_again(store):
    do(store, register())
    for name in "abc":
        do(store, begin(name), conclude(name, result_id=name))
    do(store, Acknowledge((1, 2), T0), Refused(3, "not authorised (135)", T0), Refused(1, "late", T0))
    with store.reader() as reader:
        assert reader.waiting() == []
        assert [(m.id, m.last_error, m.attempts) for m in reader.refused()] == [("c", "not authorised (135)", 1)]
        assert reader.outbox_depth().refused == 1
        assert do(store, SendAgain(stream="rotor-1", sequences=(1, 2), utc_ns=T0, who="m.keeper")) == [2]
        assert [m.id for m in reader.waiting()] == ["a", "b"]


def test_another_serial_number_behind_an_instrument_is_audited(store):
    do(store, *(SeeInstrument("rotor-1", "rotational", s, T0 + i) for i, s in enumerate(["A1", "A1", "B2"])))
    with store.reader() as reader:
        assert [json.loads(e.detail) for e in reader.audit()] == [
            {"before": None, "instrument_kind": "rotational", "serial": "A1"},
            {"before": "A1", "instrument_kind": "rotational", "serial": "B2"},
        ]
        assert reader.instruments()[0].last_seen_utc_ns == T0 + 2


def test_a_cancelled_transaction_did_not_happen(store):
    import threading

    gate = threading.Event()

    class Wait(Audit):
        def apply(self, access):
            gate.wait(10)
            return ""

    first = store.submit(Wait(T0, "x", "y", "z"))
    second = store.submit(Audit(T0, "m.keeper", "noted", "bench"))
    assert second.cancel()
    gate.set()
    first.result(10)
    with store.reader() as reader:
        assert reader.audit() == []


def test_after_close_nothing_is_accepted_and_submitted_transactions_are_done(tmp_path):
    store = Store(tmp_path / "daq.sqlite")
    futures = [store.submit(Audit(T0 + i, "m.keeper", "noted", "bench")) for i in range(50)]
    store.close()
    assert len({f.result(0) for f in futures}) == 50
    with pytest.raises(StoreError, match="closed"):
        store.submit(Audit(T0, "m.keeper", "noted", "bench")).result(0)
    store.close()


@pytest.mark.asyncio
async def test_commit_is_carried_out_though_the_caller_is_cancelled(store):
    import asyncio
    import threading

    gate = threading.Event()

    class Wait(Audit):
        def apply(self, access):
            gate.wait(10)
            return super().apply(access)

    task = asyncio.create_task(store.commit(Wait(T0, "m.keeper", "noted", "bench")))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    gate.set()
    await store.commit(Audit(T0, "m.keeper", "next", "bench"))
    with store.reader() as reader:
        assert [e.what for e in reader.audit()] == ["noted", "next"]


def test_a_reader_sees_each_commit_and_cannot_write(store):
    with store.reader() as reader:
        assert reader.audit() == []
        do(store, Audit(T0, "m.keeper", "noted", "bench"))
        assert len(reader.audit()) == 1
        with pytest.raises(StoreError, match="cannot be written"):
            reader.query("INSERT INTO audit VALUES (9, 0, '', '', '', '{}', '', '') RETURNING seq")


def test_a_reader_in_the_middle_of_a_long_query_does_not_hold_up_the_writer(store):
    do(store, *(Audit(T0 + i, "m.keeper", "noted", "bench") for i in range(5)))
    slow = sqlite3.connect(f"file:{store.path}?mode=ro", uri=True, isolation_level=None)
    slow.execute("BEGIN")
    assert slow.execute("SELECT count(*) FROM audit").fetchone() == (5,)
    do(store, Audit(T0, "m.keeper", "noted", "bench"))
    assert slow.execute("SELECT count(*) FROM audit").fetchone() == (5,)  # in a commit of its own
    slow.execute("COMMIT")
    assert slow.execute("SELECT count(*) FROM audit").fetchone() == (6,)
    slow.close()


def test_a_damaged_block_names_the_first_record_that_cannot_be_believed(store):
    do(store, register(), begin("run-1"), *(AppendBlock("run-1", b) for b in blocks(3)))
    store.close()
    other = sqlite3.connect(store.path)
    other.execute("DROP TRIGGER journal_no_update")
    other.execute("DROP TRIGGER journal_no_delete")
    (data,) = other.execute("SELECT data FROM journal WHERE seq = 1").fetchone()
    import zlib

    changed = bytearray(zlib.decompress(data))
    changed[0] ^= 1
    other.execute("UPDATE journal SET data = ? WHERE seq = 1", (zlib.compress(bytes(changed)),))
    other.commit()
    with store.reader() as reader, pytest.raises(JournalError) as caught:
        list(reader.journal("run-1"))
    assert caught.value.record == 1  # block 0 holds one record
    other.execute("UPDATE journal SET data = ? WHERE seq = 1", (b"\x00" + data[1:],))
    other.commit()
    with store.reader() as reader, pytest.raises(JournalError, match="cannot be unpacked"):
        list(reader.journal("run-1"))
    other.execute("DELETE FROM journal WHERE seq = 1")
    other.commit()
    other.close()
    with store.reader() as reader, pytest.raises(JournalError, match="block 1 of run run-1 is missing"):
        list(reader.journal("run-1"))


def test_the_file_is_set_up_as_promised(store):
    connection = store._connection
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
    assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
    assert connection.execute("PRAGMA recursive_triggers").fetchone() == (1,)
    tables = connection.execute("PRAGMA table_list").fetchall()
    ours = {
        name: strict
        for _, name, kind, _, _, strict in tables
        if kind == "table" and not name.startswith(("sqlite", "_"))
    }
    assert set(ours) == {
            "meta", "instruments", "methods", "audit", "runs", "journal", "kept", "results", "outbox", "health",
            "broker_session", "records", "record_keys", "delivery", "streams",
        }  # fmt: skip
    assert set(ours.values()) == {1}
    assert store.path.stat().st_mode & 0o077 == 0
    assert Path(f"{store.path}-wal").stat().st_mode & 0o077 == 0


def test_runs_are_found_by_the_beginning_of_their_id(store):
    do(store, register(), begin("abc-1"), begin("abd-2"), begin("a_c-3"))
    with store.reader() as reader:
        assert reader.find_runs("ab") == ["abc-1", "abd-2"]
        assert reader.find_runs("a_c") == ["a_c-3"]
        assert [r.id for r in reader.runs(limit=2)] == ["a_c-3", "abd-2"]
        assert reader.runs(instrument="rotor-9") == []
        assert reader.runs(sample="GL-0412")[0].began_utc_ns == T0
        assert reader.run("abc-1") == record("abc-1")
        assert SECOND > 0


def test_a_message_removed_by_hand_does_not_hold_up_the_next_ones(store):
    do(store, register(), begin("a"), conclude("a"), begin("b"), conclude("b"))
    with sqlite3.connect(store.path) as other:
        other.execute("DELETE FROM outbox WHERE seq = 2")  # its row of `delivery` is left
    other.close()
    do(store, begin("c"), conclude("c"))
    with store.reader() as reader:
        assert [m.seq for m in reader.waiting()] == [1, 3]
