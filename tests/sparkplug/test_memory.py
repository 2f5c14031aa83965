"""State of a node that outlives its process."""

import json

import pytest

from daq.adapters.sparkplug.memory import Memory, Position


def position(*, source="db-1", epoch=1, newest=None, before=None):
    return Position(source, epoch, newest or {}, before or {})


def test_the_first_connection_has_number_0_and_each_further_one_more(tmp_path):
    numbers = [Memory.open(tmp_path, position()).next_bd_seq() for _ in range(258)]
    assert numbers == [n % 256 for n in range(258)]


def test_marks_of_sent_results_are_kept(tmp_path):
    memory = Memory.open(tmp_path, position())
    memory.next_bd_seq()
    memory.sent["bench-1"] = 17
    memory.save()
    again = Memory.open(tmp_path, position(newest={"bench-1": 40, "bench-2": 41}))
    assert (again.bd_seq, again.sent) == (0, {"bench-1": 17})
    assert [p.name for p in tmp_path.iterdir()] == ["sparkplug.json"]


def test_without_a_file_the_marks_start_at_the_newest_result(tmp_path):
    assert Memory.open(tmp_path, position(newest={"bench-1": 40})).sent == {"bench-1": 40}


def test_another_database_begins_at_its_newest_and_keeps_the_number(tmp_path):
    memory = Memory.open(tmp_path, position(newest={"bench-1": 40}))
    memory.next_bd_seq()
    other = Memory.open(tmp_path, position(source="db-2", newest={"bench-1": 3}))
    assert other.sent == {"bench-1": 3}
    assert other.next_bd_seq() == 1


def test_a_restored_database_takes_the_marks_back_to_its_backup(tmp_path):
    """Backup at mark 20, sent up to 30, restored: new results get the marks from 21 on again."""
    memory = Memory.open(tmp_path, position())
    memory.sent = {"bench-1": 30, "bench-2": 12, "bench-3": 9}
    memory.next_bd_seq()
    restored = position(epoch=2, newest={"bench-1": 22, "bench-2": 15}, before={"bench-1": 20, "bench-2": 15})
    again = Memory.open(tmp_path, restored)
    assert again.sent == {"bench-1": 20, "bench-2": 12, "bench-3": 0}
    again.save()
    assert Memory.open(tmp_path, restored).sent == again.sent


GOOD = {"form": 1, "source": "db-1", "epoch": 1, "bdSeq": 3, "sent": {"bench-1": 5}}


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", "\x00" * 40, *(json.dumps(GOOD | change) for change in (
        {"form": 2}, {"bdSeq": 256}, {"bdSeq": -1}, {"bdSeq": "3"}, {"sent": []}, {"sent": {"bench-1": "5"}}, {"source": 1},
    ))],
)  # fmt: skip
def test_a_damaged_file_is_named_kept_aside_and_replaced(tmp_path, text, capsys):
    path = tmp_path / "sparkplug.json"
    path.write_text(text)
    memory = Memory.open(tmp_path, position(newest={"bench-1": 9}))
    assert (memory.bd_seq, memory.sent) == (None, {"bench-1": 9})
    output = capsys.readouterr().out
    assert str(path) in output
    assert "cannot be read" in output
    assert (tmp_path / "sparkplug.damaged").read_text() == text
    assert memory.next_bd_seq() == 0
    assert json.loads(path.read_text())["bdSeq"] == 0


def test_a_whole_file_is_believed(tmp_path):
    (tmp_path / "sparkplug.json").write_text(json.dumps(GOOD))
    memory = Memory.open(tmp_path, position())
    assert (memory.bd_seq, memory.sent) == (3, {"bench-1": 5})


def test_a_write_that_fails_leaves_the_old_file_whole(tmp_path, monkeypatch):
    memory = Memory.open(tmp_path, position())
    memory.next_bd_seq()
    before = (tmp_path / "sparkplug.json").read_bytes()

    def full(_fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("daq.adapters.sparkplug.memory.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        memory.next_bd_seq()
    monkeypatch.undo()
    assert (tmp_path / "sparkplug.json").read_bytes() == before
    assert memory.next_bd_seq() == 1
