"""`daq sample`: add, list, show and cancel samples."""

import argparse
from typing import Any, Final

from daq.app.cli.common import open_reader, print_json
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.laboratory import Kept
from daq.app.laboratory.samples import sample, worklist
from daq.app.screens.text import plain
from daq.core.errors import SettingError
from daq.laboratory.samples import ROUTINE, Sample

EXAMPLES: Final = """\
examples:
  daq sample add G-1042 --product clear-glaze --lot 2211 --sampled 14:20
  daq sample add G-1043 --rework-of G-1042 --added "200 mL water"
  daq sample list --bench bench-1
  daq sample cancel G-1042 --because "spilled"
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add a parser for each part."""
    parser.epilog = EXAMPLES
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True)
    one = parts.add_parser("add", help="add a sample")
    one.add_argument("id", metavar="ID")
    one.add_argument("--product", default="", metavar="ID")
    one.add_argument("--lot", default="", metavar="LOT")
    one.add_argument("--sampled", dest="sampled_at", default="", metavar="TIME", help="14:20, or a day with a time")
    one.add_argument("--due", default="", metavar="TIME", help="when the result is needed")
    one.add_argument("--condition", default="", metavar="TEXT", help="condition on receipt")
    one.add_argument("--received-by", default="", metavar="NAME")
    one.add_argument("--bench", default="", metavar="NAME", help="instrument whose worklist it is on (otherwise any)")
    one.add_argument("--priority", type=int, default=ROUTINE, metavar="N", help="1 (first) to 9 (last); otherwise 5")
    one.add_argument("--remark", default="", metavar="TEXT")
    one.add_argument("--rework-of", default="", metavar="ID", help="earlier sample of a batch that was corrected")
    one.add_argument("--added", default="", metavar="TEXT", help="material that was added to that batch")
    identity_arguments(one)
    one = parts.add_parser("list", help="list the open samples of a bench, in the order of the worklist")
    one.add_argument("--bench", default="", metavar="NAME")
    one.add_argument("--limit", type=int, default=50, metavar="N")
    one.add_argument("--json", action="store_true", help="print them as JSON")
    one = parts.add_parser("show", help="show a sample")
    one.add_argument("id", metavar="ID")
    one.add_argument("--json", action="store_true", help="print it as JSON")
    one = parts.add_parser("cancel", help="take a sample off the worklist")
    one.add_argument("id", metavar="ID")
    one.add_argument("--because", required=True, metavar="TEXT")
    identity_arguments(one)


def run(args: argparse.Namespace) -> int:
    """Run the part and return its exit code."""
    return {"add": _add, "list": _list, "show": _show, "cancel": _cancel}[args.part](args)


_ORDERED: Final = (
    "id",
    "product",
    "lot",
    "sampled_at",
    "due",
    "condition",
    "received_by",
    "bench",
    "priority",
    "remark",
)


def _add(args: argparse.Namespace) -> int:
    order: dict[str, Any] = {name: getattr(args, name) for name in _ORDERED}
    if bool(args.rework_of) != bool(args.added):
        raise SettingError(
            "go together: the earlier sample, and the material that was added", key="--rework-of, --added"
        )
    if args.rework_of:
        order["rework"] = {"of": args.rework_of, "added": args.added}
    perform(args, "sample_add", order)
    say(f"sample {plain(args.id)} is added")
    return 0


def _cancel(args: argparse.Namespace) -> int:
    perform(args, "sample_cancel", {"id": args.id, "because": args.because})
    say(f"sample {plain(args.id)} is cancelled")
    return 0


def _list(args: argparse.Namespace) -> int:
    with open_reader(args) as reader:
        found = worklist(reader, args.bench, limit=args.limit)
    if args.json:
        print_json([_json(k) for k in found])
    elif not found:
        say("no open samples")
    else:
        head = ["sample", "product", "lot", "sampled", "due", "priority", "remark"]
        print_table(head, [_row(k.record) for k in found], right=frozenset({5}))
    return 0


def _row(s: Sample) -> list[str]:
    return [plain(v) for v in (s.id, s.product, s.lot, s.sampled_at, s.due, str(s.priority), s.remark)]


def _show(args: argparse.Namespace) -> int:
    with open_reader(args) as reader:
        kept = sample(reader, args.id)
    if kept is None:
        raise SettingError(f"there is no sample {args.id!r}; `daq sample list` lists the open ones")
    if args.json:
        print_json(_json(kept))
        return 0
    for name, value in kept.record.model_dump(mode="json", exclude_defaults=True).items():
        say(plain(str(value)), f"{name.replace('_', ' ')}: ")
    say(
        f"{kept.what.replace('_', ' ')} by {plain(kept.who)}"
        + (f" because {plain(kept.because)}" if kept.because else "")
    )
    return 0


def _json(kept: Kept[Sample]) -> dict[str, Any]:
    return kept.record.model_dump(mode="json") | {"revision": kept.revision, "changed_by": kept.who}
