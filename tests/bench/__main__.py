"""Run all benchmarks, or the named ones, and print each goal beside its figure: ``python -m tests.bench [PART ...]``.

``python -m tests.bench --instruments 256 [--hertz 4]`` measures one fleet of that size.  A figure that misses its goal has an
asterisk.  Figures that take long have commands of their own, which are named at the end.  The exit code is 1 where a
part failed, not where a goal is missed.
"""

import argparse
import os
import platform
import sys
import traceback
from collections.abc import Callable, Sequence
from typing import Final

from tests.bench import collect, cost, description, fleet, publish, size, start, year
from tests.bench.goals import Row, long_table, table

PARTS: Final[dict[str, Callable[[], list[Row]]]] = {
    "collect": collect.main,
    "cost": cost.main,
    "description": description.main,
    "fleet": fleet.main,
    "publish": publish.main,
    "size": size.main,
    "start": start.main,
    "year": year.report,
}


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--instruments", type=int, help="only one fleet, with this number of instruments")
    parser.add_argument("--hertz", type=float, default=10.0, help="readings per second of each instrument")
    asked = parser.parse_args(argv)
    wanted = asked.parts or ([] if asked.instruments else list(PARTS))
    unknown = [name for name in wanted if name not in PARTS]
    if unknown:
        print(f"unknown part {unknown[0]!r}; parts: {', '.join(PARTS)}", file=sys.stderr)
        return 2
    load = ", ".join(f"{x:.2f}" for x in os.getloadavg())
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores, load before {load}")
    parts = {name: PARTS[name] for name in wanted}
    if asked.instruments:
        parts["fleet"] = lambda: fleet.main((asked.instruments,), asked.hertz)
    rows, failed = carried_out(parts)
    print("\nGoals (* missed)")
    print("\n".join(table(rows)))
    for name in failed:
        print(f"  part {name} FAILED, see above")
    print("\nGoals with a command of their own, because it takes minutes")
    print("\n".join(long_table()))
    return 1 if failed else 0


def carried_out(parts: dict[str, Callable[[], list[Row]]]) -> tuple[list[Row], list[str]]:
    """Return the rows of all parts, and the names of the parts that failed; the others go on."""
    rows: list[Row] = []
    failed: list[str] = []
    for name, part in parts.items():
        print(flush=True)
        try:
            rows += part()
        except Exception:  # noqa: BLE001 - a part that fails must not hide the figures of the others
            traceback.print_exc()
            failed.append(name)
    return rows, failed


if __name__ == "__main__":
    sys.exit(main())
