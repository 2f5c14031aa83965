"""The update to format 3, which moves the states of messages to a table of their own."""

import contextlib
import signal
import sqlite3
import subprocess
import sys
from dataclasses import astuple

import pytest

from daq.adapters.store.backup import backup, restore
from daq.adapters.store.checks import check_content
from daq.adapters.store.epochs import last_epoch_start
from daq.adapters.store.outgoing.delivery import Acknowledge
from daq.adapters.store.outgoing.outbox_reading import (
    broker_session,
    changed_messages,
    last_acknowledged,
    last_sequences,
    newest_retained,
    next_try,
    quarantined,
    refused_topics,
    retained_topics,
)
from daq.adapters.store.reading import Reader
from daq.adapters.store.schema import FORMAT
from daq.adapters.store.store import Store
from daq.core.errors import StoreError
from tests.support.runs.full_database import falsified
from tests.support.runs.old_databases import from_dump
from tests.support.runs.stored import T0

#: Columns of the outbox of format 1, in the order of the fields of a message.
COLUMNS = (
    "seq, id, stream, sequence, topic, qos, retain, payload, properties, created_utc_ns, attempts, last_error, state, "
    "acknowledged_utc_ns, quarantined, refused_utc_ns, again_utc_ns, result"
)


@pytest.fixture
def path(tmp_path):
    """Return a database of format 1 with messages in every state of delivery."""
    return from_dump(tmp_path / "daq.sqlite", "0001_delivery", 1)


def rows_of_format_1(path, where="1"):
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(f"SELECT {COLUMNS} FROM outbox WHERE {where} ORDER BY seq").fetchall()  # noqa: S608


def definitions(path):
    """Return the definitions that the update changes; the update to format 2, before it, is a transaction of its own."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        found = db.execute("SELECT name, sql FROM sqlite_schema ORDER BY name").fetchall()
        return [d for d in found if not d[0].startswith(("record", "sqlite_autoindex_record"))]


def wrong(path):
    return [f"{f.what}: {f.say}" for f in check_content(path) if not f.ok]


def views(path):
    """Return the answers of every query of the outbox."""
    with Reader(path) as reader:
        topics = retained_topics(reader)
        return {
            "all": [astuple(m) for m in reader.outbox("d.seq > 0 ORDER BY d.seq", [], -1)],
            "of results": [[m.seq for m in reader.messages(r.id)] for r in reader.all_results()],
            "waiting": [m.seq for m in reader.waiting()],
            "refused": [m.seq for m in reader.refused()],
            "depth": reader.outbox_depth(),
            "topics": refused_topics(reader),
            "tried": [next_try(reader, t.topic).seq for t in refused_topics(reader)],
            "quarantined": [m.seq for m in quarantined(reader)],
            "changed": [m.seq for m in changed_messages(reader)],
            "retained": {t: m.seq for t, m in newest_retained(reader, topics).items()},
            "acknowledged": last_acknowledged(reader),
            "sequences": last_sequences(reader, 1),
            "session": broker_session(reader),
            "runs": [r.id for r in reader.runs()],
            "epoch": last_epoch_start(reader),
        }


def test_the_states_of_all_messages_are_the_same_before_and_after(path):
    before = rows_of_format_1(path)
    assert {row[12] for row in before} == {"waiting", "acknowledged", "refused"}
    numbers = {
        name: [row[0] for row in rows_of_format_1(path, where)]
        for name, where in {
            "waiting": "state = 'waiting'",
            "refused": "state = 'refused'",
            "quarantined": "quarantined AND last_error NOT LIKE 'changed%'",
            "changed": "quarantined AND last_error LIKE 'changed%'",
        }.items()
    }
    assert all(numbers.values())
    found = views(path)  # a command reads it before the daemon has updated it
    assert found["all"] == before
    assert {name: found[name] for name in numbers} == numbers
    assert wrong(path) == []
    Store(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (FORMAT,)
        assert "state" not in [row[1] for row in db.execute("PRAGMA table_info(outbox)")]
    assert views(path) == found
    assert wrong(path) == []
    assert [f for f in check_content(path, quick=True) if not f.ok] == []


def test_no_column_of_a_message_is_written_after_the_commit(path):
    Store(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        for column in [row[1] for row in db.execute("PRAGMA table_info(outbox)")]:
            with pytest.raises(sqlite3.IntegrityError, match="a message is frozen"):
                db.execute(f"UPDATE outbox SET {column} = {column} WHERE seq = 1")  # noqa: S608
    with Store(path) as store, store.reader() as reader:
        store.submit(Acknowledge((1, 10, 12, 13), T0)).result(10)
        assert reader.waiting() == []


def test_a_copy_of_format_1_is_checked_and_restored(path, tmp_path):
    copied = backup(path, tmp_path / "copy.sqlite")
    assert (copied.runs, copied.results) == (6, 6)
    restored = restore(tmp_path / "copy.sqlite", tmp_path / "restored.sqlite", utc_ns=T0, who="m.keeper")
    assert restored.runs == 6
    with Reader(restored.path) as reader:
        # Retained messages that wait in a copy are older than those of the lost database.
        assert [(m.seq, m.retain) for m in reader.waiting()] == [(1, False), (13, False)]


KILLED = """
import os, signal, sys
from pathlib import Path
from daq.adapters.store import schema, store

point = sys.argv[2]
steps = tuple((name, sql.replace(point, f"SELECT die(); {point}")) for name, sql in schema.STEPS)
opened = store.open_writer

def open_writer(path):
    db = opened(path)
    db.create_function("die", 0, lambda: os.kill(os.getpid(), signal.SIGKILL))
    return db

store.open_writer = open_writer
store.migrate = lambda db, **more: schema.migrate(db, steps, **more)
store.Store(Path(sys.argv[1]))
"""


@pytest.mark.parametrize(
    "point",
    [
        "DROP TRIGGER outbox_frozen",
        "INSERT INTO outbox",
        "CREATE TABLE delivery",
        "INSERT INTO delivery",
        "DROP TABLE outbox_of_0002",
        "CREATE INDEX audit_epochs",
    ],
)
def test_a_kill_in_the_middle_leaves_the_old_database(path, point):
    before, rows = definitions(path), rows_of_format_1(path)
    done = subprocess.run([sys.executable, "-c", KILLED, str(path), point], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert (definitions(path), rows_of_format_1(path)) == (before, rows)
    Store(path).close()
    assert wrong(path) == []


def test_a_kill_before_the_number_is_written_is_made_good_at_the_next_start(path):
    Store(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 1")
    assert wrong(path) == []
    Store(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (FORMAT,)


def test_a_falsified_value_is_kept_and_named_afterwards(path):
    changed = path.with_name("changed.sqlite")
    with falsified(path, changed) as db:
        db.execute("UPDATE outbox SET properties = 'no JSON', retain = 7 WHERE seq = 3")
    for _ in range(2):
        assert any(
            text.startswith("table outbox: outbox 3, retain: 7 here, 0 in audit entry") for text in wrong(changed)
        )
        Store(changed).close()


def test_a_database_with_missing_rows_is_not_updated_and_the_reason_is_named(path):
    changed = path.with_name("changed.sqlite")
    with falsified(path, changed) as db:
        db.execute("DELETE FROM results WHERE id = 'result-2'")
    before = rows_of_format_1(changed)
    with pytest.raises(StoreError, match=f"the update to format {FORMAT} failed.*FOREIGN KEY.*`daq verify` names"):
        Store(changed)
    assert rows_of_format_1(changed) == before
    assert any(text.startswith("references: ") for text in wrong(changed))
