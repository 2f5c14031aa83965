"""`daq affected`: list the results that a check or a calibration puts in doubt, and decide about one."""

import argparse
from typing import Any, Final

from daq.app.cli.common import open_reader, print_json
from daq.app.cli.laboratory.acting import identity_arguments, perform, say_withdrawn
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.signing.affected_runs import affected
from daq.app.records.run_rows import Entry, value_of
from daq.app.screens.text import local_time, plain, spaced
from daq.core.encoding import encode
from daq.core.errors import SettingError
from daq.quality.digits import NOTHING, SHOWN_ID

EXAMPLES: Final = """\
examples:
  daq affected 9c1d
  daq affected 9c1d --run 3f2a --uncertain --because "the torque was 3 % low"
  daq affected 9c1d --run 3f2a --upheld --because "measured again on bench-2: the same value"
  daq affected 'bench-1/coaxial-12@2026-11-20'     a calibration that found the piece outside of its tolerance

Until a person decides, none of these results can be released. A verification that was itself wrong, such as one with
the wrong fluid, is corrected or annulled; then it blocks nothing.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument(
        "verification",
        metavar="RUN|PIECE@DAY",
        help="the run of the failed verification or control, or the calibration",
    )
    parser.add_argument("--run", default="", metavar="RUN", help="decide about this run")
    decision = parser.add_mutually_exclusive_group()
    decision.add_argument(
        "--uncertain",
        dest="decision",
        action="store_const",
        const="uncertain",
        help="publish it again as Uncertain",
    )
    decision.add_argument(
        "--upheld",
        dest="decision",
        action="store_const",
        const="upheld",
        help="it can be released all the same",
    )
    parser.add_argument("--because", default="", metavar="TEXT", help="the reason of the decision")
    parser.add_argument("--json", action="store_true", help="print the list as JSON")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """List the results, or decide about one."""
    if bool(args.run) != bool(args.decision) or bool(args.run) != bool(args.because):
        raise SettingError("a decision is --run RUN, --uncertain or --upheld, and --because TEXT")
    if args.run:
        order = {
            "run": args.run,
            "verification": args.verification,
            "decision": args.decision,
            "because": args.because,
        }
        done = perform(args, "doubt_decide", order)
        new = f"; result {done['result']} supersedes {done['supersedes']}" if "result" in done else ""
        say(f"run {done['run'][:SHOWN_ID]}: {spaced(done['decision'])}{new}")
        say_withdrawn(done)
        return 0
    with open_reader(args) as reader:
        rows = affected(reader, args.verification)
    if args.json:
        print_json([encode(e) | {"decision": decision} for e, decision in rows])
    elif not rows:
        say("no result is in doubt by it")
    else:
        print_table(
            ["run", "started", "sample", "product", "value", "validity", "release", "decision"],
            [_row(e, decision) for e, decision in rows],
            right=frozenset({4}),
        )
    return 0


def _row(e: Entry, decision: str | None) -> list[str]:
    cells: list[Any] = [
        e.run[:SHOWN_ID],
        local_time(e.began_utc_ns),
        e.sample,
        e.product or NOTHING,
        value_of(e),
        spaced(e.validity or NOTHING),
        spaced(e.release or NOTHING),
        decision or NOTHING,
    ]
    return [plain(cell) for cell in cells]
