"""``daq doctor``: what is wrong, and what to do."""

import argparse
import dataclasses

from daq.app.cli.common import print_json
from daq.app.screens.text import plain
from daq.app.workshop.diagnosis import examine


def arguments(parser: argparse.ArgumentParser) -> None:
    """How to print."""
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(args: argparse.Namespace) -> int:
    """Print every finding; 0 where all is well, otherwise 1."""
    findings = examine(args.config, args.state)
    wrong = [f for f in findings if not f.ok]
    if args.json:
        print_json([dataclasses.asdict(f) for f in findings])
        return 1 if wrong else 0
    for f in findings:
        print(f"{'ok' if f.ok else 'WRONG':<6} {plain(f.what)}: {plain(f.say)}")
        if not f.ok and f.do:
            print(f"       do: {plain(f.do)}")
    print(f"{len(findings)} things looked at, {len(wrong) or 'nothing'} wrong")
    return 1 if wrong else 0
