"""A bench in this process: a supervisor, and simulated instruments on in-memory ports, at 20 times real speed."""

import asyncio
import contextlib
import json

from daq.adapters.clock import ScaledClock
from daq.adapters.paths import examples_dir
from daq.adapters.ports.transport import MemoryConnection
from daq.app.daemon.supervisor import Supervisor
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.methods.files.load import load_method
from simulators.rotational import FLUIDS, GEOMETRIES, RotationalInstrument
from simulators.thermometer.thermometer import Thermometer
from tests.support.processes.laboratory import LONG, SHORT

SCALE = 20.0


class SimulatedPort:
    """One simulated instrument behind an in-memory port."""

    def __init__(self, clock, simulator):
        self.clock, self.simulator = clock, simulator
        self.sent = []
        """Time (ns) and bytes of every write."""
        self.silent = False
        self.connection = None
        self._seen = clock.mono_ns()
        self._on_data = None

    async def open(self, on_data, on_lost):
        self.connection = MemoryConnection(self._answer, on_data, on_lost)
        self._on_data = on_data
        return self.connection

    def advance(self):
        now = self.clock.mono_ns()
        data = self.simulator.advance((now - self._seen) / 1e9)
        self._seen = now
        if data and self.connection is not None and not self.connection._closed and not self.silent:
            self._on_data(data)

    def _answer(self, data):
        self.sent.append((self.clock.mono_ns(), data))
        self.advance()
        answer = self.simulator.receive(data)
        return b"" if self.silent else answer

    def words(self, since=0):
        """Return the first word of every write at `since` (ns) or later."""
        return [data.split(b"#")[0].split()[0].decode() for t, data in self.sent if t >= since]


def rotational(serial="R-1042", seed=1, geometry="coaxial-15"):
    return RotationalInstrument(
        geometry=GEOMETRIES[geometry], fluid=FLUIDS["reference-b"], temperature=25.0, seed=seed, serial=serial
    )


class SupervisorBench:
    """A supervisor of one rotational instrument (``bench-1``) and, if `companion`, a thermometer as its companion."""

    def __init__(
        self, folder, *, companion=False, expect_serial="R-1042", clock=None, state=None, catalogue=None, **options
    ):
        """`catalogue`: a configuration of its own, whose instruments are all rotational; None: that of the examples."""
        self.clock = clock or ScaledClock(SCALE)
        if catalogue is None:
            catalogue = self._of_examples(folder, companion, expect_serial)
            self.boxes = {
                "bench-1": SimulatedPort(self.clock, rotational()),
                "thermo-1": SimulatedPort(self.clock, Thermometer()),
            }
        else:
            self.boxes = {name: SimulatedPort(self.clock, rotational()) for name in catalogue.instruments}
        if state is None:
            state = folder / "state"
            state.mkdir(mode=0o700)
        self.supervisor = Supervisor(
            catalogue,
            state,
            self.clock,
            ports=lambda instrument, _driver: self.boxes[instrument.name].open,
            **options,
        )
        self.box = self.boxes["bench-1"]
        self._advancing = None

    @staticmethod
    def _of_examples(folder, companion, expect_serial):
        catalogue = Catalogue.load(examples_dir())
        lead = catalogue.instruments["bench-1"]
        update = {"simulated": True, "fitted": "coaxial-15", "expect_serial": expect_serial}
        if not companion:
            update["companions"] = {}
        names = ["bench-1", *(["thermo-1"] if companion else [])]
        catalogue.instruments = {"bench-1": lead.model_copy(update=update)} | {
            n: catalogue.instruments[n].model_copy(update={"simulated": True}) for n in names[1:]
        }
        catalogue.daemon = catalogue.daemon.model_copy(update={"enable": None})
        for name, text in (("short", SHORT), ("long", LONG)):
            (folder / f"{name}.toml").write_text(text, "utf-8")
            catalogue.methods[name] = {"1": load_method(folder / f"{name}.toml")}
        return catalogue

    async def __aenter__(self):
        await self.supervisor.start()
        self._advancing = asyncio.create_task(self._advance())
        await self.until(lambda: all(s.standing.state == "ready" for s in self.supervisor.sessions.values()))
        return self

    async def __aexit__(self, *_):
        for box in self.boxes.values():
            box.silent = False
        self._advancing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._advancing
        await self.supervisor.close()

    async def _advance(self):
        while True:
            for box in self.boxes.values():
                box.advance()
            await asyncio.sleep(0.005)

    async def until(self, condition, seconds=90.0):
        async with asyncio.timeout(seconds):
            while not (found := condition()):
                await asyncio.sleep(0.002)
        return found

    async def begin(self, method="short", **more):
        order = RunOrder(method_id=method, instrument="bench-1", sample="S-1", **more)
        return await self.supervisor.begin(order)

    async def measuring(self, method="long"):
        active = await self.begin(method)
        await self.until(lambda: active.runner.pipeline.state == "measuring")
        return active

    @property
    def session(self):
        return self.supervisor.sessions["bench-1"]

    def swap(self, serial):
        """Put another instrument of the same kind, at rest, behind the same port."""
        self.box.simulator = rotational(serial, seed=9)

    def result(self, run_id):
        with self.supervisor.store.reader() as reader:
            found = reader.results(run_id)
        return json.loads(found[0].data) if found else {"value": None}
