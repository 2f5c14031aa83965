"""Bytes of the database for each run, table by table: runs of clear glaze of about a minute, polled at 10 Hz.

The daemon's own supervisor measures them in fast time, with all that follows a run, and puts their messages into the
outbox.  Delivered, they are packed as after the time that `[retention] payloads` gives.
"""

import asyncio
import sqlite3
import tempfile
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Final

from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.outgoing.delivery import Acknowledge
from daq.adapters.store.outgoing.packing import PackDelivered
from daq.adapters.store.store import Store
from daq.app.daemon.supervisor import Supervisor
from daq.app.delivery.publishing import Publishing
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.shift.fast_time import FastClock, FastLoop
from daq.app.workshop.shift.memory_ports import SimulatedPort
from daq.methods.files.daemon import Daemon
from daq.process.logs import set_up_logs
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from simulators.thermometer.thermometer import Thermometer
from tests.bench.goals import Row
from tests.bench.long_run import BEGAN

FIRST: Final = 2
"""Number of runs before those that are counted."""
RUNS: Final = 8
"""Number of all runs."""
TOPICS: Final = Topics(enterprise="glaze-works", site="kiln-street", area="quality")


def main() -> list[Row]:
    set_up_logs("critical", "json")
    with tempfile.TemporaryDirectory() as folder:
        path = database_path(Path(folder))
        measured(Path(folder), FIRST)
        before = bytes_of(path)
        seconds = measured(Path(folder), RUNS - FIRST, first=FIRST)
        whole = bytes_of(path)
        count = RUNS - FIRST
        print(f"Bytes of the database for each of {count} runs of {seconds:.0f} s, and packed after their delivery")
        pack(path)
        packed = bytes_of(path)
    for name, size in whole.most_common():
        if size - before[name] > 0:
            print(f"  {name:<30} {(size - before[name]) / count:9,.0f} {packed[name] / RUNS:9,.0f}")
    now, then = (whole - before).total() / count / 1000, packed.total() / RUNS / 1000
    print(f"  {'all':<30} {now * 1000:9,.0f} {then * 1000:9,.0f}")
    return [
        Row(f"bytes a run of {seconds:.0f} s at 10 Hz", now, 35, "kB"),
        Row("the same, delivered and packed", then, 35, "kB"),
    ]


def measured(state: Path, count: int, *, first: int = 0) -> float:
    """Measure runs one after the other; return the mean time (s) of one."""
    loop = FastLoop()
    try:
        return loop.run_until_complete(_measured(loop, state, range(first, first + count)))
    finally:
        loop.close()


async def _measured(loop: FastLoop, state: Path, numbers: range) -> float:
    clock = FastClock(loop, BEGAN + numbers.start * 3600 * 10**9)
    boxes = {
        "bench-1": RotationalInstrument(
            geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS["clear-glaze"], seed=11 + numbers.start
        ),
        "thermo-1": Thermometer(seed=13),
    }
    ports = {name: SimulatedPort(clock, box) for name, box in boxes.items()}
    catalogue = Catalogue.load(examples_dir())
    catalogue.daemon = Daemon(enable=tuple(ports))
    for name in ports:
        more = {"simulated": True, "expect_serial": None}
        catalogue.instruments[name] = catalogue.instruments[name].model_copy(update=more)
    for name, product in catalogue.products.items():
        catalogue.products[name] = product.model_copy(update={"sample_ids": ()})
    supervisor = Supervisor(
        catalogue,
        state,
        clock,
        ports=lambda instrument, _: ports[instrument.name].open,
        publishing=Publishing(MqttSettings(host="127.0.0.1"), TOPICS, flat=True),
    )
    supervisor._start_delivery = lambda: None  # type: ignore[method-assign]  # the messages wait in the outbox
    await supervisor.start()
    loop.others.append(lambda: not supervisor.store.idle)
    spent = 0.0
    try:
        for number in numbers:
            order = RunOrder(
                sample=f"G-{number}", method_id="clear-glaze-qc", product="clear-glaze", instrument="bench-1",
                operator="m.keeper", lot=f"L-{number}",
            )  # fmt: skip
            began = clock.mono_ns()
            outcome = await (await supervisor.begin(order)).task
            spent += (clock.mono_ns() - began) / 1e9
            if outcome.fault:
                raise RuntimeError(outcome.fault)
            await asyncio.sleep(60)
    finally:
        await supervisor.close()
    return spent / len(numbers)


def pack(path: Path) -> None:
    """Acknowledge all messages, and pack their payloads."""
    with Store(path) as store, store.reader() as reader:
        waiting = tuple(message.seq for message in reader.waiting(limit=10_000))
        store.submit(Acknowledge(waiting, BEGAN)).result()
        last: int | None = 0
        while last is not None:
            last = store.submit(PackDelivered(last, 2 * BEGAN)).result().last


def bytes_of(path: Path) -> Counter[str]:
    """Return the bytes in use of each table and index: of its pages without their free parts."""
    with closing(sqlite3.connect(path)) as db:
        try:
            rows = db.execute("SELECT name, sum(pgsize - unused) FROM dbstat GROUP BY name").fetchall()
        except sqlite3.OperationalError as error:
            raise RuntimeError(f"this SQLite has no table dbstat ({error}); take one that was built with it") from error
    return Counter(dict(rows))
