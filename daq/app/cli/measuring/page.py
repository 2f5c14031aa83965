"""`daq page`: the page for bench and desk, in a process of its own."""

import argparse
import os

from daq.process.extras import need
from daq.process.pagechild import page_command

EPILOG = """\
The page reaches the daemon through its socket, and opens no database. The address is that of [page] in daemon.toml,
otherwise 127.0.0.1:8042. Another address than loopback needs a certificate there, and people switched on.
Without people, runs start from a browser that is paired with their bench: on its screen, or by --pair, whose address
is good once, within an hour.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("--listen", metavar="ADDRESS:PORT", help="address instead of that in daemon.toml")
    parser.add_argument(
        "--pair", metavar="BENCH", help="print an address that pairs the browser which opens it with this bench"
    )
    parser.add_argument("--own", metavar="DIR", help="folder of the page's signing key (otherwise page/ in the state)")


def run(args: argparse.Namespace) -> int:
    """Become the process of the page."""
    need("fastapi", "the page")
    need("jinja2", "the page")
    need("uvicorn", "the page")
    need("youplot", "the page")
    command = page_command(config=args.config, state=args.state, own=args.own, listen=args.listen, pair=args.pair)
    os.execv(command[0], command)  # noqa: S606 - our own program
