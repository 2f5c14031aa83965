"""`daq sample`: add, list, show, change, cancel, import and export samples, and draw their labels."""

import argparse
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from daq.adapters.clock import SystemClock
from daq.adapters.paths import config_dir
from daq.adapters.store.reading import Reader
from daq.app.cli.common import count_of, open_reader, print_json, say_more, wanted_path
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import print_table, say
from daq.app.cli.samples.sample_texts import head_of, print_sample, row_of, sample_json
from daq.app.laboratory.lists.sample_lists import all_samples, discard_due, worklist
from daq.app.screens.text import plain
from daq.core.errors import SettingError
from daq.laboratory.samples import ROUTINE, Sample

EXAMPLES: Final = """\
examples:
  daq sample add G-1042 --product clear-glaze --lot 2211 --sampled 14:20 --retain "shelf 3" --discard 2027-03-31
  daq sample add G-1043 --rework-of G-1042 --added "200 mL water"
  daq sample list --bench bench-1
  daq sample list --discard-due
  daq sample change G-1042 --lot 2212 --because "read again"
  daq sample cancel G-1042 --because "spilled"
  daq sample import samples.csv --preview
  daq sample label G-1042 --svg G-1042.svg
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add a parser for each part."""
    parser.epilog = EXAMPLES
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True)
    one = parts.add_parser("add", help="add a sample")
    one.add_argument("id", metavar="ID")
    _fields(one, None)
    one.add_argument("--rework-of", default="", metavar="ID", help="earlier sample of a batch that was corrected")
    one.add_argument("--added", default="", metavar="TEXT", help="material that was added to that batch")
    identity_arguments(one)
    one = parts.add_parser("change", help="change a sample; its earlier states are kept")
    one.add_argument("id", metavar="ID")
    _fields(one, None)
    one.add_argument("--discarded", action="store_true", help="the retained part was discarded")
    one.add_argument("--because", required=True, metavar="TEXT")
    identity_arguments(one)
    one = parts.add_parser("list", help="list the open samples of a bench, in the order of the worklist")
    one.add_argument("--bench", default="", metavar="NAME")
    one.add_argument("--all", action="store_true", help="samples in any state, by id")
    one.add_argument("--discard-due", action="store_true", help="samples whose retained part may be discarded today")
    one.add_argument("--limit", type=count_of, default=50, metavar="N", help="at most N samples (50)")
    one.add_argument("--json", action="store_true", help="print them as JSON")
    one = parts.add_parser("show", help="show a sample with its runs")
    one.add_argument("id", metavar="ID")
    one.add_argument("--json", action="store_true", help="print it as JSON")
    for name, text in (
        ("cancel", "take a sample off the worklist"),
        ("again", "put a sample that is done or cancelled on the worklist again"),
    ):
        one = parts.add_parser(name, help=text)
        one.add_argument("id", metavar="ID")
        one.add_argument("--because", required=True, metavar="TEXT")
        identity_arguments(one)
    one = parts.add_parser("import", help="add the samples of a CSV file, all or none")
    one.add_argument("file", metavar="FILE", type=wanted_path)
    one.add_argument("--preview", action="store_true", help="check and show them; nothing is stored")
    identity_arguments(one)
    one = parts.add_parser("export", help="write all samples as CSV or JSON")
    one.add_argument("--format", choices=("csv", "json"), default="csv", help="how to write them (csv)")
    one.add_argument("-o", "--output", metavar="FILE", type=wanted_path, help="a new file (otherwise standard output)")
    one = parts.add_parser("label", help="draw the label of a sample, with its id as a QR code")
    one.add_argument("id", metavar="ID")
    one.add_argument("--svg", required=True, metavar="FILE", type=wanted_path, help="a new file")


