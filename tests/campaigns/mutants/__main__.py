"""Mutate descriptions at every key: ``python -m tests.campaigns.mutants [--only NAME ...] [--every 1] [--alike] [--all]``.

A mutant is killed by the check of the file or by the conformance kit with a capture and notes of the display. The
command prints the share that is killed and every survivor with its reason, and how it reads the capture: alike, or with
other faults, answers or requests. A survivor without a reason, or with other values, gives exit code 1.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor

from tests.campaigns.mutants.judge import INSTRUMENTS, Judged, judged


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.mutants", description=__doc__)
    parser.add_argument(
        "--only", nargs="+", choices=sorted(INSTRUMENTS), default=sorted(INSTRUMENTS), help="drivers (all)"
    )
    parser.add_argument("--every", type=int, default=1, help="only every n-th mutant (1)")
    parser.add_argument("--first", type=int, default=0, help="number of the first mutant, below n (0)")
    parser.add_argument("--alike", action="store_true", help="give those that read the capture alike to the kit, too")
    parser.add_argument("--processes", type=int, default=2, help="number of processes (2)")
    parser.add_argument("--all", action="store_true", help="print the killed mutants too, each with the check")
    args = parser.parse_args(given)
    total: Counter[str] = Counter()
    whys: Counter[str] = Counter()
    unexplained = 0
    for name, found in _all(args.only, args.every, args.first, args.processes, alike=args.alike):
        total += Counter(killed=len(found.killed), alike=len(found.alike), survived=len(found.survivors))
        print(
            f"{name}: {len(found.killed)} killed, {len(found.survivors)} survive, {len(found.alike)} read the capture alike",
            flush=True,
        )
        whys += Counter(why for *_, why in found.alike)
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
    print(
        f"{total['killed']} of {sum(total.values())} mutants killed ({share:.0f} %), {total['survived']} survive, "
        f"{total['alike']} read the capture alike, {unexplained} without a reason or with other values"
    )
    return 1 if unexplained else 0


def _all(names: Sequence[str], every: int, first: int, processes: int, *, alike: bool) -> Iterator[tuple[str, Judged]]:
    """Yield each instrument with its outcome; the processes take a part of its mutants in turn."""
    with ProcessPoolExecutor(processes) as pool:
        parts = {
            name: [
                pool.submit(judged, name, every * processes, first + every * part, alike=alike)
                for part in range(processes)
            ]
            for name in names
        }
        for name, own in parts.items():
            found = Judged()
            for part in own:
                one = part.result()
                found.killed += one.killed
                found.alike += one.alike
                found.survivors += one.survivors
            yield name, found


if __name__ == "__main__":
    sys.exit(main())
