"""A database that was put back from an older copy is noticed at the next start by the mark beside it."""

import json
import os
import shutil
import stat
import time

import pytest
from structlog.testing import capture_logs

from daq.adapters.store import mark as marks
from daq.adapters.store.backup import backup, restore
from daq.adapters.store.epochs import last_epoch_start
from daq.adapters.store.mark import MarkFile
from daq.adapters.store.store import Store
from daq.app.daemon.continuity import continue_numbers
from tests.support.runs.stored import T0, begin, conclude, end, note, register

RUNS = 3


def work(store, names):
    """Commit a finished run for each name; return epoch and number of each result."""
    store.submit(register()).result(10)
    out = []
    for name in names:
        store.submit(begin(name)).result(10)
        out.append((store.epoch, store.submit(conclude(name, result_id=name)).result(10).sequence))
        store.submit(end(name)).result(10)
    return out


def start(path, names=()):
    """Open the store as a daemon does, work, and close it; return epoch and number of each result."""
    with Store(path, utc_ns=T0) as store:
        continue_numbers(store, T0)
        return work(store, names)


def copy_in_place(source, target):
    """Copy as `cp` does over a file that exists: the inode stays."""
    target.write_bytes(source.read_bytes())


def copy_aside_and_rename(source, target):
    """Copy as a program does that replaces the file."""
    shutil.copy2(source, target.with_suffix(".new"))
    target.with_suffix(".new").replace(target)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "daq.db"


def epoch_of(path):
    with Store(path) as store:
        return store.epoch


def test_a_database_that_goes_on_keeps_its_epoch(path):
    for n in range(RUNS):
        assert start(path, [f"run-{n}"]) == [(1, n + 1)]
    assert start(path) == []
    with Store(path) as store:  # a command that writes without a daemon
        store.submit(note()).result(10)
    assert start(path, ["last"]) == [(1, RUNS + 1)]


@pytest.mark.parametrize("put_back", [copy_in_place, copy_aside_and_rename])
@pytest.mark.parametrize("copied_after", range(RUNS))
def test_an_older_copy_of_the_database_alone_starts_a_new_epoch(path, put_back, copied_after):
    """The copy is made after each number of runs, the first of them without any result."""
    start(path, [f"run-{n}" for n in range(copied_after)])
    copy = path.with_name("copy")
    shutil.copy2(path, copy)
    sent = start(path, [f"lost-{n}" for n in range(RUNS)])
    put_back(copy, path)
    with capture_logs() as logs:
        numbered = start(path, ["new"])
    assert numbered == [(2, 1)]
    assert not set(numbered) & set(sent)
    assert [e["log_level"] for e in logs if "put back" in e["event"]] == ["error"]
    with Store(path) as store, store.reader() as reader:
        found = last_epoch_start(reader)
        assert (found.epoch, reader.identity()[1]) == (2, 2)
        assert [e.what for e in reader.audit() if e.what == "epoch_started"] == ["epoch_started"]
        assert "audit trail" in found.reason
    assert start(path, ["next"]) == [(2, 2)]  # once, and not at every start


def test_a_copy_in_another_directory_starts_a_new_epoch(path, tmp_path):
    start(path, ["a"])
    other = tmp_path / "other"
    other.mkdir()
    for file in (path, MarkFile(path).path):
        shutil.copy2(file, other / file.name)
    assert start(other / path.name, ["b"]) == [(2, 1)]
    lonely = tmp_path / "lonely"
    lonely.mkdir()
    shutil.copy2(path, lonely / path.name)  # without its mark
    assert start(lonely / path.name, ["b"]) == [(2, 1)]
    assert start(path, ["c"]) == [(1, 2)]


def test_a_whole_directory_put_back_in_place_starts_a_new_epoch(path, tmp_path, monkeypatch):
    """The copies have the old content and the same inodes; only the time of change of the mark shows it."""
    monkeypatch.setattr(marks, "LATE_NS", 50_000_000)
    start(path, ["a"])
    kept = tmp_path / "kept"
    shutil.copytree(tmp_path, kept)
    start(path, ["b"])
    time.sleep(0.1)
    for file in kept.iterdir():
        copy_in_place(file, tmp_path / file.name)
        shutil.copystat(file, tmp_path / file.name)  # as `cp -a` does
    assert start(path, ["c"]) == [(2, 1)]


@pytest.mark.parametrize("content", [None, "", "{", "[]", "{}", '{"source": 1}', "null"])
def test_a_missing_or_damaged_mark_starts_a_new_epoch(path, content):
    start(path, ["a"])
    mark = MarkFile(path).path
    if content is None:
        mark.unlink()
    else:
        mark.write_text(content)
    assert start(path, ["b"]) == [(2, 1)]


