"""Runs of example methods in fast time that have ended, and of which nothing that follows has been computed."""

import asyncio
from dataclasses import dataclass
from pathlib import Path

from daq.adapters.paths import examples_dir
from daq.app.daemon.supervisor import Supervisor
from daq.app.laboratory.acts import carry_out
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.shift.fast_time import FastClock, FastLoop
from daq.app.workshop.shift.memory_ports import SimulatedPort
from daq.methods.files.daemon import Daemon
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from simulators.thermometer.thermometer import Thermometer
from tests.support.laboratories import any_ids

BEGAN = 1_764_000_000 * 10**9
BENCHES = {"bench-1": ("coaxial-12", "R-1042"), "bench-2": ("cylinder-9", "R-1043")}


@dataclass(frozen=True)
class Example:
    """A method on a bench of the examples, and what is filled in."""

    method: str
    instrument: str
    product: str = ""
    fluid: str = ""
    certificate: str = ""

    @property
    def sample(self) -> str:
        return f"S-{self.method}-{self.instrument}"


CLEAR_GLAZE = Example("clear-glaze-qc", "bench-1", "clear-glaze", "clear-glaze")
FLOW_CURVE = Example("white-glaze-flow-curve", "bench-2", "white-glaze", "white-glaze")
EXAMPLES = (
    CLEAR_GLAZE,
    FLOW_CURVE,
    Example("casting-slip-equilibrium", "bench-1", "casting-slip", "casting-slip"),
    Example("engobe-qc", "bench-2", "engobe", "engobe"),
    Example("slip-setting-time", "bench-1", "", "casting-slip"),
    Example("reference-check", "bench-1", "", "reference-b", "reference-b"),
    Example("reference-verification", "bench-2", "", "reference-b", "reference-b"),
    Example("find-speed", "bench-2", "engobe", "engobe"),
    Example("thermometer-log", "thermo-1"),
)
"""Example methods of all kinds: with a product, a flow curve, a verification, a time, a sought speed, no motor."""


def ended(folder: Path, *examples: Example) -> dict[Example, str]:
    """Measure `examples`, bench by bench, with the state directory `folder`; return the ids of the runs."""
    folder.mkdir(mode=0o700)
    loop = FastLoop()
    try:
        return loop.run_until_complete(_measured(loop, folder, examples))
    finally:
        loop.close()


async def _measured(loop: FastLoop, folder: Path, examples: tuple[Example, ...]) -> dict[Example, str]:
    clock = FastClock(loop, BEGAN)
    simulators = {
        name: RotationalInstrument(geometry=GEOMETRIES[geometry], fluid=FLUIDS["clear-glaze"], serial=serial, seed=11)
        for name, (geometry, serial) in BENCHES.items()
    }
    ports = {
        name: SimulatedPort(clock, made) for name, made in (simulators | {"thermo-1": Thermometer(seed=13)}).items()
    }
    supervisor = Supervisor(_catalogue(ports), folder, clock, ports=lambda instrument, _: ports[instrument.name].open)
    await supervisor.start()
    loop.others.append(lambda: not supervisor.store.idle)
    supervisor._post_run.start = lambda *_, **__: None
    found = {}
    try:
        for example in examples:
            if example.product:
                order = {"id": example.sample, "product": example.product, "bench": example.instrument}
                await asyncio.to_thread(carry_out, supervisor.laboratory("m.keeper"), "sample_add", order)
            if example.fluid:
                simulators[example.instrument].fill(FLUIDS[example.fluid])
            order = RunOrder(
                method_id=example.method,
                instrument=example.instrument,
                sample=example.sample,
                product=example.product,
                fluid=example.certificate,
                operator="m.keeper",
                anyway=True,
            )
            active = await supervisor.begin(order)
            outcome = await active.task
            assert not outcome.fault, outcome
            found[example] = outcome.run_id
    finally:
        await supervisor.close()
    return found


def _catalogue(ports: dict[str, SimulatedPort]) -> Catalogue:
    catalogue = Catalogue.load(examples_dir())
    any_ids(catalogue)
    catalogue.daemon = Daemon(enable=tuple(ports))
    for name in ports:
        instrument = catalogue.instruments[name]
        options = {"interval_ms": 500} if name in BENCHES else instrument.options
        update = {"simulated": True, "options": options, "companions": {}}
        catalogue.instruments[name] = instrument.model_copy(update=update)
    return catalogue
