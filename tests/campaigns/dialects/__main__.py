"""Make descriptions of random dialects with true answers: ``python -m tests.campaigns.dialects [--dialects 200]``.

A simulator speaks each dialect, and the questions of `daq driver new --ask` are answered by the dialect.  The share of drivers
that pass the kit with right values and without editing is printed, and the seed of each wrong one; then the exit code is 1.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence

from tests.campaigns.dialects.dialect import drawn
from tests.campaigns.dialects.judge import Verdict, judged


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.dialects", description=__doc__)
    parser.add_argument("--dialects", type=int, default=200, help="number of dialects (200)")
    parser.add_argument(
        "--seed", type=int, default=1, help="seed of the first dialect; each next one has the next seed"
    )
    parser.add_argument("--show", action="store_true", help="print why each one that is not right is not")
    parser.add_argument("--text", action="store_true", help="print the description, too")
    parser.add_argument("--no-kit", action="store_true", help="leave out the conformance kit")
    args = parser.parse_args(given)
    counts: Counter[tuple[str, str]] = Counter()
    wrong = asked = 0
    for seed in range(args.seed, args.seed + args.dialects):
        kind = "binary" if drawn(seed).binary else "text"
        unanswered = judged(seed, answers=False, kit=not args.no_kit)
        verdict: Verdict = judged(seed, kit=not args.no_kit)
        counts[kind, verdict.outcome] += 1
        asked += verdict.asked
        for one, how in ((unanswered, "without answers"), (verdict, "with answers")):
            if one.outcome == "wrong":
                wrong += 1
                print(f"seed {seed}, {how}: wrong: {one.why}\n{one.text}", flush=True)
        if args.show and verdict.outcome != "right":
            print(f"seed {seed}: {verdict.outcome}: {verdict.why[:400]}", flush=True)
            if args.text:
                print(verdict.text)
    for kind in ("text", "binary"):
        own = {outcome: count for (k, outcome), count in counts.items() if k == kind}
        total = sum(own.values())
        if total:
            shown = ", ".join(f"{count} {outcome}" for outcome, count in sorted(own.items(), key=lambda one: -one[1]))
            print(f"{kind}: {own.get('right', 0) * 100 // total} % right without editing; of {total}: {shown}")
    print(
        f"seeds {args.seed} to {args.seed + args.dialects - 1}, {asked} questions answered, {wrong} ended VALID with a wrong value"
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
