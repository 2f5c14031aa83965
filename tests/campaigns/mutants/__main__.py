"""Mutate descriptions at every key: ``python -m tests.campaigns.mutants [--only NAME ...] [--every 1] [--all]``.

A mutant is killed by the check of the file or by the conformance kit with a capture and notes of the display. The
command prints the share that is killed and every survivor with its reason, and how it reads the capture: alike, or with
other faults, answers or requests. A survivor without a reason, or with other values, gives exit code 1.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence

from tests.campaigns.mutants.judge import INSTRUMENTS, judged


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.mutants", description=__doc__)
    parser.add_argument(
        "--only", nargs="+", choices=sorted(INSTRUMENTS), default=sorted(INSTRUMENTS), help="drivers (all)"
    )
    parser.add_argument("--every", type=int, default=1, help="only every n-th mutant (1)")
    parser.add_argument("--all", action="store_true", help="print the killed mutants too, each with the check")
    args = parser.parse_args(given)
    total: Counter[str] = Counter()
    whys: Counter[str] = Counter()
    unexplained = 0
    for name in args.only:
        found = judged(name, args.every)
        total += Counter(killed=len(found.killed), survived=len(found.survivors))
        print(f"{name}: {len(found.killed)} of {len(found.killed) + len(found.survivors)} killed", flush=True)
        for key, what, check in found.killed if args.all else ():
            print(f"  killed by {check}: {key} = {what}")
        for key, what, why, other in found.survivors:
            is_open = not why or "values" in other
            unexplained += is_open
            whys[why] += not is_open
            how = f"reads other {other}" if other else "reads the capture alike"
            print(f"  survives: {key} = {what}: {why or 'NO REASON'} ({how})", flush=True)
    print("survivors by reason:")
    for why, count in whys.most_common():
        print(f"  {count:5} {why}")
    share = 100.0 * total["killed"] / max(1, sum(total.values()))
    print(f"{total['killed']} of {sum(total.values())} mutants killed ({share:.0f} %), {unexplained} without a reason")
    return 1 if unexplained else 0


if __name__ == "__main__":
    sys.exit(main())
