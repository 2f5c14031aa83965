"""Backups are complete and checked, and a restored one has a new identity."""

# ruff: noqa: S608 - names of our own tables and columns

import contextlib
import json
import os
import sqlite3
import threading
from random import Random

import pytest

from daq.adapters.store.agreement.not_compared import NOT_COMPARED
from daq.adapters.store.audit import first_break
from daq.adapters.store.backup import backup, check_copy, restore
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit
from daq.core.errors import StoreError
from tests.support.runs.full_database import make_full_database, tables
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

    def check_and_let_another_write(path, **named):
        target.write_text("a colleague's")
        return check_copy(path, **named)

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
    with pytest.raises(StoreError, match="table audit: audit 2, hash: "):
        backup(store.path, tmp_path / "copy.sqlite")
    assert not [p for p in tmp_path.iterdir() if "copy" in p.name]


def test_a_target_that_cannot_be_written_is_reported(store, tmp_path):
    with pytest.raises(StoreError, match="the copy cannot be written: No such file"):
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


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """A database with a row of every table, and a copy of it."""
    folder = tmp_path_factory.mktemp("full")
    path = make_full_database(folder / "state")
    return path, backup(path, folder / "copy.db").path


def contents(path):
    """Return all rows of a database without the columns that are not compared."""
    out = {}
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.text_factory = bytes
        for table, columns in tables(path).items():
            kept = ["1", *(c for c in columns if (table, c) not in NOT_COMPARED)]
            out[table] = db.execute(f'SELECT {", ".join(kept)} FROM "{table}" ORDER BY rowid').fetchall()
    return out


FLIPS = 60


def refused(work, *args, **named):
    """Return the text with which `work` is refused, or ""."""
    try:
        work(*args, **named)
    except StoreError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("number", range(FLIPS))
def test_a_copy_with_a_flipped_bit_is_refused_by_name_or_has_the_same_contents(full, tmp_path, number):
    _, copy = full
    data = bytearray(copy.read_bytes())
    # One bit in each of FLIPS equal parts, so that the flips reach every table.
    random = Random(number)
    bit = (len(data) * 8 // FLIPS) * number + random.randrange(len(data) * 8 // FLIPS)
    data[bit // 8] ^= 1 << bit % 8
    flipped = tmp_path / "flipped.db"
    flipped.write_bytes(data)
    restored = tmp_path / "restored.db"
    refusal = refused(restore, flipped, restored, utc_ns=T0, who="m.keeper")
    if refusal:
        assert str(flipped) in refusal
        assert not restored.exists()
    else:
        assert contents(flipped) == contents(copy)


@pytest.mark.slow
def test_flipped_bits_of_stored_text_are_refused(full, tmp_path):
    """Texts and payloads fill most pages without any structure that SQLite checks."""
    _, copy = full
    data = copy.read_bytes()
    for number, text in enumerate((b"G-1042", b"clear-glaze-qc", b"m.keeper", b"complete", b"run_ended", b'"unit"')):
        places = [i for i in range(len(data)) if data.startswith(text, i)]
        assert places
        for place in Random(number).sample(places, min(4, len(places))):
            changed = bytearray(data)
            changed[place] ^= 1
            flipped = tmp_path / "flipped.db"
            flipped.write_bytes(changed)
            with pytest.raises(StoreError, match=r"flipped\.db"):
                restore(flipped, tmp_path / "restored.db", utc_ns=T0, who="m.keeper")


@pytest.mark.slow
def test_a_damaged_page_is_never_reported_as_a_full_disk(full, tmp_path):
    path, _ = full
    data = path.read_bytes()
    damaged = tmp_path / "damaged.db"
    target = tmp_path / "copy.db"
    count = 0
    for page in range(1, len(data) // 4096):
        content = Random(page).choice((bytes(4096), b"\xff" * 4096, Random(page).randbytes(4096)))
        damaged.write_bytes(data[: page * 4096] + content + data[page * 4096 + 4096 :])
        if refusal := refused(backup, damaged, target):
            count += 1
            assert "disk is full" not in refusal, page
            assert refusal.startswith(f"{damaged}: ")
        target.unlink(missing_ok=True)
    assert count > 0.9 * len(data) / 4096


@pytest.mark.slow
def test_a_copy_is_private_from_its_first_byte(full, tmp_path, monkeypatch):
    """The umask lets everybody read and write, and another thread looks at every file as soon as it appears."""
    path, copy = full
    seen = set()
    ended = threading.Event()

    def watch():
        while not ended.is_set():
            for entry in os.scandir(tmp_path):
                with contextlib.suppress(FileNotFoundError):
                    seen.add((entry.name, entry.stat(follow_symlinks=False).st_mode & 0o777))

    connect = sqlite3.connect

    def observed(name, *args, **more):
        for entry in os.scandir(tmp_path):
            seen.add((entry.name, entry.stat().st_mode & 0o777))
        return connect(name, *args, **more)

    monkeypatch.setattr("daq.adapters.store.backup.sqlite3.connect", observed)
    before = os.umask(0)
    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        for number in range(5):
            backup(path, tmp_path / f"copy-{number}.db")
            restore(copy, tmp_path / f"restored-{number}.db", utc_ns=T0, who="m.keeper")
    finally:
        ended.set()
        watcher.join()
        os.umask(before)
    assert {"copy-0.db.part", "copy-0.db", "restored-0.db.part", "restored-0.db"} <= {name for name, _ in seen}
    assert {(name, oct(mode)) for name, mode in seen if mode & 0o077} == set()


def test_links_are_not_followed(full, tmp_path):
    path, _ = full
    for suffix in ("", "-wal", "-shm", "-journal"):
        folder = tmp_path / f"link{suffix}"
        folder.mkdir()
        target = folder / "theirs"
        (folder / f"daq.db{suffix}").symlink_to(target)
        with pytest.raises(StoreError, match=f"daq.db{suffix} is a symbolic link, which daq does not follow"):
            Store(folder / "daq.db")
        assert not target.exists()
    (tmp_path / "daq.db").symlink_to(path)
    with pytest.raises(StoreError, match="is a symbolic link"):
        backup(tmp_path / "daq.db", tmp_path / "copy.db")
    # A link that waits at the name of the copy's first part is replaced, not written through.
    theirs = tmp_path / "theirs"
    theirs.write_text("theirs")
    (tmp_path / "copy.db.part").symlink_to(theirs)
    assert backup(path, tmp_path / "copy.db").path.is_file()
    assert theirs.read_text() == "theirs"
