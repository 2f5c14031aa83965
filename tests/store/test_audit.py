"""A changed, shortened or extended audit trail is detected."""

import hashlib
import json
import sqlite3
from dataclasses import replace

import pytest

from daq.adapters.store.audit import first_break, genesis, make_entry
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit
from tests.support.runs.stored import T0


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as opened:
        for i in range(5):
            opened.submit(Audit(T0 + i, "m.keeper", "noted", "bench", {"n": i})).result(10)
        yield opened


def chain(count):
    entries = []
    previous = (0, genesis("s"))
    for i in range(count):
        entries.append(make_entry(previous, T0 + i, "m.keeper", "noted", "bench", {"n": i}))
        previous = (entries[-1].seq, entries[-1].hash)
    return entries


def test_a_whole_chain_holds_and_its_hash_can_be_recomputed_by_hand():
    entries = chain(4)
    assert first_break("s", entries) == ""
    # Independent of the module: as an auditor would compute it with any SHA-256 tool.
    text = json.dumps([genesis("s"), 1, T0, "m.keeper", "noted", "bench", '{"n":0}'], separators=(",", ":"))
    assert entries[0].hash == hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize("field", ["utc_ns", "who", "what", "subject", "detail", "previous", "hash"])
def test_any_changed_field_breaks_the_chain(field):
    entries = chain(4)
    value = getattr(entries[1], field)
    entries[1] = replace(entries[1], **{field: value + 1 if isinstance(value, int) else value + " "})
    assert "audit entry 2" in first_break("s", entries)


def test_a_removed_entry_breaks_the_chain_and_so_does_another_database():
    entries = chain(4)
    assert first_break("s", entries[:1] + entries[2:]) == "audit entry 2 is missing"
    assert first_break("another", entries) == "audit entry 1 does not follow the entry before it"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET who = 'nobody' WHERE seq = 2",
        "DELETE FROM audit WHERE seq = 5",
        "DELETE FROM audit",
        "INSERT OR REPLACE INTO audit SELECT seq, utc_ns, 'nobody', what, subject, detail, previous, 'x' FROM audit WHERE seq = 5",
        "REPLACE INTO audit VALUES (6, 0, '', '', '', '{}', '', (SELECT hash FROM audit WHERE seq = 2))",
        "UPDATE OR REPLACE audit SET seq = 1 WHERE seq = 2",
        "INSERT INTO audit VALUES (9, 0, 'nobody', '', '', '{}', '', 'x')",
        "INSERT INTO audit VALUES (NULL, 0, 'nobody', '', '', '{}', '', 'x')",
    ],
)
def test_the_file_refuses_every_way_to_touch_an_entry(store, statement):
    connection = store._connection  # the settings the store works with
    with pytest.raises(sqlite3.IntegrityError, match="audit entries are"):
        connection.execute(statement)
    with store.reader() as reader:
        assert len(reader.audit()) == 5
        assert first_break(store.uuid, reader.audit()) == ""
