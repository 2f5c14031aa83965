"""Findings of `daq doctor` in a database, and the actions it names."""

import sqlite3
import zlib

import pytest

from daq.adapters.store.checks import MOST_SHOWN, check_database
from daq.adapters.store.mark import MarkFile
from daq.adapters.store.outgoing.delivery import Acknowledge, Refused
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import AppendBlock
from tests.support import sentences
from tests.support.runs.stored import SECOND, T0, begin, blocks, conclude, end, note, register

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
    triggers = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(*(statement if isinstance(statement, tuple) else (statement,)))
    for _, sql in triggers:
        connection.execute(sql)
    connection.commit()
    connection.close()


@pytest.mark.parametrize("quick", [False, True])
def test_a_healthy_database_has_no_faults_and_each_check_is_listed(path, quick):
    findings = check_database(path, utc_ns=NOW, quick=quick)
    assert faults(path) == []
    assert [f.what for f in findings] == ["disk", "database file", "references", "agreement", "outbox"]
    assert "3 runs, 13 audit entries, 3 journals" in next(f.say for f in findings if f.what == "agreement")
    assert all(f.do == "" for f in findings)


@pytest.mark.parametrize(
    ("statement", "what", "say"),
    [
        ("UPDATE audit SET who = 'nobody' WHERE seq = 3", "table audit", "audit 3, hash: "),
        ("DELETE FROM audit WHERE seq = 13", "table runs", "runs c, motor: 'still' here, '' in the audit trail"),
        (
            "UPDATE runs SET motor = 'not_moved' WHERE id = 'b'",
            "table runs",
            "runs b, motor: 'not_moved' here, 'still' in",
        ),
        ("UPDATE results SET data = '{}' WHERE id = 'b'", "table results", "results b, data"),
        (
            "DELETE FROM results WHERE id = 'b'",
            "table results",
            "results rotor-1 (epoch 1), sequence: nothing here, 2 in",
        ),
        ("DELETE FROM journal WHERE run = 'b' AND seq = 0", "table journal", "journal b/0, row: nothing here"),
        ("DELETE FROM journal WHERE run = 'b' AND seq = 1", "table results", "results b, journal_digest: "),
        (
            "UPDATE journal SET records = 5 WHERE run = 'a' AND seq = 1",
            "table journal",
            "journal a/1, records: 5 here, 2",
        ),
        (
            ("UPDATE journal SET data = ? WHERE run = 'c' AND seq = 0", (zlib.compress(b"other"),)),
            "table journal",
            "the digest computed from its data",
        ),
        ("DELETE FROM runs WHERE id = 'a'", "references", "refer to others that are missing"),
        (
            "DELETE FROM runs WHERE id = 'a'",
            "table runs",
            "runs a, row: nothing here, 'sample GL-0412' in audit entry 2",
        ),
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
    spoil(path, "DELETE FROM audit WHERE seq > 10")
    found = faults(path)
    assert not [s for w, s in found if w == "table audit"]
    assert any("results c, row: 'run c' here, nothing in an audit trail" in say for _, say in found), found


def test_many_disagreements_are_cut(path):
    spoil(path, "UPDATE runs SET began_utc_ns = 1, replicate = 7, sample = 'X', lot = 'Y', product = 'Z', operator = 'W', fill = 'V', sampled_at = 'U'",
          "UPDATE outbox SET topic = 'a', properties = '[]', qos = 0", "UPDATE kept SET value = 1",
          "UPDATE methods SET text = ''",
          "UPDATE journal SET records = 9, t_first = 8, t_last = 7")  # fmt: skip
    found = faults(path)
    assert len(found) == MOST_SHOWN + 1
    assert found[-1][1] == f"only the first {MOST_SHOWN} disagreements are shown"


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
    spoil(path, "UPDATE delivery SET state = 'waiting', acknowledged_utc_ns = NULL WHERE seq = 2")
    assert faults(path) == []
    (found,) = faults(path, T0 + 60 * SECOND + 7201 * SECOND)
    assert found == ("outbox", "1 messages wait, 0 were refused, the oldest is 2 h old")
    with Store(path) as store:
        store.submit(Refused(2, "Not authorized (code 135)", T0)).result(10)
    (found,) = faults(path)
    assert found[1].endswith("first refused: lab/v1/result/rotor-1: Not authorized (code 135)")


def test_entries_removed_from_the_end_are_named_where_the_mark_beside_the_database_names_a_later_one(path):
    with Reader(path) as reader:
        entries = reader.audit()
        source = reader.identity()[0]
    mark = MarkFile(path)
    mark.write(source, 1, entries[-1].seq, entries[-1].hash)
    assert faults(path) == []
    with Store(path) as store:
        store.submit(note()).result(10)
        head = store.submit(note(1)).result(10)
    mark.write(source, 1, 15, head)
    assert faults(path) == []
    spoil(path, "DELETE FROM audit WHERE seq = 15")
    assert [(what, say.partition(":")[0]) for what, say in faults(path)] == [
        ("table audit", "audit 15, row")
    ]  # fmt: skip
    spoil(path, "DELETE FROM audit WHERE seq = 14")
    assert [what for what, _ in faults(path)] == ["table audit"]
