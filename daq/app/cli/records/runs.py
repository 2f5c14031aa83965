"""``daq runs``: search and list the runs."""

import argparse
import sys
import time

from daq.app.cli.common import count_of, open_reader
from daq.app.cli.printing import hung, say, terminal_columns
from daq.app.cli.run_list import print_runs
from daq.app.records.run_rows import entry
from daq.app.records.searching import OUTCOMES, RunSearch, absent, search
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import NOT_MEASURED, of_sample
from daq.app.screens.text import local_time, plain
from daq.process.moments import bound
from daq.quality.limits import Verdict

EXAMPLES = """\
examples:
  daq runs --product clear-glaze --verdict outside --since 2026-11-01
  daq runs --lot 2211 --operator m.keeper --limit 100
  daq runs --since 06:00 --outcome stopped --json
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("--instrument", default="", metavar="NAME", help="only runs on this instrument")
    parser.add_argument("--sample", default="", metavar="ID", help="only runs of this sample")
    parser.add_argument("--product", default="", metavar="ID", help="only runs of this product")
    parser.add_argument("--lot", default="", metavar="LOT", help="only runs of this lot")
    parser.add_argument("--operator", default="", metavar="NAME", help="only runs of this person")
    parser.add_argument("--since", default="", metavar="TIME", help="only runs started from then on: 06:00, or a day")
    parser.add_argument("--until", default="", metavar="TIME", help="only runs started until then")
    parser.add_argument("--verdict", default="", choices=[v.value for v in Verdict], help="of the newest result")
    parser.add_argument("--outcome", default="", choices=OUTCOMES, help="how the run ended")
    parser.add_argument("--limit", type=count_of, default=20, metavar="N", help="at most N runs, newest first (20)")
    parser.add_argument("--json", action="store_true", help="print them as JSON")


def run(args: argparse.Namespace) -> int:
    """Print the newest runs first."""
    now = time.time_ns()
    asked = RunSearch(
        sample=args.sample,
        lot=args.lot,
        product=args.product,
        operator=args.operator,
        instrument=args.instrument,
        outcome=args.outcome,
        verdict=args.verdict,
        since_utc_ns=bound(args.since, now, "--since", end=False),
        until_utc_ns=bound(args.until, now, "--until", end=True),
    )
    with open_reader(args) as reader:
        found = search(reader, asked, limit=args.limit)
        releases = Releases(reader)
        entries = [entry(reader, record, releases) for record in found.runs]
        by_hand = [t for s in dict.fromkeys([args.sample, *(e.sample for e in entries)]) for t in of_sample(reader, s)]
        missing = absent(reader, asked) if not entries and not args.json else []
    if entries or args.json:
        print_runs(entries, as_json=args.json)
    else:
        say("no runs" if asked == RunSearch() else "no runs satisfy all of this")
        for line in missing:
            print("\n".join(hung(line, "  ", terminal_columns())))
    if by_hand and not args.json:
        say(NOT_MEASURED)
        for value in by_hand:
            say(plain(value.words), "  ")
    if found.reached_utc_ns is not None:
        when = local_time(found.reached_utc_ns)
        more = f"{found.examined} runs were examined, back to {when}; older ones were not: go on with --until {when!r}"
        print(f"daq: {more}", file=sys.stderr)
    return 0
