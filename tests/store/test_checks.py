"""Findings of `daq doctor` in a database, and the actions it names."""

import sqlite3
import zlib

import pytest

from daq.adapters.store.checks import check_database
from daq.adapters.store.delivery import Acknowledge, Refused
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import AppendBlock
from tests.support import sentences
from tests.support.runs.stored import SECOND, T0, begin, blocks, conclude, end, register

NOW = T0 + 120 * SECOND


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "daq.sqlite"
    with Store(path, utc_ns=T0) as store:
        steps = [register()]
        for name in ("a", "b", "c"):
            first, second = blocks(2, seed=name.encode() * 40)
            steps += [begin(name), AppendBlock(name, first), conclude(name, block=second, result_id=name), end(name)]
        for step in [*steps, Acknowledge((1, 2, 3), T0)]:
            store.submit(step).result(10)
    return path


def faults(path, utc_ns=NOW):
    return [(f.what, f.say) for f in check_database(path, utc_ns=utc_ns) if not f.ok]


def spoil(path, *statements):
    connection = sqlite3.connect(path)
    for name in [row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'")]:
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(*(statement if isinstance(statement, tuple) else (statement,)))
    connection.commit()
    connection.close()


def test_a_healthy_database_has_no_faults_and_each_check_is_listed(path):
    findings = check_database(path, utc_ns=NOW)
    assert faults(path) == []
    assert [f.what for f in findings] == [
        "disk", "database file", "references", "audit trail", "journals", "results", "ended runs",
        "sequence numbers", "outbox",
    ]  # fmt: skip
    assert "3 runs, 6 blocks" in next(f.say for f in findings if f.what == "journals")
    assert all(f.do == "" for f in findings)


@pytest.mark.parametrize(
    ("statement", "what", "say"),
    [
        ("UPDATE audit SET who = 'nobody' WHERE seq = 3", "audit trail", sentences.AUDIT_ENTRY_CHANGED),
        ("DELETE FROM audit WHERE seq = 10", "ended runs", "has no entry for the end of run c"),
        ("UPDATE runs SET motor = 'not_moved' WHERE id = 'b'", "ended runs", "the motor of run b"),
        ("UPDATE results SET data = '{}' WHERE id = 'b'", "ended runs", "the result of run b"),
        ("DELETE FROM results WHERE id = 'b'", "sequence numbers", "result 2 of rotor-1 (epoch 1) is missing"),
        ("DELETE FROM journal WHERE run = 'b' AND seq = 0", "journals", "block 0 of run b is missing"),
        ("DELETE FROM journal WHERE run = 'b' AND seq = 1", "results", "journal block that is missing"),
        ("UPDATE journal SET records = 5, digest = 'x' WHERE run = 'a' AND seq = 1", "journals", "run a"),
        (
            ("UPDATE journal SET data = ? WHERE run = 'c' AND seq = 0", (zlib.compress(b"other"),)),
            "journals",
            "was changed",
        ),
        ("DELETE FROM runs WHERE id = 'a'", "references", "refer to others that are missing"),
    ],
)
def test_tampering_is_found_and_named(path, statement, what, say):
    spoil(path, statement)
    found = faults(path)
    assert what in [w for w, _ in found], found
    assert any(say in s for w, s in found if w == what), found
    assert all(f.do for f in check_database(path, utc_ns=NOW) if not f.ok)


def test_a_shortened_audit_trail_is_found_by_the_results_that_stand_on_it(path):
    # The chain alone cannot show entries cut from its end.
    spoil(path, "DELETE FROM audit WHERE seq > 8")
    assert ("audit trail", "8 entries, the chain is unbroken") in [
        (f.what, f.say) for f in check_database(path, utc_ns=NOW)
    ]
    assert any("names audit entry 9" in say for what, say in faults(path) if what == "results")


def test_a_damaged_page_is_found(path):
    data = bytearray(path.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    for number in range(2, len(data) // page):
        data[number * page + 100 : number * page + 400] = bytes(300)
    path.write_bytes(data)
    found = faults(path)
    assert found
    assert any("damaged" in say for _, say in found), found


def test_a_file_that_is_no_database_is_one_finding(tmp_path):
    path = tmp_path / "daq.sqlite"
    path.write_bytes(b"minutes of the glaze meeting\n" * 100)
    assert any(sentences.NOT_A_DATABASE in say for _, say in faults(path))
    assert any("there is no database" in say for _, say in faults(tmp_path / "none.sqlite"))


def test_the_outbox_is_judged_by_age_and_refusals(path):
    spoil(path, "UPDATE outbox SET state = 'waiting' WHERE id = 'b'")
    assert faults(path) == []
    (found,) = faults(path, T0 + 60 * SECOND + 7201 * SECOND)
    assert found == ("outbox", "1 messages wait, 0 were refused, the oldest is 2 h old")
    with Store(path) as store:
        store.submit(Refused(2, "Not authorized (code 135)", T0)).result(10)
    (found,) = faults(path)
    assert found[1].endswith("first refused: lab/v1/result/rotor-1: Not authorized (code 135)")
