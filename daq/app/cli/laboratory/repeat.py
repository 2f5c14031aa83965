"""`daq repeat`: assign a cause to a valid result outside its limits, so that its sample may be measured again."""

import argparse
from typing import get_args

from daq.app.cli.common import RUN_HELP
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import say
from daq.app.screens.text import plain
from daq.laboratory.bench.repeatcause import Cause


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument("--cause", required=True, choices=get_args(Cause), help="the assigned cause")
    parser.add_argument("--because", required=True, metavar="TEXT", help="the reason, for the audit trail")
    parser.add_argument(
        "--sample", default="", metavar="ID", help="the sample that waits, where a correction gave the run to another"
    )
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Assign the cause; the person needs the role review."""
    order = {"run": args.run, "cause": args.cause, "because": args.because, "sample": args.sample}
    done = perform(args, "repeat_assign", order)
    say(f"sample {plain(done['sample'])} may be measured once more; the result of run {done['run'][:8]} stays")
    return 0
