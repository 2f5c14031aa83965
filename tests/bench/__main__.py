"""Run all benchmarks, or the named ones: ``python -m tests.bench [collect] [cost] [description] [fleet] [publish] [start]``.

``python -m tests.bench --instruments 256 [--hertz 4]`` measures one fleet of that size.
"""

import argparse
import os
import platform
import sys

from tests.bench import collect, cost, description, fleet, publish, start

PARTS = {
    "collect": collect.main,
    "cost": cost.main,
    "description": description.main,
    "fleet": fleet.main,
    "publish": publish.main,
    "start": start.main,
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("parts", nargs="*", help=", ".join(PARTS))
    parser.add_argument("--instruments", type=int, help="only one fleet, with this number of instruments")
    parser.add_argument("--hertz", type=float, default=10.0, help="readings per second of each instrument")
    asked = parser.parse_args()
    wanted = asked.parts or ([] if asked.instruments else list(PARTS))
    unknown = [name for name in wanted if name not in PARTS]
    if unknown:
        print(f"unknown part {unknown[0]!r}; parts: {', '.join(PARTS)}", file=sys.stderr)
        return 2
    load = ", ".join(f"{x:.2f}" for x in os.getloadavg())
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores, load before {load}")
    for name in wanted:
        print(flush=True)
        PARTS[name]()
    if asked.instruments:
        print(flush=True)
        fleet.main((asked.instruments,), asked.hertz)
    return 0


if __name__ == "__main__":
    sys.exit(main())
