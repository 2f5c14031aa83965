"""`daq stop`: stop the run on an instrument."""

import argparse

from daq.app.cli.common import chosen_state
from daq.app.daemon.control import ask, daemon_socket
from daq.app.daemon.protocol import Stopped, StopRun
from daq.core.errors import LinkError
from daq.methods.files.load import parse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("instrument", metavar="INSTRUMENT", help="name of the instrument")


def run(args: argparse.Namespace) -> int:
    """Ask the daemon to stop the run; it halts the motor and reads its speed back."""
    state = chosen_state(args)  # other files may have errors: a stop must not fail because of them
    socket = daemon_socket(state)
    if socket is None:
        raise LinkError(f"no daemon holds {state}: nothing is being measured")
    answer = ask(socket, parse(StopRun, {"instrument": args.instrument}), Stopped)
    print("stopping" if answer.stopped else f"nothing is being measured on {args.instrument}")
    return 0
