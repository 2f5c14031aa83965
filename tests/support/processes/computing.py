"""The tasks after a run, carried out here or in the process for computations, on a state directory of their own."""

import asyncio
import contextlib
import shutil
import sqlite3
import sys
import time
from pathlib import Path

from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.store import Store
from daq.app.daemon.computing.computations import Computations
from daq.app.daemon.computing.computing_process import ComputingProcess
from daq.app.daemon.post_run import PostRunTasks
from daq.app.records.replaying import maker
from daq.app.setup.catalogue import Catalogue
from tests.support.runs.ended_runs import BEGAN, any_ids

TOPICS = Topics(enterprise="glaze-works", site="kiln-street", area="quality")
DAY_NS = 86_400 * 10**9


class LaterClock:
    """A day after the runs, at the same moment for all that follows them."""

    def mono_ns(self):
        return 0

    def utc_ns(self):
        return BEGAN + DAY_NS


@contextlib.contextmanager
def computations(store, command=None):
    """Yield computations in a process, and end it.  Without `command` it imports libraries when they are needed."""
    process = ComputingProcess(store, command or dying_command(store, "/nowhere", 0))
    until(lambda: process.answers() or process._given_up)
    try:
        yield Computations(store, maker(Catalogue.load(examples_dir()).drivers), LaterClock(), process)
    finally:
        process.close()


def dying_command(store, file, at):
    return [
        sys.executable,
        "-m",
        "tests.support.processes.dying_worker",
        str(file),
        str(at),
        str(store.path),
        store.uuid,
    ]


def follow(state, runs, apart=None):
    """Do what follows `runs` (ids by example) one task after another; `apart` returns computations of a store."""

    async def all_of(store, computations):
        catalogue = any_ids(Catalogue.load(examples_dir()))
        tasks = PostRunTasks(store, lambda: catalogue, computations, LaterClock(), TOPICS, lambda: None)
        for example, run in runs.items():
            await tasks._note_done(run)
            await tasks._store_reportables(run)
            await tasks._note_health(run, example.instrument)
            await tasks._publish_curve(run)

    with Store(database_path(state)) as store:
        here = Computations(store, maker(Catalogue.load(examples_dir()).drivers), LaterClock())
        with contextlib.nullcontext(here) if apart is None else apart(store) as carried_out:
            asyncio.run(all_of(store, carried_out))


def copied(state, to):
    """Return a copy of a state directory."""
    return Path(shutil.copytree(state, to, ignore=shutil.ignore_patterns("control", "*.lock")))


def content(state):
    """Return everything that a database contains, as SQL."""
    with contextlib.closing(sqlite3.connect(database_path(state))) as db:
        return list(db.iterdump())


def is_alive(pid):
    """Return whether a process exists and is not merely waiting to be reaped."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def until(condition, seconds=60.0):
    deadline = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.01)
    return found