FIELDS = {
    "source": ("f0000000-0000-4000-8000-000000000000", 2),
    "inode": (1, 2),
    "seq": (10**6, 2),
    "head": ("0" * 64, 2),
    "written_ns": (0, 2),
    "epoch": (0, 1),  # numbers of a later epoch are of this database only
}


@pytest.mark.parametrize("name", FIELDS)
def test_every_part_of_the_mark_counts(path, name):
    start(path, ["a"])
    mark = MarkFile(path).path
    value, epoch = FIELDS[name]
    mark.write_text(json.dumps(json.loads(mark.read_text()) | {name: value}))
    assert start(path, ["b"])[0][0] == epoch


def test_a_restored_backup_starts_one_epoch_and_not_two(path, tmp_path):
    start(path, ["a"])
    backup(path, tmp_path / "backup.db")
    start(path, ["b"])
    path.unlink()
    restore(tmp_path / "backup.db", path, utc_ns=T0, who="m.keeper")
    assert start(path, ["c"]) == [(2, 1)]
    elsewhere = tmp_path / "elsewhere" / "daq.db"
    elsewhere.parent.mkdir()
    restore(tmp_path / "backup.db", elsewhere, utc_ns=T0, who="m.keeper")
    assert start(elsewhere, ["c"]) == [(2, 1)]


def test_a_mark_that_cannot_be_written_is_logged_once_and_stops_nothing(path):
    MarkFile(path).path.mkdir()
    with capture_logs() as logs:
        assert start(path, ["a", "b"]) == [(1, 1), (1, 2)]
    assert len([e for e in logs if "mark" in e["event"]]) == 1
    assert sorted(p.name for p in path.parent.iterdir()) == ["daq.db", "daq.db.mark"]


def test_an_epoch_that_cannot_be_stored_changes_nothing_and_ends_the_start(path):
    """A crash at each statement: the epoch in memory is that of the file."""
    start(path, ["a"])
    MarkFile(path).path.unlink()
    points = []
    shutil.copy2(path, path.with_name("copy"))
    with Store(path, crash_hook=points.append) as store:
        continue_numbers(store, T0)
    asked = [p for p in points if p.startswith("start_epoch.") and p != "start_epoch.committed"]
    assert len(asked) >= 5
    for point in asked:
        copy_aside_and_rename(path.with_name("copy"), path)
        MarkFile(path).path.unlink(missing_ok=True)

        def fail(now, point=point):
            if now == point:
                raise OSError(now)

        with Store(path, crash_hook=fail) as store:
            with pytest.raises(OSError, match="start_epoch"):
                continue_numbers(store, T0)
            assert store.epoch == 1
            assert not MarkFile(path).path.exists()
            assert store.source.endswith("#1")
            assert work(store, ["b"]) == [(1, 2)]
            with store.reader() as reader:
                assert [r.epoch for r in reader.all_results()] == [1, 1]
        assert epoch_of(path) == 1


def put_link(path, target):
    path.symlink_to(target)


def put_hard_link(path, target):
    path.hardlink_to(target)


def put_fifo(path, target):
    os.mkfifo(path)


@pytest.mark.parametrize("put", [put_link, put_hard_link, put_fifo])
@pytest.mark.parametrize("name", ["daq.db.mark", "daq.db.mark.new"])
@pytest.mark.timeout(30)
def test_a_mark_is_never_written_into_another_file(path, name, put):
    """Neither the file nor its draft follows a link, and a FIFO holds up nothing."""
    start(path, ["a"])
    target = path.with_name("of-others")
    target.write_text("kept")
    path.with_name(name).unlink(missing_ok=True)
    put(path.with_name(name), target)
    start(path, ["b"])
    assert target.read_text() == "kept"
    mark = path.with_name("daq.db.mark")
    assert stat.S_ISREG(mark.lstat().st_mode)
    assert mark.stat().st_nlink == 1
    assert stat.S_IMODE(mark.stat().st_mode) == 0o600
    assert not path.with_name("daq.db.mark.new").exists()


@pytest.mark.timeout(30)
def test_a_mark_that_is_a_link_is_not_believed(path):
    """The link's target has the same content and time; a mark that the daemon wrote is never a link."""
    start(path, ["a"])
    mark = path.with_name("daq.db.mark")
    mark.rename(path.with_name("moved"))
    mark.symlink_to("moved")
    with capture_logs():
        assert start(path, ["b"]) == [(2, 1)]


@pytest.mark.timeout(30)
def test_a_mark_that_is_a_fifo_counts_as_missing(path):
    start(path, ["a"])
    mark = path.with_name("daq.db.mark")
    mark.unlink()
    os.mkfifo(mark)
    with capture_logs():
        assert start(path, ["b"]) == [(2, 1)]
