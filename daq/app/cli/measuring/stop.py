"""`daq stop`: stop the run on an instrument."""

import argparse

from daq.app.cli.common import chosen_state
from daq.core.errors import LinkError
from daq.process.stop_request import daemon_socket, stop_run


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("instrument", metavar="INSTRUMENT", help="name of the instrument")


def run(args: argparse.Namespace) -> int:
    """Ask the daemon to stop the run; it halts the motor and reads its speed back."""
    state = chosen_state(args)  # other files may have errors: a stop must not fail because of them
    socket = daemon_socket(state)
    if socket is None:
        raise LinkError(f"no daemon holds {state}: nothing is being measured")
    print("stopping" if stop_run(socket, args.instrument) else f"nothing is being measured on {args.instrument}")
    return 0
