"""Kill the daemon at every kind of effect and between statements: `python -m tests.campaigns.crash --seed 1 --kills 200`."""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from tests.campaigns.crash.checks import WINDOW_S
from tests.campaigns.crash.harness import CrashTotals, Harness


def main() -> int:
    """Run the campaign and print its table; return 1 on any violation."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.crash", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--keep", type=Path, help="folder to work in; it is not removed afterwards")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    folder = options.keep or Path(tempfile.mkdtemp(prefix="daq-crash-"))
    folder.mkdir(parents=True, exist_ok=True)
    harness = Harness(folder, options.seed, verbose=options.verbose)
    try:
        totals = harness.run(options.kills)
    finally:
        harness.close()
    print(table(totals))
    if not totals.violations and options.keep is None:
        shutil.rmtree(folder)
    elif totals.violations:
        print(f"the folder is kept for inspection: {folder}")
    return 1 if totals.violations else 0


def table(totals: CrashTotals) -> str:
    """Return the totals as a table for a person."""
    worst = max(totals.losses_s, default=0.0)
    rows = [
        (
            "kills (kill -9)",
            f"{totals.kills} in {totals.seconds:.0f} s, {totals.seconds / max(1, totals.kills):.2f} s each",
        ),
        ("points hit", f"{len(totals.by_point)} kinds; {totals.points_known} are passed by an undisturbed run"),
        ("point not reached", f"{totals.missed} (killed from outside after the run)"),
        (
            "runs started and checked",
            f"{totals.runs}: " + ", ".join(f"{n} {o}" for o, n in totals.outcomes.most_common()),
        ),
        (
            "readings lost, worst",
            f"{worst:.3f} s of {WINDOW_S:g} s allowed (real seconds between the last answer in the",
        ),
        ("", "journal and the last answer the terminal's tap saw before the kill)"),
        ("readings lost, all runs", f"{totals.lost_readings}, {sum(totals.losses_s):.1f} s"),
        ("stops sent after a start", str(totals.stops_after_restart)),
        ("results delivered", f"{totals.delivered}, duplicates dropped by the historian: {totals.duplicates}"),
        ("violations", str(len(totals.violations))),
    ]
    lines = [f"{name:<26}{value}" for name, value in rows]
    lines += [f"  {text}" for text in totals.violations]
    lines += ["", "kills by point:"]
    lines += [f"  {n:4d}  {point}" for point, n in sorted(totals.by_point.items())]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
