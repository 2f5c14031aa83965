"""``daq doctor``: find what is wrong with the installation, and say what to do."""

import argparse
import dataclasses

import daq.process.plainlogs  # noqa: F401 - before any module that logs
from daq.adapters.store.checks import Finding
from daq.app.cli.common import print_json
from daq.app.cli.printing import say
from daq.app.screens.text import plain
from daq.app.workshop.diagnosis import examine


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--all", action="store_true", help="check all runs of the database, not only the newest ones")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(args: argparse.Namespace) -> int:
    """Print every finding; 0 where all is well, otherwise 1."""
    return show(examine(args.config, args.state, whole=args.all), as_json=args.json)


def show(findings: list[Finding], *, as_json: bool) -> int:
    """Print findings and return the exit code: 0 where all is well, otherwise 1."""
    wrong = [f for f in findings if not f.ok]
    if as_json:
        print_json([dataclasses.asdict(f) for f in findings])
        return 1 if wrong else 0
    for f in findings:
        say(f"{plain(f.what)}: {plain(f.say)}", f"{'ok' if f.ok else 'WRONG':<6} ")
        if not f.ok and f.do:
            say(plain(f.do), "       do: ")
    say(f"{len(findings)} checks, {len(wrong) or 'nothing'} wrong")
    return 1 if wrong else 0
