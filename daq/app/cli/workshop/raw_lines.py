"""``daq lines INSTRUMENT``: show the last raw lines of an instrument that the daemon serves."""

import argparse
from typing import Any

from daq.app.cli.common import chosen_state, print_json
from daq.app.cli.laboratory.acting import given_by, identity_arguments
from daq.app.cli.printing import say
from daq.core.errors import LinkError
from daq.process.stop_request import daemon_socket


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Show the last raw lines between the daemon and an instrument, with age and direction. Compare them with the\n"
        "display and the maker's manual. The daemon keeps them in memory only; `daq capture` writes a file."
    )
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("instrument", metavar="INSTRUMENT", help="name of the instrument")
    parser.add_argument("--last", type=int, default=20, metavar="N", help="show the last N lines (20)")
    parser.add_argument("--json", action="store_true", help="print them as JSON")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print the lines, the newest last; exit code 1 where there is none."""
    # Imported here, because a wrong argument or a missing daemon needs none of them.
    from daq.app.daemon.daemon_client import ask
    from daq.app.daemon.protocol import AskQuery, Queried
    from daq.app.screens.text import plain

    state = chosen_state(args)
    socket = daemon_socket(state)
    if socket is None:
        raise LinkError(f"no daemon holds {state}: no instrument is read; `daq capture PORT` records its lines")
    parameters = {"instrument": args.instrument, "last": args.last}
    found = ask(socket, AskQuery(query="lines", parameters=parameters, by=given_by(args)), Queried).queried
    if args.json:
        print_json(found)
        return 0
    detail = f": {plain(found['detail'])}" if found["detail"] else ""
    say(f"{plain(found['instrument'])} is {found['state']}{detail}")
    for line in found["lines"]:
        say(plain(line["text"]), _lead(line))
    if not found["lines"]:
        say("nothing was sent or received since the daemon started")
    return 0 if found["lines"] else 1


def _lead(line: dict[str, Any]) -> str:
    """Return age, direction and the mark of a line that was cut."""
    return f"{line['age_s']:>9.3f} s ago {'<' if line['way'] == 'received' else '>'} {'... ' if line['cut'] else ''}"
