"""The process ends, or the power is cut, between any two steps of archiving: no journal is lost, and it goes on."""

import shutil

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.archiving import files
from daq.adapters.store.reading import Reader
from daq.app.records import archiving
from daq.app.records.archiving import recorded_archives
from tests.support.runs.archived import Killed, Medium, Points, archive, copied, journals, kept_safe, whole


@pytest.fixture(scope="module")
def points(measured, tmp_path_factory):
    """The names of all points between two steps: of the file system, and of the statements of the acts."""
    folder = tmp_path_factory.mktemp("points")
    (folder / "medium").mkdir()
    found = Points()
    archive(copied(measured[0], folder / "state"), folder / "medium", points=found)
    return found.names


def test_the_points_lie_between_all_steps(points):
    steps = ["part", "write", "hash", "sync", "read back", "check", "name", "forget part", "write digest"]
    steps += ["sync digest", "name digest", "sync folder", "record"]
    assert points[: len(steps)] == steps
    assert points.count("record") == points.count("remove") == 2
    assert {"change_records.record", "remove_journals.audit", "remove_journals.remove", "remove_journals.commit"} < set(
        points
    )
    assert len(points) > 60


def interrupted(measured, folder, monkeypatch, number, *, power):
    """Kill at a point, check, go on, and check again."""
    state, place = copied(measured[0], folder / "state"), folder / "medium"
    place.mkdir()
    before = journals(database_path(state))
    with monkeypatch.context() as patch:
        medium = Medium(place, patch)
        with pytest.raises(Killed):
            archive(state, place, points=Points(number))
        if power:
            medium.cut_power()
    kept_safe(state, place, before)
    done = archive(state, place)
    assert kept_safe(state, place, before) == dict.fromkeys(before, True)
    whole(state, place)
    assert done.left == {}
    assert not list(place.glob("*.part"))
    # No archive is recorded that nothing is in, and each run is in the archive that its audit entry names.
    with Reader(database_path(state)) as reader:
        held = {r.run: a.id for a in recorded_archives(reader) for r in a.runs}
        assert {run: reader.removed_journal(run)["archive"] for run in before} == held
    return done


PARTS = 12
"""Number of cases into which the points are divided: case n has every 12th point from n on."""


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("power", [False, True], ids=["kill", "power cut"])
def test_a_kill_between_any_two_steps_loses_no_journal(measured, points, tmp_path, monkeypatch, part, power):
    for number in range(part, len(points), PARTS):
        folder = tmp_path / str(number)
        folder.mkdir()
        interrupted(measured, folder, monkeypatch, number, power=power)
        shutil.rmtree(folder)


def test_an_archive_that_was_named_and_not_recorded_is_taken_up(measured, points, tmp_path, monkeypatch):
    done = interrupted(measured, tmp_path, monkeypatch, points.index("record"), power=True)
    assert done.notes == []
    assert [a.file[-12:] for a in done.archives] == ["0001.archive", "0002.archive"]


def missing_steps():
    """Return a change of the program for each step that a power cut shows to be missing."""
    return {
        "sync of the file": (files, "sync", lambda path: None),
        "check of the journals": (archiving.Archiving, "_write", unsafe_write),
    }


def unsafe_write(self, path, runs):
    """Name the archive before it is synced."""
    part = path.with_name(path.name + ".part")
    archiving.make_private(part)
    archiving.write_contents(self._database, part, runs)
    held = self._checked(part, path.name, runs)
    sha256 = files.sha256_of(part)
    part.rename(path)
    files.write_digest(path, sha256)
    return sha256, held


@pytest.mark.slow
@pytest.mark.parametrize("fault", missing_steps())
def test_a_power_cut_shows_a_missing_step(measured, points, tmp_path, monkeypatch, fault):
    """The test of kills fails where a sync is left out: the journal is removed, and its archive is empty."""
    owner, name, changed = missing_steps()[fault]
    state, place = copied(measured[0], tmp_path / "state"), tmp_path / "medium"
    place.mkdir()
    before = journals(database_path(state))
    medium = Medium(place, monkeypatch)
    monkeypatch.setattr(owner, name, changed)
    archive(state, place)
    medium.cut_power()
    with pytest.raises(AssertionError):
        kept_safe(state, place, before)
