"""Make descriptions from seeded captures of every built-in simulator: ``python -m tests.campaigns.guesses [--captures 200]``.

Each capture ends in the right description, in a question to a person, in a refusal with its reason or in a failed check
of the kit; a wrong description is printed with its seed, and the exit code is 1.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence

from tests.campaigns.guesses.judge import judged
from tests.support.instruments.driver_cases import CASES, NAMES


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.guesses", description=__doc__)
    parser.add_argument("--captures", type=int, default=200, help="captures of each simulator (200)")
    parser.add_argument(
        "--seed", type=int, default=1, help="seed of the first capture; each next one has the next seed"
    )
    parser.add_argument(
        "--kit-every", type=int, default=4, help="the kit checks each such capture, and each with a wrong value (4)"
    )
    parser.add_argument("--only", nargs="+", choices=NAMES, default=NAMES, help="names of drivers (all)")
    args = parser.parse_args(given)
    wrong = 0
    for name, (driver, options, kind, simulator) in zip(NAMES, CASES, strict=True):
        if name not in args.only:
            continue
        counts: Counter[str] = Counter()
        for seed in range(args.seed, args.seed + args.captures):
            verdict = judged(driver, options, kind, simulator, seed, kit=seed % args.kit_every == 0)
            counts[verdict.outcome] += 1
            if verdict.outcome == "wrong":
                wrong += 1
                print(f"{name}, seed {seed}: {verdict.why}\n{verdict.text}")
        shown = ", ".join(f"{count} {outcome}" for outcome, count in counts.most_common())
        print(f"{name}: seeds {args.seed} to {args.seed + args.captures - 1}: {shown}", flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
