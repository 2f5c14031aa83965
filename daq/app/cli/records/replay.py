"""``daq replay RUN``: compute a run again from its journal and compare.

Exit codes: 0 the same; 1 something of the record differs; 11 the same, but this daq doubts what an older one did not
look for.
"""

import argparse
import sys
from typing import Any

from daq.app.cli.common import RUN_HELP, archive_argument, open_reader
from daq.app.cli.printing import print_lines, say, terminal_columns
from daq.app.laboratory.named_runs import find_run
from daq.app.records.replaying import Recomputed, recompute
from daq.app.screens.result_screen import result_lines
from daq.app.screens.text import called, digits_of, plain
from daq.app.setup.drivers import Drivers
from daq.quality.digits import number, significant

EXIT_DIFFERS = 1
EXIT_DOUBTED = 11
EXIT_CODES = "exit codes: 0 the same, 1 something differs, 11 the same, but this version of daq doubts more"
DIFFERENCES_SHOWN = 20
MEAN_DIGITS = 4


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXIT_CODES
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument(
        "--flip-bit",
        type=int,
        metavar="N",
        help="turn bit N of a copy of the journal over, to see that the damage is noticed and where",
    )
    archive_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Compare, print differences and doubts, and return the exit code."""
    with open_reader(args) as reader:
        record = find_run(reader, args.run)
        done = recompute(reader, record, Drivers.find(), flip=args.flip_bit)
    say(f"run {record.id}")
    _say_journal(done)
    if done.flipped is None:
        _say_stored(done)
    sys.stdout.flush()
    if not done.same:
        return EXIT_DIFFERS
    return EXIT_DOUBTED if done.doubts else 0


def _say_journal(done: Recomputed) -> None:
    again = done.replay
    if done.broken_chain:
        say(f"the stored journal is damaged: {plain(done.broken_chain)}")
    if done.flipped is not None:
        say(f"bit {done.flipped} of a copy of the journal is turned over; the database is as it was")
    for what, recorded, now in done.versions:
        say(f"recorded with {what} {plain(recorded or 'unknown')}, computed again with {now}")
    for link in again.other_drivers:
        say(f"the driver of {plain(link)} is not the recorded one (its digest differs)")
    if again.damage:
        say(f"damaged: {plain(again.damage)}")
    if again.difference is not None:
        say("the first that differs:")
        _say_indented(str(again.difference))
    if done.changed is not None:
        if done.changed.difference is None:
            say("read over the damage, everything is computed the same")
        else:
            say("read over the damage, the first that differs:")
            _say_indented(str(done.changed.difference))
    if again.same:
        say(f"{again.events} events computed again, {again.effects} effects the same, bit for bit")


def _say_indented(text: str) -> None:
    for line in text.splitlines():
        say(plain(line), "  ")


def _means(kept: dict[str, Any], done: Recomputed) -> list[str]:
    """Return the means of a kept value, derived quantities in the digits that the result supports."""
    header = done.replay.header
    derived = () if header is None else {d.name for d in header.plan.derivations}
    supported = MEAN_DIGITS if done.result is None else digits_of(done.result)
    primary = "" if header is None else header.plan.primary
    means = {name: s["mean"] for name, s in kept["summaries"].items() if s["mean"] is not None}
    return [
        f"{called(name)} {significant(mean, supported) if name in derived or name == primary else number(mean)}"
        for name, mean in means.items()
    ]


def _say_stored(done: Recomputed) -> None:
    for what in done.changed_since:
        say(f"changed since it was stored: {plain(what)}")
    for what in done.missing:
        say(f"missing in this database: {what}; computed again from the journal:")
    if done.missing:
        for k in done.kept:
            say(f"kept: step {k['step'] + 1}, at {k['at']}: {', '.join(_means(k, done))}", "  ")
        if done.result is not None:
            print_lines([[("  ", ""), *line] for line in result_lines(done.result, (terminal_columns() or 100) - 2)])
        return
    for where, stored, again in done.differences[:DIFFERENCES_SHOWN]:
        say(f"differs: {plain(where)}: stored {plain(stored)!s:.80}, computed again {plain(again)!s:.80}")
    if len(done.differences) > DIFFERENCES_SHOWN:
        say(f"and {len(done.differences) - DIFFERENCES_SHOWN} more")
    if done.same and done.result is not None:
        how = "within 1e-9, under other versions or on another processor" if done.versions else "bit for bit"
        kept = f"{len(done.kept)} kept values, bit for bit the same" if done.kept else "no kept values to compare"
        say(f"{kept}; the result the same, {how}")
    for doubt in done.doubts:
        say(f"this version of daq also doubts: {plain(doubt.text)}")
    if done.doubts and done.same:
        say(
            "nothing of the record was changed: the version that recorded it did not look for this; judge the value, "
            "and repeat or annul the run if the doubt is right"
        )
