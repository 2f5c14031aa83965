"""Run the kit on every planted fault: ``python -m tests.campaigns.planted [--every 1] [--first 0] [--all]``.

Prints the number that the kit finds, each one that it does not find, and for those that cannot be found in principle the
sentence of `daq/testing/README.md`. A fault that is not found and has no sentence gives exit code 1.
"""

import argparse
import sys
from collections.abc import Sequence

from tests.campaigns.planted.listed import LISTED, Planted


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.planted", description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only every n-th fault (1)")
    parser.add_argument("--first", type=int, default=0, help="number of the first fault, below n (0)")
    parser.add_argument("--all", action="store_true", help="print the faults that are found too, each with its checks")
    args = parser.parse_args(given)
    chosen: list[Planted] = LISTED[args.first :: args.every]
    found = missed = 0
    for one in chosen:
        checks = one.found_by()
        found += bool(checks)
        if checks and args.all:
            print(f"found: {one.name}: {', '.join(checks)}", flush=True)
        if checks and one.cannot:
            print(f"found, although it is listed as one that cannot be: {one.name}: {', '.join(checks)}", flush=True)
        if not checks:
            missed += not one.cannot
            print(f"not found: {one.name}: {one.cannot or 'IT COULD BE'}", flush=True)
    hidden = sum(bool(one.cannot) for one in chosen)
    print(f"{found} of {len(chosen)} planted faults found; {hidden} cannot be found in principle, {missed} are missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
