"""`daq report`: the record of a run or a sample as PDF, or its certificate for a customer."""

import argparse
import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from daq.app.cli.common import new_file, wanted_path
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import say
from daq.app.screens.text import plain
from daq.core.errors import SettingError

EXAMPLES: Final = """\
examples:
  daq report 3f2a -o record.pdf
  daq report G-1042 --certificate --customer "Tile works, Kiln Street 2" -o G-1042.pdf

name, address and logo of the works: reports/works.toml in the configuration folder
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("of", metavar="RUN|SAMPLE", help="a run (its id, a beginning of it, 'last') or a sample")
    parser.add_argument("-o", "--output", metavar="FILE", type=wanted_path, required=True, help="a new PDF file")
    parser.add_argument("--certificate", action="store_true", help="one page for a customer (role review)")
    parser.add_argument("--customer", default="", metavar="TEXT", help="with --certificate: name of the customer")
    parser.add_argument(
        "--result", default="", metavar="ID", help="with --certificate: refuse unless this is the newest result"
    )
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Make the report."""
    if not args.certificate and (args.customer or args.result):
        raise SettingError("go with --certificate", key="--customer, --result")
    if args.certificate:
        order = {"of": args.of, "customer": args.customer, "result": args.result}
        write_report(args, "certificate_release", order, args.output, "-o")
    else:
        write_report(args, "report_make", {"of": args.of}, args.output, "-o")
    return 0


def write_report(args: argparse.Namespace, act: str, order: Mapping[str, Any], path: Path, key: str) -> None:
    """Carry out an act that makes a report, and write its PDF into a new file.

    Raises:
        DaqError: the act was refused, or the file exists already or cannot be written.
    """
    if path.exists():
        raise SettingError("exists already; name a new file", file=str(path), key=key)
    done = perform(args, act, order)
    new_file(path, base64.b64decode(done["pdf"]), key)
    say(f"{done['title'].lower()} written to {plain(path)}, number {done['number']}")
    say(f"`daq trace {plain(path)}` shows everything behind it", "  ")
