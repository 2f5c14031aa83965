"""Functions that several commands use."""

import argparse
import json
import os
import sys
from pathlib import Path
from typing import Any

from daq.adapters.paths import DAEMON_FILE, config_dir, database_path, state_dir
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.setup.catalogue import state_of
from daq.core.errors import SettingError
from daq.methods.files.load import load_daemon

SHOWN_ID = 8
"""Number of characters of a run's id in tables."""


def chosen_state(args: argparse.Namespace, *, create: bool = False) -> Path:
    """Return the state directory of a command; `create`: make it where it does not exist."""
    configured = None
    if not args.state and not os.environ.get("STATE_DIRECTORY"):
        daemon = load_daemon(config_dir(args.config) / DAEMON_FILE)
        configured = state_of(daemon)
    return state_dir(args.state, configured, create=create)


def open_reader(args: argparse.Namespace) -> Reader:
    """Return the database of a command, open for reading."""
    return Reader(database_path(chosen_state(args)))


def find_run(reader: Reader, given: str) -> RunRecord:
    """Return the run whose id begins with `given`, or the newest for ``last``.

    Raises:
        SettingError: no run or several runs match.
    """
    if given == "last":
        newest = reader.runs(limit=1)
        if not newest:
            raise SettingError("there is no run yet")
        return newest[0]
    ids = reader.find_runs(given.lower()) if given else []
    if not ids:
        raise SettingError(f"there is no run whose id begins with {given!r}; `daq runs` lists them")
    if len(ids) > 1:
        shown = ", ".join(i[: len(given) + 4] for i in ids[:5])
        raise SettingError(f"{len(ids)} runs begin with {given!r} ({shown} ...); type more of the id")
    run = reader.run(ids[0])
    if run is None:
        raise SettingError(f"the run {ids[0]} is gone")
    return run


def print_json(value: Any) -> None:
    """Print one JSON document."""
    json.dump(value, sys.stdout, indent=2, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")


def wanted_path(text: str) -> Path:
    """Return a path from the command line."""
    return Path(text).expanduser()
