"""The tasks after the end of a run: ``python -m tests.bench.run_end [--hours 24] [--keep DIR]``.

Printed, for a run of clear glaze, a flow curve with nine points and a run of `--hours`, all polled at 10 Hz: the time
of the conclusion and of each task that follows it, and the longest delay of a loop that wants to wake up every
millisecond meanwhile, as the loop that reads the serial lines does.  Each is carried out in a thread of the process of
that loop, and in the process for computations.  ``--hours 0`` leaves out the long run, which takes minutes to be made.
"""

import argparse
import asyncio
import logging
import shutil
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import structlog

from daq.adapters.clock import SystemClock
from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.daemon.computing.computations import Computations
from daq.app.daemon.computing.computing_process import ComputingProcess, worker_command
from daq.app.daemon.computing.tasks import (
    ComputeConclusion,
    ComputeFigures,
    FitCurve,
    NoteSample,
    StoreReportables,
    Task,
)
from daq.app.daemon.process import SWITCH_S
from daq.app.daemon.supervisor import Supervisor
from daq.app.records.history import raw_journal
from daq.app.records.replaying import maker
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.shift.fast_time import FastClock, FastLoop
from daq.app.workshop.shift.memory_ports import SimulatedPort
from daq.core.effects import Facts
from daq.core.journal import read_records
from daq.core.plan import Plan
from daq.core.replay import pipeline_of
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.intervals import load
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import load_method
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from tests.bench.long_run import BEGAN, METHOD

TOPICS: Final = Topics(enterprise="glaze-works", site="kiln-street", area="quality")
TURN_S: Final = 0.001
"""Time in seconds after which the loop wants to wake up."""
LONG: Final = "long-hold"


@dataclass(frozen=True)
class Made:
    """A run to be made: what it is called here, the ids of its order, and the sample in the vessel."""

    called: str
    method: str
    instrument: str
    product: str
    fluid: str
    geometry: str


RUNS: Final = (
    Made("1 min", "clear-glaze-qc", "bench-1", "clear-glaze", "clear-glaze", "coaxial-12"),
    Made("curve of nine points", "white-glaze-flow-curve", "bench-2", "white-glaze", "white-glaze", "cylinder-9"),
    Made("{hours:g} h", LONG, "bench-1", "", "clear-glaze", "coaxial-12"),
)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.run_end")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--keep", type=Path, help="keep the state directories here, and use those of an earlier call")
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    sys.setswitchinterval(SWITCH_S)
    load()
    with tempfile.TemporaryDirectory() as folder:
        for made in RUNS if asked.hours else RUNS[:-1]:
            measure(asked.keep or Path(folder), made, asked.hours)


def measure(folder: Path, made: Made, hours: float) -> None:
    state = folder / (made.method if made.method != LONG else f"{LONG}-{hours:g}")
    if not state.exists():
        make(state, made, hours)
    catalogue = _catalogue(made, state, hours)
    with Reader(database_path(state)) as reader:
        (run,) = reader.runs(limit=1)
        raw, _ = raw_journal(reader, run.id)
    plan, facts = facts_of(raw, catalogue)
    tasks: dict[str, Task[Any]] = {
        "conclusion": ComputeConclusion(plan, facts),
        "sample": NoteSample(run.id, catalogue.products),
        "reportable results": StoreReportables(run.id, TOPICS),
        "health figures": ComputeFigures(run.id),
        "flow curve": FitCurve(run.id, TOPICS),
    }
    # A copy for each: a task that finds its outcome stored has less to do.
    found = []
    for apart in (False, True):
        with tempfile.TemporaryDirectory() as copy:
            shutil.copytree(state, copy, dirs_exist_ok=True, ignore=shutil.ignore_patterns("control"))
            with Store(database_path(Path(copy))) as store:
                found.append(asyncio.run(_carried_out(store, catalogue, tasks, apart=apart)))
    print(f"{made.called.format(hours=hours)}: a journal of {len(raw) / 1e6:.2f} MB")
    print(f"  {'':<20} {'in the process of the loop':>30} {'in a process of its own':>30}")
    print(f"  {'':<20} {'s':>12} {'longest delay, ms':>17} {'s':>12} {'longest delay, ms':>17}")
    for name in found[0]:
        cells = (f" {one[name][0]:12.3f} {one[name][1] * 1e3:17.1f}" for one in found)
        print(f"  {name:<20}" + "".join(cells), flush=True)


