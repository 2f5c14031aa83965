"""A long run in fast time: ``python -m tests.bench.long_run [--hours 24] [--hertz 10] [--keep DIR]``.

The daemon's own supervisor, runner and store measure on a simulated instrument on a port in memory.  Printed: memory of
the process through the run, time of the end of the run, bytes of the database, and CPU of the commands that read it.
"""

import argparse
import asyncio
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from daq.adapters.paths import database_path, examples_dir
from daq.app.daemon.supervisor import Supervisor
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.shift.fast_time import FastClock, FastLoop
from daq.app.workshop.shift.memory_ports import SimulatedPort
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import load_method
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument

BEGAN: Final = 1_764_000_000 * 10**9
HOUR_S: Final = 3600
METHOD: Final = """
id = "long-hold"
version = "1"
title = "Held at 20 per minute"
claim = "at_time"

[[steps]]
name = "hold"
speed = 20
settle = "1 rev"
stop = "{hours} h"
longest = "{longest} h"
keep = [{{ at = "every", every = "10 min", span = "30 s" }}, {{ at = "end", span = "60 s" }}]
"""
COMMANDS: Final = (("show",), ("replay",), ("export",))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.long_run")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--hertz", type=float, default=10.0)
    parser.add_argument("--keep", type=Path, help="keep the state directory here")
    asked = parser.parse_args()
    if asked.keep is not None:
        asked.keep.mkdir(parents=True)
        report(asked.keep, asked.hours, asked.hertz)
        return
    with tempfile.TemporaryDirectory() as folder:
        report(Path(folder), asked.hours, asked.hertz)


def report(folder: Path, hours: float, hertz: float) -> None:
    print(f"A run of {hours:g} h, polled at {hertz:g} Hz, in fast time")
    loop = FastLoop()
    try:
        run, readings = loop.run_until_complete(measure(loop, folder, hours, hertz))
    finally:
        loop.close()
    size = database_path(folder / "state").stat().st_size
    print(f"  {readings} readings, database {size / 1e6:.1f} MB, {size / readings:.1f} bytes a reading")
    for words in COMMANDS:
        command(folder, words, run, readings)


async def measure(loop: FastLoop, folder: Path, hours: float, hertz: float) -> tuple[str, int]:
    """Measure one run; return its id and the number of its readings."""
    (folder / "state").mkdir(mode=0o700)
    clock = FastClock(loop, BEGAN)
    port = SimulatedPort(
        clock, RotationalInstrument(geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS["clear-glaze"], seed=11)
    )
    supervisor = Supervisor(catalogue(folder, hours, hertz), folder / "state", clock, ports=lambda *_: port.open)
    await supervisor.start()
    loop.others.append(lambda: not supervisor.store.idle)
    try:
        spent = time.process_time()
        active = await supervisor.begin(
            RunOrder(sample="G-1042", method_id="long-hold", instrument="bench-1", operator="m.keeper")
        )
        hour, steps = 0, max(1, round(hours / 12))
        while not active.task.done():
            print(
                f"  after {hour:3} h: {resident_mb():6.1f} MB resident, {time.process_time() - spent:6.1f} s of CPU",
                flush=True,
            )
            hour += steps
            await asyncio.wait({active.task}, timeout=steps * HOUR_S)
        spent = time.process_time() - spent
        print(f"  at the end:  {resident_mb():6.1f} MB resident, {spent:6.1f} s of CPU")
        return active.record.id, round(hours * HOUR_S * hertz)
    finally:
        await supervisor.close()


def catalogue(folder: Path, hours: float, hertz: float) -> Catalogue:
    file = folder / "long-hold.toml"
    file.write_text(METHOD.format(hours=hours, longest=hours * 1.5))
    made = Catalogue.load(examples_dir())
    made.methods["long-hold"] = {"1": load_method(file)}
    made.daemon = Daemon(enable=("bench-1",))
    instrument = made.instruments["bench-1"]
    more = {"simulated": True, "options": {"interval_ms": round(1000 / hertz)}, "companions": {}}
    made.instruments["bench-1"] = instrument.model_copy(update=more)
    return made


def resident_mb() -> float:
    line = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def command(folder: Path, words: tuple[str, ...], run: str, readings: int) -> None:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    line = [sys.executable, "-m", "daq", "--state", str(folder / "state"), *words, run]
    done = subprocess.run(line, capture_output=True, text=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(
        f"  daq {' '.join(words):<8} {spent:7.2f} s of CPU, {readings / spent:10.0f} readings/s, exit {done.returncode}"
    )
    if done.returncode:
        print(done.stderr[-1000:], done.stdout[-500:])


if __name__ == "__main__":
    main()
