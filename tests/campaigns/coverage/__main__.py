"""Command of the campaign: ``python -m tests.campaigns.coverage [--runs 2000] [--curves 400] [--seed 1] [--processes 2]``.

The rows of the flow curves can be run in pieces: ``--models cross carreau --forms "reading" "reading, zero stated"``.
"""

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from tests.campaigns.coverage.autocorrelation import show_table, table
from tests.campaigns.coverage.curve_campaign import cells, judge_curves
from tests.campaigns.coverage.curves import FLUIDS, FORMS
from tests.campaigns.coverage.instruments import LAWS, IntervalCheck, Outcome, run_one
from tests.campaigns.coverage.shares import WANTED, Share

TORQUE_BANDS = ((0.0, 20.0), (20.0, 50.0), (50.0, 100.0))


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.coverage", description=__doc__)
    parser.add_argument("--runs", type=int, default=2000, help="number of instruments, with one run each (2000)")
    parser.add_argument(
        "--curves", type=int, default=400, help="number of flow curves for each model and form of specification (400)"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--models", nargs="+", choices=FLUIDS, default=FLUIDS, help="models of the flow curves (all)")
    parser.add_argument("--forms", nargs="+", choices=FORMS, default=FORMS, help="forms of the specification (all)")
    args = parser.parse_args(given)
    good, began = True, time.monotonic()
    if args.runs:
        found = campaign(args.seed, args.runs, args.processes)
        print(f"{len(found)} instruments and runs, seed {args.seed}, {time.monotonic() - began:.0f} s")
        good = report(found) & show_table(table(args.runs, args.seed))
    if args.curves:
        began = time.monotonic()
        which = cells(args.models, args.forms)
        print(f"\n{args.curves} flow curves for each of {len(which)} rows, seed {args.seed}")
        good &= judge_curves(args.seed, args.curves, args.processes, which)
        print(f"{time.monotonic() - began:.0f} s")
    return 0 if good else 1


def campaign(seed: int, runs: int, processes: int = 1) -> list[Outcome]:
    """Return the outcomes in the order of the instruments' numbers, for any number of processes."""
    numbers = range(runs)
    if processes == 1:
        return [run_one(seed, number) for number in numbers]
    with ProcessPoolExecutor(processes) as pool:
        return list(pool.map(partial(run_one, seed), numbers, chunksize=20))


def report(outcomes: Sequence[Outcome]) -> bool:
    """Print the shares of intervals that hold the true value; return True if the claims are met."""
    print("\nGain and zero stated separately, as they are drawn:")
    separate = [o.separate for o in outcomes if o.separate is not None]
    c101 = show("JCGM 101 interval", [s.holds_101 for s in separate])
    show("  of them propagated", [s.holds_101 for s in separate if s.propagated])
    spread = sum(s.propagated for s in separate)
    print(
        f"  ({spread} of them propagated; in {len(separate) - spread} readings prevail, and value ± k u_c is published;\n"
        f"  {len(outcomes) - len(separate)} have no interval, because a slow ripple leaves too few independent readings)"
    )
    c100 = show("JCGM 100 interval", [s.holds_100 for s in separate], highest=1.0)
    wider(separate)
    for title, chosen in (
        *((f"  torque {low:g} to {high:g} %", by_torque(low, high)) for low, high in TORQUE_BANDS),
        *((f"  {kind}", by_kind(kind)) for kind in LAWS),
        ("  valid without reservation", lambda o: not o.faults),
    ):
        part = [o.separate for o in outcomes if o.separate is not None and chosen(o)]
        if part:
            show(f"{title}, JCGM 101", [s.holds_101 for s in part])
    print("\nThe same runs, the torque stated as one limit in % of full scale that covers gain and zero:")
    together = [o.together for o in outcomes if o.together is not None]
    show("JCGM 101 interval", [s.holds_101 for s in together])
    show("JCGM 100 interval", [s.holds_100 for s in together])
    wider(together)
    print(
        "  Over-coverage is expected here: the limit is 1 % of full scale at any torque, while the errors drawn are\n"
        "  0.7 % of the reading and 0.3 % of full scale; at a torque of p % the limit allows 100/p %, and the errors reach\n"
        "  0.7 + 30/p %. A user who knows only the maker's limit cannot claim less."
    )
    good = c101.holds and c100.holds
    print(
        f"\nclaimed: JCGM 101 within {WANTED[0]:.0%} to {WANTED[1]:.0%}, JCGM 100 at least {WANTED[0]:.0%}; no confidence "
        f"interval of this campaign lies outside: {'holds' if good else 'DOES NOT HOLD'}"
    )
    return good


def by_torque(low: float, high: float) -> Callable[[Outcome], bool]:
    return lambda o: low <= o.torque < high


def by_kind(kind: str) -> Callable[[Outcome], bool]:
    return lambda o: o.kind == kind


def show(title: str, held: Sequence[bool], highest: float = WANTED[1]) -> Share:
    share = Share.of(held, highest=highest)
    low, high = share.interval
    print(f"  {title:<44} holds the true value in {share.share:6.1%} of {share.total:5} ({low:.1%} to {high:.1%})")
    return share


def wider(checks: Sequence[IntervalCheck]) -> None:
    ratios = sorted(s.half_100 / s.half_101 for s in checks)
    print(
        f"  U = k u_c is {100 * (ratios[len(ratios) // 2] - 1):.1f} % wider than the propagated interval in the middle "
        f"({100 * (ratios[len(ratios) // 20] - 1):.1f} % to {100 * (ratios[-1 - len(ratios) // 20] - 1):.1f} %): a sum of\n"
        "  rectangular terms has no tails, and Student's k allows for them"
    )


if __name__ == "__main__":
    sys.exit(main())