async def _carried_out(
    store: Store, catalogue: Catalogue, tasks: dict[str, Task[Any]], *, apart: bool
) -> dict[str, tuple[float, float]]:
    """Return time (s) and longest delay (s) of each task; without `apart` the conclusion is computed in the loop."""
    process = None
    if apart:
        process = ComputingProcess(store, worker_command(store.path, store.uuid))
        process.start()
    computations = Computations(store, maker(catalogue.drivers), SystemClock(), process)
    await computations.carry_out(NoteSample("", {}))  # the process is ready
    found = {"nothing": await _timed(lambda: asyncio.sleep(0.5))}

    async def conclude_here() -> None:
        task = tasks["conclusion"]
        if isinstance(task, ComputeConclusion):
            conclude(task.plan, task.facts)

    for name, task in tasks.items():
        work = conclude_here if name == "conclusion" and not apart else partial(computations.carry_out, task)
        found[name] = await _timed(work)
    await computations.close()
    return found


async def _timed(work: Callable[[], Awaitable[Any]]) -> tuple[float, float]:
    """Return the time (s) of work and the longest delay (s) of the loop meanwhile."""
    worst, ended = 0.0, False

    async def turns() -> None:
        nonlocal worst
        before = time.perf_counter()
        while not ended:
            await asyncio.sleep(TURN_S)
            now = time.perf_counter()
            worst, before = max(worst, now - before - TURN_S), now

    turning = asyncio.create_task(turns())
    await asyncio.sleep(0.02)
    worst, began = 0.0, time.perf_counter()
    await work()
    spent = time.perf_counter() - began
    await asyncio.sleep(2 * TURN_S)
    ended = True
    await turning
    return spent, worst


def facts_of(raw: bytes, catalogue: Catalogue) -> tuple[Plan, Facts]:
    """Return plan and facts of a run from its journal."""
    pipeline = None
    for item in read_records(raw):
        if item.header is not None:
            pipeline = pipeline_of(item.header, maker(catalogue.drivers))
        elif item.event is not None and pipeline is not None:
            pipeline.step((item.event,))
    if pipeline is None:
        raise ValueError("the journal has no header")
    return pipeline.plan, pipeline.facts()


def make(state: Path, made: Made, hours: float) -> None:
    """Measure a run in fast time, with nothing that follows its end."""
    state.mkdir(mode=0o700, parents=True)
    loop = FastLoop()
    try:
        loop.run_until_complete(_measured(loop, state, made, hours))
    finally:
        loop.close()


async def _measured(loop: FastLoop, state: Path, made: Made, hours: float) -> None:
    clock = FastClock(loop, BEGAN)
    simulator = RotationalInstrument(geometry=GEOMETRIES[made.geometry], fluid=FLUIDS[made.fluid], seed=11)
    port = SimulatedPort(clock, simulator)
    supervisor = Supervisor(_catalogue(made, state, hours), state, clock, ports=lambda *_: port.open)
    await supervisor.start()
    loop.others.append(lambda: not supervisor.store.idle)
    supervisor._post_run.start = lambda *_, **__: None  # type: ignore[method-assign]
    try:
        order = RunOrder(
            sample="G-1", method_id=made.method, product=made.product, instrument=made.instrument, operator="m.keeper",
            anyway=True,
        )  # fmt: skip
        outcome = await (await supervisor.begin(order)).task
        if outcome.fault:
            raise RuntimeError(outcome.fault)
    finally:
        await supervisor.close()


def _catalogue(made: Made, state: Path, hours: float) -> Catalogue:
    catalogue = Catalogue.load(examples_dir())
    if made.method == LONG:
        file = state / f"{LONG}.toml"
        file.write_text(METHOD.format(hours=hours, longest=hours * 1.5))
        catalogue.methods[LONG] = {"1": load_method(file)}
    catalogue.daemon = Daemon(enable=(made.instrument,))
    instrument = catalogue.instruments[made.instrument]
    more = {"simulated": True, "options": {"interval_ms": 100}, "companions": {}, "expect_serial": None}
    catalogue.instruments[made.instrument] = instrument.model_copy(update=more)
    for name, product in catalogue.products.items():
        catalogue.products[name] = product.model_copy(update={"sample_ids": ()})
    return catalogue


if __name__ == "__main__":
    main()
