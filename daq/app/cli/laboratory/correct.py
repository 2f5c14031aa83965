"""`daq correct`: correct the declaration of a run; its first result stays."""

import argparse
from typing import Any, Final

from daq.app.cli.common import RUN_HELP, wanted_path
from daq.app.cli.laboratory.acting import given_by, identity_arguments, perform, say_withdrawn
from daq.app.cli.printing import say
from daq.app.screens.text import plain, spaced
from daq.core.errors import SettingError
from daq.quality.digits import SHOWN_ID

EXAMPLES: Final = """\
examples:
  daq correct 3f2a --sample G-1042 --because "mistyped"
  daq correct last --product clear-glaze --lot 2211 --because "label of the other bucket"
  daq correct 3f2a --geometry coaxial-15 --because "the other cylinder was fitted"
"""
_FACTS: Final = ("sample", "product", "lot", "sampled_at", "operator", "geometry", "fluid")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("run", metavar="RUN", help=RUN_HELP)
    parser.add_argument("--because", required=True, metavar="TEXT", help="the reason")
    parser.add_argument("--sample", metavar="ID")
    parser.add_argument("--product", metavar="ID", help="its limits and unit are those of its file; '' for none")
    parser.add_argument("--lot", metavar="LOT", help="'' for none")
    parser.add_argument("--sampled", dest="sampled_at", metavar="TIME", help="14:20, or a day with a time")
    parser.add_argument("--operator", metavar="NAME", help="the person who measured; the login of the order stays")
    parser.add_argument(
        "--geometry", metavar="NAME", help="the geometry that was fitted; values are computed from the readings again"
    )
    parser.add_argument("--fluid", metavar="ID", help="the reference fluid that was measured")
    parser.add_argument("--result", default="", metavar="ID", help="refuse unless this is the newest result of the run")
    parser.add_argument(
        "--archive",
        metavar="FILE",
        type=wanted_path,
        help="archive with the journal, which the daemon must be able to read",
    )
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Correct the run; where value or verdict change, as a reviewer."""
    facts = {name: getattr(args, name) for name in _FACTS if getattr(args, name) is not None}
    if not facts:
        raise SettingError("say what is to be corrected: --sample, --product, --lot, --sampled, --operator, --geometry")
    order = facts | {"run": args.run, "because": args.because, "result": args.result}
    if args.archive is not None:
        order["archive"] = str(args.archive.absolute())
    given = given_by(args)
    done = perform(args, "run_correct", order, given)
    if "needs_review" in done:
        done = perform(args, "run_correct_reviewed", order, given)
    _say(done)
    return 0


def _say(done: dict[str, Any]) -> None:
    say(f"run {done['run'][:SHOWN_ID]} is corrected; result {done['result']} supersedes {done['supersedes']}")
    for c in done["changes"]:
        say(f"{spaced(c['name'])}: {plain(c['before']) or 'none'} -> {plain(c['after']) or 'none'}", "  ")
    changed = ", ".join(spaced(name) for name in done["changed"])
    say(f"changed with it: {changed}" if changed else "value and verdict stay", "  ")
    say_withdrawn(done)
