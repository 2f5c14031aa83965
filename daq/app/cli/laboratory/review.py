"""`daq review MONTH`: repeats, corrections and left-out checks of a month by bench and person."""

import argparse

from daq.app.cli.common import open_reader, print_json, say_more
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.equipment.monthly import COUNTED, ReviewCounts, review
from daq.app.records.transcriptions import NOT_MEASURED
from daq.app.screens.text import plain, spaced


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("month", metavar="MONTH", help="2026-11")
    parser.add_argument("--json", action="store_true", help="print it as JSON")


def run(args: argparse.Namespace) -> int:
    """Print the review and return the exit code."""
    with open_reader(args) as reader:
        found = review(reader, args.month)
    if args.json:
        print_json(found.as_json())
        if found.transcribed_count > len(found.transcribed):
            say_more(len(found.transcribed), "daq day DATE lists the values of one day")
        return 0
    if not found.rows:
        say(f"no runs in {args.month}")
    else:
        head = ["bench", "person", *(spaced(name) for name in COUNTED)]
        rows = [_row(r) for r in found.rows] + [["all", "", *_numbers(found.total)]]
        print_table(head, rows, right=frozenset(range(2, len(head))))
    for o in found.outside:
        of = o.calibration.of
        words = f"the calibration {of.certificate} of {of.piece} on {of.day} found it OUTSIDE of its tolerance: "
        words += (
            f"{o.in_doubt} results in doubt, {o.undecided} without a decision; `daq affected '{of.ident}'` lists them"
        )
        say(plain(words))
    if found.transcribed_count:
        say(f"{NOT_MEASURED}: {found.transcribed_count} values; {found.mismatches} entries of a second person differed")
    return 0


def _row(counts: ReviewCounts) -> list[str]:
    return [plain(counts.instrument), plain(counts.person), *_numbers(counts)]


def _numbers(counts: ReviewCounts) -> list[str]:
    return [str(getattr(counts, name)) for name in COUNTED]
