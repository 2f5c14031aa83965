"""A long run in fast time: ``python -m tests.bench.long_run [--hours 24] [--hertz 10] [--stream] [--keep DIR]``.

The daemon's own supervisor, runner and store measure on a simulated instrument on a port in memory.  Printed: memory of
the process through the run, bytes of the database, CPU of the commands that read it, and the goals of a run of 24 h.
"""

import argparse
import asyncio
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
from tests.bench.cpu import of_process
from tests.bench.goals import Row, table

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
COMMANDS: Final = ("show", "replay", "export")
RATE: Final = {False: 60_000, True: 200_000}
"""Goal of replay and export, readings/s, of a polled and of a streamed run."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.long_run")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--hertz", type=float, default=10.0)
    parser.add_argument("--stream", action="store_true", help="the instrument streams instead of being polled")
    parser.add_argument("--keep", type=Path, help="keep the state directory here")
    asked = parser.parse_args()
    if asked.keep is not None:
        asked.keep.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as folder:
        rows = report(asked.keep or Path(folder), asked.hours, asked.hertz, stream=asked.stream)
    print("\n".join(table(rows)))
    return 0


def report(folder: Path, hours: float, hertz: float, *, stream: bool = False) -> list[Row]:
    """Measure a run and the commands that read it; return its rows of the table."""
    name = f"{hours:g} h run{', streamed' if stream else ''}"
    print(f"A run of {hours:g} h, {'streamed' if stream else 'polled'} at {hertz:g} Hz, in fast time")
    loop = FastLoop()
    try:
        run, readings, grown_mb = loop.run_until_complete(measure(loop, folder, hours, hertz, stream=stream))
    finally:
        loop.close()
    size = database_path(folder / "state").stat().st_size
    print(f"  {readings} readings, database {size / 1e6:.1f} MB, {size / readings:.1f} bytes a reading")
    spent = {}
    for word in COMMANDS:
        spent[word] = of_process(["-m", "daq", "--state", str(folder / "state"), word, run])
        print(f"  daq {word:<8} {spent[word]:7.2f} s of CPU, {readings / spent[word]:10.0f} readings/s", flush=True)
    return [
        *(Row(f"{name}: {word}", readings / spent[word], RATE[stream], "/s", True) for word in ("replay", "export")),
        Row(f"{name}: daq show", spent["show"], 1, "s"),
        Row(f"{name}: memory", grown_mb, 10, "MB"),
    ]


async def measure(loop: FastLoop, folder: Path, hours: float, hertz: float, *, stream: bool) -> tuple[str, int, float]:
    """Measure one run; return its id, the number of its readings, and the growth of the memory from first to last (MB)."""
    (folder / "state").mkdir(mode=0o700)
    clock = FastClock(loop, BEGAN)
    port = SimulatedPort(
        clock, RotationalInstrument(geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS["clear-glaze"], seed=11)
    )
    supervisor = Supervisor(
        catalogue(folder, hours, hertz, stream=stream), folder / "state", clock, ports=lambda *_: port.open
    )
    await supervisor.start()
    loop.others.append(lambda: not supervisor.store.idle)
    try:
        spent = time.process_time()
        active = await supervisor.begin(
            RunOrder(sample="G-1042", method_id="long-hold", instrument="bench-1", operator="m.keeper")
        )
        hour, steps, resident = 0, max(1, round(hours / 12)), []
        while not active.task.done():
            resident.append(resident_mb())
            print(
                f"  after {hour:3} h: {resident[-1]:6.1f} MB resident, {time.process_time() - spent:6.1f} s of CPU",
                flush=True,
            )
            hour += steps
            await asyncio.wait({active.task}, timeout=steps * HOUR_S)
        spent = time.process_time() - spent
        resident.append(resident_mb())
        print(f"  at the end:  {resident[-1]:6.1f} MB resident, {spent:6.1f} s of CPU")
        # The first figure is from before the first reading; a short run has no other one.
        grown = resident[-1] - resident[min(1, len(resident) - 2)]
        return active.record.id, round(hours * HOUR_S * hertz), grown
    finally:
        await supervisor.close()


def catalogue(folder: Path, hours: float, hertz: float, *, stream: bool = False) -> Catalogue:
    file = folder / "long-hold.toml"
    file.write_text(METHOD.format(hours=hours, longest=hours * 1.5))
    made = Catalogue.load(examples_dir())
    made.methods["long-hold"] = {"1": load_method(file)}
    made.daemon = Daemon(enable=("bench-1",))
    instrument = made.instruments["bench-1"]
    options = {"mode": "stream" if stream else "poll", "interval_ms": round(1000 / hertz)}
    more = {"simulated": True, "options": options, "companions": {}}
    made.instruments["bench-1"] = instrument.model_copy(update=more)
    return made


def resident_mb() -> float:
    line = next(x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


if __name__ == "__main__":
    sys.exit(main())
