"""``daq driver check``: run the conformance kit on a driver."""

import argparse
from pathlib import Path

from daq.app.cli.common import print_json, wanted_path
from daq.app.screens.text import plain
from daq.core.errors import SettingError
from daq.textfiles.plain_file import read_plain
from daq.textfiles.toml_file import LARGEST_FILE


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Check what a driver declares, what it reads from any bytes and from damaged lines, and how it behaves on a\n"
        "bad line. Without a capture only a part of it can be checked. Exit code 1 where a check failed."
    )
    parser.add_argument("what", metavar="FILE|NAME", help="a description, an instrument's file, or a driver's name")
    parser.add_argument("--capture", metavar="FILE", type=wanted_path, help="what was heard (default: beside the file)")
    parser.add_argument("--option", action="append", default=[], metavar="NAME=VALUE", help="an option of the driver")
    parser.add_argument("--all", action="store_true", help="show the checks that passed, too")
    parser.add_argument("--json", action="store_true", help="print the report as JSON")


def run(args: argparse.Namespace) -> int:
    """Print the report; 1 where a check failed, otherwise 0."""
    from daq.app.setup.driver_choice import chosen_driver, parse_options
    from daq.app.workshop.openpoints import open_finding
    from daq.testing import check_driver_apart

    make = chosen_driver(args.what, parse_options(args.option))
    capture: Path | None = args.capture
    file = Path(args.what).expanduser()
    beside = file.with_suffix(".capture")
    if capture is None and file.is_file() and beside.is_file():
        capture = beside
    if capture is not None and not capture.is_file():
        raise SettingError("there is no such file; make one with `daq capture`", file=str(capture))
    if capture is not None:
        _check_capture(capture)
    report = check_driver_apart(make, capture=capture)
    if file.is_file():
        report.findings += open_finding(read_plain(file, LARGEST_FILE).decode("utf-8-sig"))
    if args.json:
        print_json(report.as_json())
        return 0 if report.passed else 1
    for line in report.text(everything=args.all).splitlines():
        print(plain(line))
    if capture is None:
        print("no capture was given: most of the behaviour on a line was not checked; see `daq capture --help`")
    if report.passed:
        print(f"next: daq driver try {args.what} PORT")
    else:
        print("next: correct what is marked FAILED, then check again")
    return 0 if report.passed else 1


def _check_capture(path: Path) -> None:
    """Raise `SettingError` where a file is no capture, or holds nothing from the instrument."""
    from daq.descriptions.capture import load_capture

    if not load_capture(path).received:
        raise SettingError("nothing came from the instrument in this capture; capture again", file=str(path))
