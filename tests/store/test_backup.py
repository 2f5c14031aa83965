"""Backups are complete and checked, and a restored one has a new identity."""

import json
import os
import sqlite3

import pytest

from daq.adapters.store.audit import first_break
from daq.adapters.store.backup import backup, check_copy, restore
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit
from daq.core.errors import StoreError
from tests.support.runs.stored import T0, begin, conclude, end, register


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "daq.sqlite", utc_ns=T0) as opened:
        for step in [register(), begin("a"), conclude("a", result_id="res-a"), end("a"), begin("b")]:
            opened.submit(step).result(10)
        yield opened


def test_a_copy_of_a_database_in_use_has_all_committed_data(store, tmp_path):
    made = backup(store.path, tmp_path / "copy.sqlite")
    store.submit(conclude("b")).result(10)
    assert (made.runs, made.results, made.source) == (2, 1, store.source)
    with Reader(made.path) as reader:
        assert [r.id for r in reader.unfinished_runs()] == ["b"]
        assert first_break(store.uuid, reader.audit()) == ""
        assert reader.audit()[-1].hash == made.audit_head
    assert sorted(p.name for p in tmp_path.iterdir() if "copy" in p.name) == ["copy.sqlite"]
    assert made.path.stat().st_mode & 0o077 == 0


def test_a_backup_overwrites_nothing(store, tmp_path):
    target = tmp_path / "copy.sqlite"
    target.write_text("last week's")
    with pytest.raises(StoreError, match="exists already"):
        backup(store.path, target)
    assert target.read_text() == "last week's"


def test_a_file_that_appears_meanwhile_is_not_overwritten(store, tmp_path, monkeypatch):
    target = tmp_path / "copy.sqlite"

    def check_and_let_another_write(path):
        target.write_text("a colleague's")
        return check_copy(path)

    monkeypatch.setattr("daq.adapters.store.backup.check_copy", check_and_let_another_write)
    with pytest.raises(StoreError, match="the copy cannot be written: File exists"):
        backup(store.path, target)
    assert target.read_text() == "a colleague's"


def test_a_copy_with_a_broken_audit_trail_is_not_kept(store, tmp_path):
    store.close()
    other = sqlite3.connect(store.path)
    other.execute("DROP TRIGGER audit_no_update")
    other.execute("UPDATE audit SET who = 'nobody' WHERE seq = 2")
    other.commit()
    other.close()
    with pytest.raises(StoreError, match="audit entry 2 was changed"):
        backup(store.path, tmp_path / "copy.sqlite")
    assert not [p for p in tmp_path.iterdir() if "copy" in p.name]


def test_a_target_that_cannot_be_written_is_reported(store, tmp_path):
    with pytest.raises(StoreError, match="cannot be opened"):
        backup(store.path, tmp_path / "nowhere" / "copy.sqlite")
    with pytest.raises(StoreError, match="there is no database to copy"):
        backup(tmp_path / "none.sqlite", tmp_path / "copy.sqlite")


@pytest.mark.parametrize("name", ["copy #2.sqlite", "copy?.sqlite", "100%25 ä.sqlite"])
def test_a_copy_is_restored_whatever_its_name(store, tmp_path, name):
    made = backup(store.path, tmp_path / name)
    restored = restore(made.path, tmp_path / "restored.sqlite", utc_ns=T0 + 5, who="m.keeper")
    assert (restored.runs, restored.results) == (2, 1)
    assert restored.source == f"urn:uuid:{store.uuid}#2"
    with Reader(restored.path) as reader:
        assert [r.id for r in reader.all_results()] == ["res-a"]


def test_a_restored_database_is_a_new_epoch_with_numbers_of_its_own(store, tmp_path):
    made = backup(store.path, tmp_path / "copy.sqlite")
    lost = store.submit(conclude("b", result_id="lost")).result(10)  # sent after the copy, then the disk died
    store.close()
    for suffix in ("", "-wal", "-shm"):
        (tmp_path / f"daq.sqlite{suffix}").unlink(missing_ok=True)
    before = made.path.read_bytes()
    restored = restore(made.path, tmp_path / "daq.sqlite", utc_ns=T0 + 5, who="m.keeper")
    assert made.path.read_bytes() == before
    assert restored.source == f"urn:uuid:{store.uuid}#2"
    with Store(tmp_path / "daq.sqlite") as again:
        assert (again.uuid, again.epoch) == (store.uuid, 2)
        new = again.submit(conclude("b", result_id="new")).result(10)
        assert (lost.sequence, new.sequence) == (2, 1)
        with again.reader() as reader:
            assert first_break(again.uuid, reader.audit()) == ""
            entry = next(e for e in reader.audit() if e.what == "restored from a backup")
            assert json.loads(entry.detail)["audit_head"] == made.audit_head
            assert [(r.id, r.epoch, r.sequence) for r in reader.all_results()] == [("res-a", 1, 1), ("new", 2, 1)]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.sqlite", "daq.sqlite", "daq.sqlite.mark"]


def test_restoring_over_a_database_is_refused(store, tmp_path):
    made = backup(store.path, tmp_path / "copy.sqlite")
    with pytest.raises(StoreError, match="exists: move it aside"):
        restore(made.path, store.path, utc_ns=T0, who="m.keeper")
    store.close()
    (tmp_path / "daq.sqlite").rename(tmp_path / "aside.sqlite")
    (tmp_path / "daq.sqlite-wal").write_bytes(b"")
    with pytest.raises(StoreError, match=r"daq\.sqlite-wal exists"):
        restore(made.path, store.path, utc_ns=T0, who="m.keeper")


def test_a_damaged_copy_is_not_restored(store, tmp_path):
    made = backup(store.path, tmp_path / "copy.sqlite")
    data = bytearray(made.path.read_bytes())
    data[4096 * 3 : 4096 * 6] = os.urandom(0) + bytes(4096 * 3)
    made.path.write_bytes(data)
    with pytest.raises(StoreError):
        restore(made.path, tmp_path / "new.sqlite", utc_ns=T0, who="m.keeper")
    assert not (tmp_path / "new.sqlite").exists()


def test_a_copy_can_be_copied_again(store, tmp_path):
    made = backup(store.path, tmp_path / "copy.sqlite")
    store.submit(Audit(T0, "m.keeper", "noted", "bench")).result(10)
    again = backup(made.path, tmp_path / "second.sqlite")
    assert again.audit_head == made.audit_head