def _fields(parser: argparse.ArgumentParser, default: Any) -> None:
    """Add the arguments that `add` and `change` have in common."""
    for name, dest, metavar, text in (
        ("--product", "product", "ID", "product, for method, unit, limits and advice"),
        ("--lot", "lot", "LOT", "batch"),
        ("--sampled", "sampled_at", "TIME", "14:20 (the latest one), or a day with a time"),
        ("--due", "due", "TIME", "when the result is needed"),
        ("--condition", "condition", "TEXT", "condition on receipt"),
        ("--received-by", "received_by", "NAME", "person who received it"),
        ("--retain", "retain", "PLACE", "place of the retained part"),
        ("--discard", "discard_on", "DAY", "day from which the retained part may be discarded, as 2027-03-31"),
        ("--bench", "bench", "NAME", "instrument whose worklist it is on (otherwise any)"),
        ("--remark", "remark", "TEXT", "remark"),
    ):
        parser.add_argument(name, dest=dest, default=default, metavar=metavar, help=text)
    parser.add_argument(
        "--priority", type=int, default=default, metavar="N", help=f"1 (first) to 9 (last); otherwise {ROUTINE}"
    )


def run(args: argparse.Namespace) -> int:
    """Run the part and return its exit code."""
    if args.part in ("import", "export", "label"):
        from daq.app.cli.samples.sample_files import draw_label, export_samples, import_file

        files = {"import": import_file, "export": export_samples, "label": draw_label}
        return files[args.part](args)
    parts = {
        "add": _add,
        "change": _change,
        "list": _list,
        "show": _show,
        "cancel": _close,
        "again": _close,
    }
    return parts[args.part](args)


_FIELDS: Final = ("product", "lot", "sampled_at", "due", "condition", "received_by", "bench", "priority", "remark")


def _given(args: argparse.Namespace, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: value for name in ("id", *names) if (value := getattr(args, name)) is not None}


def _add(args: argparse.Namespace) -> int:
    order = _given(args, _FIELDS)
    if bool(args.rework_of) != bool(args.added):
        raise SettingError(
            "go together: the earlier sample, and the material that was added", key="--rework-of, --added"
        )
    if args.rework_of:
        order["rework"] = {"of": args.rework_of, "added": args.added}
    if args.discard_on and not args.retain:
        raise SettingError("needs --retain: the place of the retained part", key="--discard")
    if args.retain:
        order["retained"] = {"place": args.retain} | ({"discard_on": args.discard_on} if args.discard_on else {})
    perform(args, "sample_add", order)
    say(f"sample {plain(args.id)} is added")
    return 0


def _change(args: argparse.Namespace) -> int:
    order = _given(args, (*_FIELDS, "retain", "discard_on", "because"))
    perform(args, "sample_change", order | {"discarded": args.discarded})
    say(f"sample {plain(args.id)} is changed")
    return 0


def _close(args: argparse.Namespace) -> int:
    perform(args, f"sample_{args.part}", {"id": args.id, "because": args.because})
    say(f"sample {plain(args.id)} is {'cancelled' if args.part == 'cancel' else 'open again'}")
    return 0


def _list(args: argparse.Namespace) -> int:
    now = datetime.fromtimestamp(SystemClock().utc_ns() / 1e9).astimezone()
    with open_reader(args) as reader:
        most = args.limit + 1
        if args.discard_due:
            found = discard_due(reader, now.date().isoformat(), limit=most)
        elif args.all:
            found = all_samples(reader, limit=most)
        else:
            found = worklist(reader, args.bench, limit=most, suits=_suits(args, reader))
    more, found = len(found) > args.limit, found[: args.limit]
    if args.json:
        print_json([sample_json(k) for k in found])
    elif not found:
        say(
            "no retained part is due to be discarded"
            if args.discard_due
            else "no samples"
            if args.all
            else "no open samples"
        )
    else:
        head = head_of(discard=args.discard_due)
        rows = [row_of(k.record, now, discard=args.discard_due) for k in found]
        print_table(head, rows, right=frozenset() if args.discard_due else frozenset({5}))
    if more:
        say_more(args.limit)
    return 0


def _suits(args: argparse.Namespace, reader: Reader) -> Callable[[Sample], bool] | None:
    """Return the function that tells whether the named bench can measure a sample; None without a bench."""
    if not args.bench:
        return None
    from daq.app.laboratory.ordering import suits
    from daq.app.setup.catalogue import Catalogue

    catalogue = Catalogue.load(config_dir(args.config), "instruments", "methods", "products")
    return suits(catalogue, catalogue.instrument(args.bench).name, reader)


def _show(args: argparse.Namespace) -> int:
    with open_reader(args) as reader:
        print_sample(reader, args.id, as_json=args.json)
    return 0
