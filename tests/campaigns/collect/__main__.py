"""Kill collectors at random: `python -m tests.campaigns.collect --results 50000 --seed 1`."""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from tests.campaigns.collect.harness import Campaign, table
from tests.support.processes.postgres import binaries


def main() -> int:
    """Run the campaign and print its table; return 1 on any violation."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.collect", description=__doc__)
    parser.add_argument("--results", type=int, default=50_000)
    parser.add_argument("--kills", type=int, default=40)
    parser.add_argument("--rate", type=float, default=500.0, help="results published per second (500)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-restart", action="store_true", help="leave the server alone; it then runs without fsync")
    options = parser.parse_args()
    if binaries() is None:
        print("no PostgreSQL server on this machine (Debian: apt-get install postgresql)", file=sys.stderr)
        return 2
    folder = Path(tempfile.mkdtemp(prefix="daq-collect-"))
    restart = not options.no_restart
    with Campaign(folder, options.results, options.seed, rate=options.rate, fsync=restart) as campaign:
        totals = campaign.run(options.kills, restart_server=restart)
    print(table(totals))
    if totals.violations:
        print(f"the folder is kept for inspection: {folder}")
        return 1
    shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
