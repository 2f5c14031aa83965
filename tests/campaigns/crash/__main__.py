"""Kill the daemon at every kind of effect and between statements: `python -m tests.campaigns.crash --seed 1 --kills 200`."""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from tests.campaigns.crash.checks import WINDOW_S
from tests.campaigns.crash.harness import Books, Harness


def main() -> int:
    """Run, print the table; 1 on any violation."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.crash", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--keep", type=Path, help="folder to work in and leave behind")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    folder = options.keep or Path(tempfile.mkdtemp(prefix="daq-crash-"))
    folder.mkdir(parents=True, exist_ok=True)
    harness = Harness(folder, options.seed, verbose=options.verbose)
    try:
        books = harness.run(options.kills)
    finally:
        harness.close()
    print(table(books))
    if not books.violations and options.keep is None:
        shutil.rmtree(folder)
    elif books.violations:
        print(f"left for a look: {folder}")
    return 1 if books.violations else 0


def table(books: Books) -> str:
    """What came of it, for a person."""
    worst = max(books.losses_s, default=0.0)
    rows = [
        (
            "kills (kill -9)",
            f"{books.kills} in {books.seconds:.0f} s, {books.seconds / max(1, books.kills):.2f} s each",
        ),
        ("points hit", f"{len(books.by_point)} kinds; {books.points_known} are passed by an undisturbed run"),
        ("point did not come", f"{books.missed} (killed from outside after the run)"),
        ("runs begun and checked", f"{books.runs}: " + ", ".join(f"{n} {o}" for o, n in books.outcomes.most_common())),
        (
            "readings lost, worst",
            f"{worst:.3f} s of {WINDOW_S:g} s allowed (real seconds between the last answer in the",
        ),
        ("", "journal and the last answer the terminal's tap saw before the kill)"),
        ("readings lost, all runs", f"{books.lost_readings}, {sum(books.losses_s):.1f} s"),
        ("stops sent after a start", str(books.stops_after_restart)),
        ("results delivered", f"{books.delivered}, duplicates dropped by the historian: {books.duplicates}"),
        ("violations", str(len(books.violations))),
    ]
    lines = [f"{name:<26}{value}" for name, value in rows]
    lines += [f"  {text}" for text in books.violations]
    lines += ["", "kills by point:"]
    lines += [f"  {n:4d}  {point}" for point, n in sorted(books.by_point.items())]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
