"""``daq backup FILE``: make a checked copy of the database while it is in use."""

import argparse

from daq.adapters.paths import database_path
from daq.adapters.store.backup import backup
from daq.app.cli.common import chosen_state, wanted_path
from daq.app.daemon.copies import receive
from daq.app.daemon.daemon_client import answers
from daq.app.daemon.protocol import MakeBackup
from daq.process.stop_request import daemon_socket


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("file", metavar="FILE", type=wanted_path, help="the copy; it must not exist yet")


def run(args: argparse.Namespace) -> int:
    """Copy and check: through the daemon where one runs, otherwise directly."""
    state = chosen_state(args)
    target = args.file.absolute()
    socket = daemon_socket(state)
    if socket is not None:
        receive(answers(socket, MakeBackup(), timeout_s=None), target)
    else:
        backup(database_path(state), target)
    print(f"copied to {target} and checked: pages, references and audit trail are whole")
    print("Keep copies on another disk; `daq restore` puts one in the place of a database that is lost.")
    return 0
