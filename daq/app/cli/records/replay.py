"""``daq replay RUN``: compute a run again from its journal and compare."""

import argparse
import sys

from daq.app.cli.common import RUN_HELP, find_run, open_reader
from daq.app.cli.printing import say, terminal_columns
from daq.app.records.replaying import Recomputed, recompute
from daq.app.screens.live import print_lines
from daq.app.screens.result_screen import result_lines
from daq.app.screens.text import plain
from daq.app.setup.drivers import Drivers
from daq.quality.digits import number

EXIT_DIFFERS = 1
DIFFERENCES_SHOWN = 20


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument(
        "--flip-bit",
        type=int,
        metavar="N",
        help="turn bit N of a copy of the journal over, to see that the damage is noticed and where",
    )


def run(args: argparse.Namespace) -> int:
    """Compare and print the differences; 0 where there is none, otherwise 1."""
    with open_reader(args) as reader:
        record = find_run(reader, args.run)
        done = recompute(reader, record, Drivers.find(), flip=args.flip_bit)
    say(f"run {record.id}")
    _say_journal(done)
    if done.flipped is None:
        _say_stored(done)
    sys.stdout.flush()
    return 0 if done.same else EXIT_DIFFERS


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


def _say_stored(done: Recomputed) -> None:
    for what in done.missing:
        say(f"missing in this database: {what}; computed again from the journal:")
    if done.missing:
        for k in done.kept:
            means = [
                f"{plain(name)} {number(s['mean'], 6)}" for name, s in k["summaries"].items() if s["mean"] is not None
            ]
            say(f"kept: step {k['step'] + 1}, at {k['at']}: {', '.join(means)}", "  ")
        if done.result is not None:
            print_lines([[("  ", ""), *line] for line in result_lines(done.result, (terminal_columns() or 100) - 2)])
        return
    for where, stored, again in done.differences[:DIFFERENCES_SHOWN]:
        say(f"differs: {plain(where)}: stored {plain(stored)!s:.80}, computed again {plain(again)!s:.80}")
    if len(done.differences) > DIFFERENCES_SHOWN:
        say(f"and {len(done.differences) - DIFFERENCES_SHOWN} more")
    if done.same and done.result is not None:
        how = "within 1e-9, under other versions" if done.versions else "bit for bit"
        say(f"{len(done.kept) or 'no'} kept values, bit for bit the same; the result the same, {how}")
