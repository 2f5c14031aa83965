"""`daq token`: add, list and revoke the tokens by which programs use the page's interface."""

import argparse
from datetime import datetime
from typing import Any, Final, get_args

from daq.app.cli.common import open_reader, print_json
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.programs.tokens import list_tokens
from daq.app.screens.text import plain
from daq.laboratory.tokens import TokenRole

EXAMPLES: Final = """\
examples:
  daq token add line-display --role look
  daq token add sample-registry --role measure --until 2027-06-30
  daq token revoke line-display --because "the display was replaced"

A program sends the token as `Authorization: Bearer TOKEN` to /api/v1 of the page.  It is printed once; only its hash is
stored.  A program reads, adds samples and works at a bench; it signs, releases, corrects and decides nothing.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add a parser for each part."""
    parser.epilog = EXAMPLES
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True)
    one = parts.add_parser("add", help="add a token, and print it once")
    one.add_argument("id", metavar="NAME", help="name of the program: letters a-z, digits, hyphens")
    one.add_argument("--role", required=True, choices=get_args(TokenRole))
    one.add_argument("--until", default=None, metavar="DAY", help="last day (otherwise without end)")
    identity_arguments(one)
    one = parts.add_parser("list", help="list all tokens with the day of their last use")
    one.add_argument("--json", action="store_true", help="print them as JSON")
    one = parts.add_parser("revoke", help="refuse a token from now on")
    one.add_argument("id", metavar="NAME")
    one.add_argument("--because", required=True, metavar="TEXT")
    identity_arguments(one)


def run(args: argparse.Namespace) -> int:
    """Run the part and return its exit code."""
    if args.part == "list":
        return _list(args)
    if args.part == "revoke":
        perform(args, "token_revoke", {"id": args.id, "because": args.because})
        say(f"the token {plain(args.id)} is refused from now on")
        return 0
    done = perform(args, "token_add", {"id": args.id, "role": args.role, "until": args.until})
    say(done["token"])
    say("keep it where only the program reads it; it is not shown again")
    return 0


def _list(args: argparse.Namespace) -> int:
    with open_reader(args) as reader:
        found = list_tokens(reader, datetime.now().astimezone().date().isoformat())
    if args.json:
        print_json(found)
    elif not found:
        say("no tokens; a person who administers adds one: `daq token add`")
    else:
        print_table(["name", "role", "until", "state", "last use"], [_row(token) for token in found])
    return 0


def _row(token: dict[str, Any]) -> list[str]:
    return [plain(token["id"]), token["role"], token["until"] or "", token["state"], token["used"] or "never"]
