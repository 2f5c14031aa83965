"""`daq note`: add a note to a run, during it or after it."""

import argparse

from daq.app.cli.common import RUN_HELP
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import say
from daq.quality.digits import SHOWN_ID


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument("text", metavar="TEXT", help="the note; `daq show` and `daq export --what notes` have it")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Add the note."""
    done = perform(args, "note_add", {"run": args.run, "text": args.text})
    say(f"the note is added to run {done['run'][:SHOWN_ID]}")
    return 0
