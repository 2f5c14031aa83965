"""A full disk, a held lock, a damaged file: the fault is reported, nothing crashes, committed data stay."""

import os
import resource
import sqlite3
import subprocess
import sys
import textwrap
import threading

import pytest

from daq.adapters.store.checks import check_database
from daq.adapters.store.errors import StorageError
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import AppendBlock, Audit
from daq.core.errors import StoreError
from daq.core.journal import RECEIVED
from daq.core.journal_block import HEADER as HEADER_KIND
from daq.core.journal_block import Block, chain
from tests.support import sentences
from tests.support.runs.stored import HEADER, T0, begin, conclude, end, note, register, written


def big_block(size=400_000):
    raw = written(HEADER_KIND, 0, HEADER.encode()) + written(RECEIVED, 1, os.urandom(size))  # does not compress
    return Block(raw, chain("", raw), 2, 0, 1)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "daq.sqlite"


def faults_of(path):
    return [f for f in check_database(path, utc_ns=T0) if not f.ok and f.what not in {"outbox", "disk"}]


def test_a_full_database_refuses_keeps_what_is_there_and_takes_up_again(path):
    struck = []
    with Store(path, utc_ns=T0, on_fault=struck.append) as store:
        for step in (register(), begin("a")):
            store.submit(step).result(10)
        (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
        store._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(StorageError, match="the disk is full: free some space"):
            store.submit(AppendBlock("a", big_block())).result(10)
        assert store.trouble is struck[0]
        with pytest.raises(StorageError):
            store.submit(conclude("a", block=big_block())).result(10)
        assert len(struck) == 2
        with store.reader() as reader:  # reading goes on
            assert [e.what for e in reader.audit()] == ["method_registered", "run_started"]
            assert reader.run("a").state == "running"
        store._connection.execute("PRAGMA max_page_count = 1000000")
        store.submit(conclude("a", block=big_block())).result(10)
        assert store.trouble is None
    assert faults_of(path) == []


def test_no_run_begins_on_a_nearly_full_disk_but_one_that_runs_may_end(path):
    with Store(path, utc_ns=T0) as store:
        for step in (register(), begin("a")):
            store.submit(step).result(10)
    with Store(path, reserve_bytes=2**62) as store:
        with pytest.raises(StorageError, match="no new run starts; free some space"):
            store.submit(begin("b")).result(10)
        store.submit(conclude("a")).result(10)
        store.submit(end("a")).result(10)


LIMITED = textwrap.dedent(
    """
    import resource, sys
    from daq.adapters.store.store import Store
    from daq.adapters.store.errors import StorageError
    from tests.support.runs.stored import note
    with Store(sys.argv[1]) as store:
        store.submit(note(0)).result(10)
        # From here on the operating system lets no file grow beyond 800 kB.
        resource.setrlimit(resource.RLIMIT_FSIZE, (800_000, 800_000))
        done = 1
        try:
            for n in range(1, 1000):
                store.submit(note(n, 2000)).result(10)
                done += 1
        except StorageError as error:
            print(done, error)
        try:
            store.submit(note(9999, 2000)).result(10)
        except StorageError as error:
            print("again", error)
        with store.reader() as reader:
            print(len(reader.audit()))
    """
)


def test_when_the_system_refuses_to_write_every_confirmed_entry_is_there(path):
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    first, again, read = done.stdout.splitlines()
    count, _, text = first.partition(" ")
    assert "check free space, quota and file size limit" in text or "the disk is full" in text
    assert again.startswith("again")
    assert int(read) == int(count) > 5
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
    assert faults_of(path) == []
    with Store(path) as store, store.reader() as reader:
        assert len(reader.audit()) == int(count)
        store.submit(note()).result(10)


@pytest.fixture
def small_disk(tmp_path):
    """A separate file system of 1 MiB, where the system permits one."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(folder)]
    if os.getuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode != 0:
        pytest.skip("no file system of our own can be fitted here; the file size limit above is tested everywhere")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_disk_that_is_really_full_and_then_has_room_again(small_disk):
    path = small_disk / "daq.sqlite"
    with Store(path, utc_ns=T0, reserve_bytes=0) as store:
        for step in (register(), begin("a")):
            store.submit(step).result(10)
        ballast = small_disk / "ballast"
        ballast.write_bytes(bytes(os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize - 20_000))
        outcomes = [store.submit(note(n, 2000)) for n in range(60)]
        errors = [future.exception(10) for future in outcomes]
        done = errors.count(None)
        assert 0 < done < 60
        assert "the disk is full" in str(errors[-1])
        with store.reader() as reader:
            assert len(reader.audit()) == 2 + done
        assert any("no run starts" in f.say for f in check_database(path, utc_ns=T0) if f.what == "disk")
        ballast.unlink()
        store.submit(conclude("a", block=big_block(100_000))).result(10)
        assert store.trouble is None
    assert faults_of(path) == []


def test_a_lock_held_by_another_program_is_reported_and_its_end_clears_the_fault(path, monkeypatch):
    monkeypatch.setattr("daq.adapters.store.store.BUSY_SECONDS", 0.1)
    with Store(path, utc_ns=T0) as store:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StorageError, match="another program holds the database: close it"):
            store.submit(note()).result(10)
        other.execute("ROLLBACK")
        other.close()
        store.submit(note()).result(10)
        assert store.trouble is None


def test_opening_while_another_program_holds_the_file_is_reported(path, monkeypatch):
    monkeypatch.setattr("daq.adapters.store.store.BUSY_SECONDS", 0.1)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StorageError, match="another program holds the database"):
        Store(path)
    other.close()


def test_a_damaged_file_is_refused_and_not_touched(path):
    with Store(path, utc_ns=T0) as store:
        for n in range(400):
            store.submit(note(n, 400)).result(10)
    data = bytearray(path.read_bytes())
    (page,) = (int.from_bytes(data[16:18], "big"),)
    for number in range(1, len(data) // page):  # all pages but the first, which holds the tables' names
        data[number * page : number * page + 64] = b"\xff" * 64
    path.write_bytes(data)
    before = path.read_bytes()
    with pytest.raises(StorageError, match="the database file is damaged: stop daq, copy the file aside"):
        Store(path)
    assert path.read_bytes() == before


def test_damage_met_while_writing_is_latched(path):
    with Store(path, utc_ns=T0) as store:
        for n in range(400):
            store.submit(note(n, 400)).result(10)
    root = _root_page(path, "audit")
    data = bytearray(path.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    data[(root - 1) * page : root * page] = b"\xee" * page
    path.write_bytes(data)
    struck = []
    with Store(path, on_fault=struck.append) as store:
        with pytest.raises(StorageError, match="restore the last backup"):
            store.submit(note()).result(10)
        assert store.trouble.damaged
        before = path.read_bytes()
        with pytest.raises(StorageError):
            store.submit(register()).result(10)  # would touch healthy pages only
        assert len(struck) == 1
    assert path.read_bytes() == before


def _root_page(path, table):
    connection = sqlite3.connect(path)
    (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    connection.close()
    return root


def test_a_file_of_another_kind_is_not_touched(path, tmp_path):
    path.write_bytes(b"minutes of the glaze meeting\n" * 100)
    with pytest.raises(StorageError, match=sentences.NOT_A_DATABASE):
        Store(path)
    assert path.read_bytes() == b"minutes of the glaze meeting\n" * 100
    other = tmp_path / "other.sqlite"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.commit()
    connection.close()
    before = other.read_bytes()
    with pytest.raises(StoreError, match="the database of another program"):
        Store(other)
    assert other.read_bytes() == before


def test_a_missing_folder_is_reported(tmp_path):
    with pytest.raises(StorageError, match="check that its folder exists"):
        Store(tmp_path / "nowhere" / "daq.sqlite")


def test_a_fault_in_the_callback_of_faults_does_not_end_the_writer(path):
    def broken(_):
        raise RuntimeError("the screen is gone")

    with Store(path, utc_ns=T0, on_fault=broken) as store:
        store._connection.execute("PRAGMA max_page_count = 1")
        with pytest.raises(StorageError):
            store.submit(note(0, 400_000)).result(10)
        store._connection.execute("PRAGMA max_page_count = 1000000")
        store.submit(note()).result(10)


def test_transactions_from_many_threads_are_all_carried_out_once(path):
    with Store(path, utc_ns=T0) as store:

        def work(k):
            for n in range(25):
                store.submit(note(k * 100 + n)).result(10)

        threads = [threading.Thread(target=work, args=(k,)) for k in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        with store.reader() as reader:
            assert len(reader.audit()) == 200
    assert faults_of(path) == []


def test_a_text_that_cannot_be_stored_is_no_damage_of_the_file(path):
    with Store(path, utc_ns=T0) as store:
        with pytest.raises(UnicodeEncodeError):
            store.submit(Audit(T0, "m.keeper", "noted", "\udc80")).result(10)
        assert store.trouble is None
        store.submit(note()).result(10)
