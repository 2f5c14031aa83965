"""`daq annul`: annul a run, so that it does not count any more; everything of it stays."""

import argparse

from daq.app.cli.common import RUN_HELP
from daq.app.cli.laboratory.acting import identity_arguments, perform, say_withdrawn
from daq.app.cli.printing import say
from daq.quality.digits import SHOWN_ID


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument("--because", required=True, metavar="TEXT", help="the reason")
    parser.add_argument("--result", default="", metavar="ID", help="refuse unless this is the newest result of the run")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Annul the run."""
    done = perform(args, "run_annul", {"run": args.run, "because": args.because, "result": args.result})
    say(f"run {done['run'][:SHOWN_ID]} is annulled; result {done['result']} supersedes {done['supersedes']}")
    say_withdrawn(done)
    return 0
