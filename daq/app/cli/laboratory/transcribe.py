"""`daq transcribe`: enter a value that was read by eye, confirm one as the second person, and list them."""

import argparse
import sys
from typing import Final

from daq.app.cli.common import count_of, open_reader, print_json, say_more
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import say
from daq.app.records.transcriptions import NOT_MEASURED, not_confirmed, of_sample
from daq.app.screens.text import plain
from daq.core.errors import SettingError

EXAMPLES: Final = """\
examples:
  daq transcribe G-1042 --test "flow cup" --value "34.5 s"
  daq transcribe G-1042 --test "flow cup" --confirm           the second person; the value is asked for
  daq transcribe G-1042 --test "sieve residue" --value "0.12 %" --read-at 09:40 --remark "power failure"
  daq transcribe                                              values that wait for a second person

A value is shown only after a second person has entered the same one. It never counts as measured.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("sample", nargs="?", default="", metavar="SAMPLE", help="without it: all that wait")
    parser.add_argument("--test", default="", metavar="TEXT", help='the test, such as "flow cup"')
    parser.add_argument(
        "--value", default="", metavar="VALUE", help="the value with its unit (otherwise it is asked for)"
    )
    parser.add_argument("--replicate", type=int, default=1, metavar="N", help="number of the reading of this test (1)")
    parser.add_argument("--confirm", action="store_true", help="enter the value as the second person")
    parser.add_argument("--read-at", default="", metavar="TIME", help="when it was read: 14:30 (otherwise now)")
    parser.add_argument("--remark", default="", metavar="TEXT", help="why it is entered by hand")
    parser.add_argument("--because", default="", metavar="TEXT", help="reason of a change of what was entered")
    parser.add_argument("--limit", type=count_of, default=100, metavar="N", help="list at most N values (100)")
    parser.add_argument("--json", action="store_true", help="print a list as JSON")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Enter, confirm or list, and return the exit code."""
    if not args.test:
        if args.confirm or args.value:
            raise SettingError("is missing: the test, such as 'flow cup'", key="--test")
        return _list(args)
    if not args.sample:
        raise SettingError("is missing: the id of the sample", key="SAMPLE")
    order = {"sample": args.sample, "test": args.test, "replicate": args.replicate, "value": args.value or _asked()}
    if args.confirm:
        done = perform(args, "transcribe_confirm", order)
        say(plain(f"{done['test']} of sample {done['sample']} is confirmed: {done['value']}"))
        return 0
    more = {"read_at": args.read_at, "remark": args.remark, "because": args.because}
    done = perform(args, "transcribe", order | more)
    say(plain(f"{done['test']} of sample {done['sample']} is entered; it waits for a second person:"))
    say(plain(f'daq transcribe {done["sample"]} --test "{done["test"]}" --confirm'), "  ")
    return 0


def _asked() -> str:
    if not sys.stdin.isatty():
        raise SettingError("is missing, and there is no terminal to ask on", key="--value")
    return input("value with its unit: ").strip()


def _list(args: argparse.Namespace) -> int:
    with open_reader(args) as reader:
        most = args.limit + 1
        found = of_sample(reader, args.sample) if args.sample else not_confirmed(reader, limit=most)
    more, found = len(found) > args.limit, found[: args.limit]
    if more:
        say_more(args.limit)
    if args.json:
        print_json([t.as_json() for t in found])
        return 0
    say(NOT_MEASURED if found else "nothing was entered" if args.sample else "nothing waits for a second person")
    for value in found:
        say(plain(value.words), "  ")
    return 0
