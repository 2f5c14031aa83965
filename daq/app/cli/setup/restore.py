"""``daq restore FILE``: put a copy in the place of a lost database."""

import argparse
import getpass
import time

from daq.adapters.paths import StateLock, database_path
from daq.adapters.store.backup import restore
from daq.app.cli.common import chosen_state, wanted_path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("file", metavar="FILE", type=wanted_path, help="a copy made by `daq backup`")


def run(args: argparse.Namespace) -> int:
    """Check the copy and put it in place as a new epoch of its source; nothing is overwritten."""
    state = chosen_state(args, create=True)
    with StateLock(state):
        done = restore(args.file.absolute(), database_path(state), utc_ns=time.time_ns(), who=getpass.getuser())
    print(f"restored {done.runs} runs and {done.results} results to {done.path}; its source is now {done.source}")
    print("Results that were measured after the copy was made are not in it. `daq doctor` checks the rest.")
    return 0
