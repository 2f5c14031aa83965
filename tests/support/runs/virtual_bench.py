"""Runs measured on simulated instruments in memory, with a clock that the test steps, stored in a real database."""

import platform
import uuid
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import daq
from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun, EndRun, RegisterMethod
from daq.app.run.results import ResultMaker
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.used import Used, begin_configured
from daq.core.context import Standing
from daq.core.effects import Concluded, Ended, Send
from daq.core.events import ClockAnchor, Event, LinkUp, OperatorCommand, Received, Sent, Tick
from daq.core.journal import JournalWriter
from daq.core.pipeline import Pipeline
from daq.methods.files.digest import canonical
from daq.process.processor import processor
from daq.testing.bench import header_of
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from simulators.thermometer.thermometer import Thermometer

T0 = 1_764_000_000 * 10**9
SLICE_NS = 50_000_000


class SteppedClock:
    """A clock that the bench steps; it starts one second after boot."""

    boot_id = "a-boot"

    def __init__(self) -> None:
        self.now = 10**9

    def mono_ns(self) -> int:
        return self.now

    def utc_ns(self) -> int:
        return T0 + self.now


def run_id_of(sample: str, fluid: str = "clear-glaze", speed: float = 20, fill: str = "") -> str:
    """Return the id that a run of `StoredBench` has."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, sample + fluid + str(speed) + str(fill)))


@dataclass
class StoredBench:
    """One bench with its state directory; `measure` executes one run."""

    state: Path
    clock: SteppedClock = field(default_factory=SteppedClock)
    topics: Topics | None = None
    """Topics of the messages of its results; None: nothing is put into the outbox."""

    def __post_init__(self) -> None:
        self.state.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.catalogue = Catalogue.load(examples_dir())
        self.lines: list[bytes] = []

    def measure(
        self,
        sample: str,
        fluid: str = "clear-glaze",
        *,
        speed: float = 20,
        stop_after_s: float = 0.0,
        certified: str = "",
        standing: Standing | None = None,
        **about: Any,
    ) -> str:
        """Measure clear glaze on bench-1, or verify it with a certified fluid; return the id of the run.

        `standing` is the status of its verification at the start.
        """
        catalogue, clock = self.catalogue, self.clock
        instrument = catalogue.instrument("bench-1")
        if certified:
            method = catalogue.method("reference-verification")
            plan = catalogue.compile(method, instrument, fluid=catalogue.fluid(certified))
            about = {"product": ""} | about
        else:
            method, product = catalogue.method("clear-glaze-qc"), catalogue.product("clear-glaze")
            plan = catalogue.compile(method, instrument, product=product, choices={"speed": speed})
        plan = replace(plan, context=replace(plan.context, standing=standing))
        drivers = {n: catalogue.make_driver(catalogue.instrument(n)) for n in ("bench-1", "thermo-1")}
        boxes = {
            "bench-1": RotationalInstrument(geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS[fluid], seed=11),
            "thermo-1": Thermometer(seed=13),
        }
        run_id = run_id_of(sample, fluid, speed, about.get("fill", ""))
        libraries = {"python": platform.python_version(), "numpy": version("numpy"), "processor": processor()}
        header = header_of(plan, drivers, run=run_id, software=daq.__version__, libraries=libraries)
        record = RunRecord(
            id=run_id,
            instrument="bench-1",
            companions=("thermo-1",),
            sample=sample,
            method_id=method.id,
            method_version=method.version,
            method_digest=plan.digest,
            header=header.text,
            began_utc_ns=clock.utc_ns(),
            **{"operator": "m.keeper", "simulated": True, "product": "clear-glaze"} | about,
        )
        with Store(database_path(self.state), utc_ns=T0) as store:
            store.submit(
                RegisterMethod(method.id, method.version, plan.digest, canonical(method), clock.utc_ns(), "m.keeper")
            ).result()
            named = catalogue.products.get(record.product)
            fluid = catalogue.fluid(certified) if certified else None
            instruments = tuple(catalogue.instrument(n) for n in ("bench-1", "thermo-1"))
            used = Used(instruments, method, named, fluid)
            store.submit(begin_configured(BeginRun(record), catalogue, used, {})).result()
            maker = ResultMaker(record, plan, clock, lambda: store.source, self.topics, with_flat=True)
            pipeline = Pipeline(plan, drivers)
            journal = JournalWriter([link.name for link in plan.links])
            journal.header(header, clock.now)
            self._work(pipeline, journal, boxes, store, maker, run_id, stop_after_s)
        return run_id

    def _work(self, pipeline, journal, boxes, store, maker, run_id, stop_after_s) -> None:
        clock = self.clock
        started = clock.now
        waiting: list[Event] = [ClockAnchor(clock.now, clock.utc_ns(), clock.boot_id)]
        waiting += [LinkUp(clock.now, name) for name in boxes]
        waiting.append(OperatorCommand(clock.now, "begin", "m.keeper"))
        motor = ""
        while not motor:
            while waiting:
                event = waiting.pop(0)
                journal.event(event)
                for effect in pipeline.step((event,)):
                    journal.effect(effect, event.t)
                    if isinstance(effect, Send):
                        waiting.append(Sent(clock.now, effect.link, effect.data))
                        answer = boxes[effect.link].receive(effect.data)
                        if answer:
                            waiting.append(Received(clock.now, effect.link, answer))
                    elif isinstance(effect, Concluded):
                        store.submit(replace(maker.conclude(effect.facts), block=journal.cut())).result()
                    elif isinstance(effect, Ended):
                        motor = effect.motor
            clock.now += SLICE_NS
            assert clock.now - started < 600 * 10**9, "the run does not end within 600 s"
            for name, box in boxes.items():
                data = box.advance(SLICE_NS / 1e9)
                if data:
                    waiting.append(Received(clock.now, name, data))
            if stop_after_s and clock.now - started >= stop_after_s * 1e9:
                waiting.append(OperatorCommand(clock.now, "stop", "m.keeper"))
                stop_after_s = 0.0
            if clock.now >= pipeline.wake_at:
                waiting.append(Tick(clock.now))
        store.submit(EndRun(run_id, motor, clock.utc_ns(), "daemon", journal.cut())).result()
