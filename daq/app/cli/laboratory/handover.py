"""`daq handover`: list what the shift leaves, and hand it over."""

import argparse
import time
from typing import Any, Final

from daq.adapters.paths import config_dir
from daq.app.cli.common import count_of, open_reader, print_json, say_more
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.bench.handing_over import left_over
from daq.app.screens.text import local_time, plain
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode

WORDS = {
    "run": "run in progress",
    "fill": "filled vessel at the bench",
    "cup": "cup in the bath",
    "discard": "fill to discard",
    "cause": "repeat, waits for an assigned cause",
    "repeat": "measured, a result is missing",
    "control": "control that has not passed",
}
"""Words of a thing that a shift leaves."""
LISTED: Final = 50
"""Number of open things that are listed where no other number is asked for."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "--done",
        action="store_true",
        help="record the list as handed over; level, zero and required controls are due again",
    )
    parser.add_argument("--remark", default="", metavar="TEXT", help="a text for the next shift (with --done)")
    parser.add_argument(
        "--limit", type=count_of, default=LISTED, metavar="N", help=f"list at most N of them ({LISTED})"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """List what the shift leaves."""
    found: list[dict[str, Any]]
    if args.done:
        found = perform(args, "handover", {"remark": args.remark})["listed"]
    else:
        with open_reader(args) as reader:
            catalogue = Catalogue.load(config_dir(args.config), "instruments", "products")
            found = [encode(f) for f in left_over(reader, catalogue, time.time_ns())]
    shown = found[: args.limit]
    if args.json:
        print_json(shown)
        if len(found) > len(shown):
            say_more(args.limit)
        return 0
    if not found:
        say("nothing is open")
    else:
        rows = [
            [
                WORDS[f["what"]],
                plain(f["bench"]),
                plain(f["sample"]),
                f["run"][:8],
                local_time(f["since_utc_ns"]) if f["since_utc_ns"] else "",
            ]
            for f in shown
        ]
        print_table(["open", "bench", "sample", "run", "since"], rows)
        if len(found) > len(shown):
            say(f"and {len(found) - len(shown)} more: go on with a greater --limit")
    if args.done:
        say("the shift is handed over; level, zero and required controls are due at every bench")
    return 0
