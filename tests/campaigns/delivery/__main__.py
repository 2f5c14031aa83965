"""Run all cases, or the named ones, and print a table; exit code 1 if a result is missing or a copy differs."""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.campaigns.delivery.bench import Outcome
from tests.campaigns.delivery.cases import all_cases

HEAD = (
    f"{'case':<52}{'results':>8}{'received':>9}{'doubles':>8}{'repeated':>9}{'missed':>7}{'asks':>5}"
    f"{'missing':>8}{'foreign':>8}{'changed':>8}  {'last':<6}{'s':>5}"
)


def line(o: Outcome) -> str:
    return (
        f"{o.case:<52}{o.results:>8}{o.received:>9}{o.duplicates:>8}{o.repeated:>9}{o.missing_first:>7}{o.requests:>5}"
        f"{o.missing:>8}{o.foreign:>8}{o.changed:>8}  {'right' if o.last_right else 'WRONG':<6}{o.seconds:>5.0f}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.delivery", description=__doc__)
    parser.add_argument("cases", nargs="*", metavar="CASE")
    parser.add_argument("--results", type=int, default=4000)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    known = all_cases(args.results, args.kills, args.seed)
    unknown = [name for name in args.cases if name not in known]
    if unknown:
        parser.error(f"unknown case {unknown[0]!r}; cases: {', '.join(known)}")
    print(f"seed {args.seed}; received = messages the consumer that does not dedupe sees, missed = before it asked")
    print(HEAD, flush=True)
    good = True
    for name in args.cases or known:
        with tempfile.TemporaryDirectory() as folder:
            outcome = known[name](Path(folder))
        print(line(outcome), flush=True)
        good &= outcome.good
    print(
        "every result once for a consumer that drops duplicates by source and id" if good else "NOT every result once"
    )
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
