"""Readings that `daq demo` loses: ``python -m tests.bench.demo_readings [--times 5] [--source DIR]``.

The demonstration is some 15 times faster than life, so that a loop which is held up for a few milliseconds loses readings of its
simulated instruments.  Printed, for each demonstration: the readings that are missing while the runs measure, the
longest interval between two, and the results that are in doubt because of it.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from itertools import pairwise
from pathlib import Path

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.records.history import raw_journal
from daq.app.records.readings import Readings
from daq.app.records.replaying import maker
from daq.app.setup.catalogue import Catalogue
from daq.app.workshop.demonstration import INTERVAL_MS, SHIFT
from daq.core.replay import MakeDriver

UNPLUGGED = next(s.sample for s in SHIFT if s.unplug)
"""The sample whose run loses its cable on purpose."""


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.demo_readings")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--source", type=Path, default=Path(__file__).parents[2], help="folder with the source of daq")
    asked = parser.parse_args()
    make = maker(Catalogue.load(examples_dir()).drivers)
    print(f"{'demo':>4} {'load':>5} {'readings':>9} {'missing':>8} {'longest interval':>17}  in doubt")
    for number in range(1, asked.times + 1):
        with tempfile.TemporaryDirectory() as folder:
            load = os.getloadavg()[0]
            line = [sys.executable, "-m", "daq", "demo", "--keep", folder]
            done = subprocess.run(line, cwd=asked.source, capture_output=True, text=True, check=False)
            if done.returncode:
                print(done.stdout[-2000:], done.stderr[-2000:])
            with Reader(database_path(Path(folder) / "state")) as reader:
                show(number, load, reader, make)


def show(number: int, load: float, reader: Reader, make: MakeDriver) -> None:
    total, missing, longest, doubtful = 0, 0, 0.0, []
    for run in reader.runs(limit=100):
        result = reader.newest_result(run.id)
        data = {} if result is None else json.loads(result.data)
        if "readings_missing" in data.get("faults", ()):
            doubtful.append(run.sample)
        if run.sample != UNPLUGGED:
            intervals = _intervals(reader, run, make)
            total += len(intervals)
            missing += sum(round(x) - 1 for x in intervals if x > 1.5)
            longest = max([longest, *intervals])
    print(
        f"{number:4} {load:5.1f} {total:9} {missing:8} {longest:11.1f} polls  {', '.join(doubtful) or 'none'}",
        flush=True,
    )


def _intervals(reader: Reader, run: RunRecord, make: MakeDriver) -> list[float]:
    """Return the intervals between readings of a step of the lead instrument, in intervals of its polls."""
    raw, _ = raw_journal(reader, run.id)
    readings = Readings(raw, make)
    found = [(r.step, r.t) for r in readings if r.link == readings.plan.lead.name and r.state == "measuring"]
    return [(b[1] - a[1]) / (INTERVAL_MS * 1e6) for a, b in pairwise(found) if a[0] == b[0]]


if __name__ == "__main__":
    main()
