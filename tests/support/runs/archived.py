"""A works whose runs are old enough to be archived, and kills and power cuts between any two steps of it."""

import contextlib
import os
import shutil
from copy import copy
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.archiving.checking import check_archive
from daq.adapters.store.archiving.files import sha256_of
from daq.adapters.store.checks import check_content
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.records.archiving import Archiving, recorded_archives
from daq.app.setup.catalogue import Catalogue
from daq.methods.files.retention import Retention
from daq.process.logins import own_login
from tests.support.runs.virtual_bench import T0, StoredBench

YEAR_NS = 366 * 86_400 * 10**9
LATER = T0 + 6 * YEAR_NS
TOPICS = Topics("lab", "bench")


class FixedClock:
    """A clock whose time only a test changes."""

    def __init__(self, utc_ns):
        self.now = utc_ns

    def utc_ns(self):
        return self.now

    def mono_ns(self):
        return self.now


class Killed(BaseException):
    """The process ends here."""


@dataclass
class Points:
    """Counts points between steps and ends the process at one of them."""

    kill_at: int = -1
    names: list[str] = field(default_factory=list)

    def __call__(self, name: str) -> None:
        self.names.append(name)
        if len(self.names) - 1 == self.kill_at:
            raise Killed(name)


class Medium:
    """A folder that loses at a power cut what was not synced: names, and bytes of files."""

    def __init__(self, folder: Path, monkeypatch) -> None:
        self.folder = folder
        self.names: set[str] = set()
        self.inodes: set[int] = set()
        real = os.fsync

        def fsync(descriptor):
            real(descriptor)
            found = os.fstat(descriptor)
            if found.st_ino == folder.stat().st_ino:
                self.names = {p.name for p in folder.iterdir()}
            else:
                self.inodes.add(found.st_ino)

        monkeypatch.setattr(os, "fsync", fsync)

    def cut_power(self) -> None:
        for path in list(self.folder.iterdir()):
            if path.stat().st_ino not in self.inodes:
                os.truncate(path, 0)
            if path.name not in self.names:
                path.unlink()


def measure(state: Path, count: int = 3) -> list[str]:
    """Measure runs into a new state directory, and return their ids."""
    bench = StoredBench(state, topics=TOPICS)
    return [bench.measure(f"G-{number}") for number in range(count)]


@cache
def examples() -> Catalogue:
    return Catalogue.load(examples_dir())


@contextlib.contextmanager
def works(state: Path, *, journals: str | None = "5 years", now: int = LATER, hook=None, login: str | None = None):
    """Open the laboratory of a state directory, six years after its runs."""
    catalogue = copy(examples())
    catalogue.daemon = catalogue.daemon.model_copy(update={"retention": Retention(journals=journals)})
    with Store(database_path(state), crash_hook=hook) as store:
        yield Laboratory(store, catalogue, FixedClock(now), login or own_login(), topics=TOPICS, with_flat=True)


def archive(state: Path, folder: Path, *, before: int = LATER, points=None, most_runs: int = 2, **more):
    """Archive the runs of a state directory, and return the outcome."""
    step = points or (lambda _: None)
    with works(state, hook=points, **more) as lab:
        perform = lambda act, order: carry_out(lab, act, order)  # noqa: E731
        return Archiving(database_path(state), folder, perform, step=step, most_runs=most_runs).run(before)


def copied(state: Path, target: Path) -> Path:
    """Copy a closed state directory."""
    return Path(shutil.copytree(state, target))


def journals(path: Path) -> dict[str, list[bytes]]:
    """Return the blocks of each run of a database or archive."""
    found: dict[str, list[bytes]] = {}
    with Stored(path) as stored:
        for row in stored.rows("SELECT run, data FROM journal ORDER BY run, seq"):
            found.setdefault(row["run"], []).append(row["data"])
    return found


def kept_safe(state: Path, folder: Path, before: dict[str, list[bytes]]) -> dict[str, bool]:
    """Check that every journal is in the database or in a recorded and whole archive; return which are archived."""
    database = database_path(state)
    here = journals(database)
    with Reader(database) as reader:
        archives = list(recorded_archives(reader))
    held = {}
    for a in archives:
        path = folder / a.file
        if path.exists() and sha256_of(path) == a.sha256:
            held |= journals(path)
    for run, blocks in before.items():
        assert here.get(run) == blocks or held.get(run) == blocks, run
    assert [f for f in check_content(database) if not f.ok] == []
    return {run: run not in here for run in before}


def whole(state: Path, folder: Path) -> None:
    """Check that every recorded archive is whole and agrees with the database."""
    with Reader(database_path(state)) as reader:
        archives = list(recorded_archives(reader))
    for a in archives:
        assert [f for f in check_archive(folder / a.file, database_path(state)) if not f.ok] == []
