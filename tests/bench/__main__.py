"""Runs all parts, or those named: ``python -m tests.bench [collect] [cost] [fleet] [publish] [start]``."""

import os
import platform
import sys

from tests.bench import collect, cost, fleet, publish, start

PARTS = {"collect": collect.main, "cost": cost.main, "fleet": fleet.main, "publish": publish.main, "start": start.main}


def main() -> int:
    wanted = sys.argv[1:] or list(PARTS)
    unknown = [name for name in wanted if name not in PARTS]
    if unknown:
        print(f"unknown part {unknown[0]!r}; parts: {', '.join(PARTS)}", file=sys.stderr)
        return 2
    load = ", ".join(f"{x:.2f}" for x in os.getloadavg())
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores, load before {load}")
    for name in wanted:
        print(flush=True)
        PARTS[name]()
    return 0


if __name__ == "__main__":
    sys.exit(main())
