"""A bench in this process with registered samples, and a person at its keys."""

import asyncio
import itertools
from dataclasses import replace

from daq.adapters.clock import ScaledClock
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.bench.flows import BenchFlows
from daq.app.laboratory.laboratory import find
from daq.app.records.history import history
from daq.laboratory.bench.benchstate import Checklist, NamedSample
from daq.laboratory.bench.checklists import Facts
from daq.methods.files.product import Limit
from daq.methods.files.producttest import ProductTest
from tests.support.memory_bench import SupervisorBench


class Shift(SupervisorBench):
    """A supervisor with the product ``engobe``, measured by the method ``short``; its limits are wide."""

    def __init__(self, folder, **options):
        super().__init__(folder, clock=options.pop("clock", None) or ScaledClock(2.0), **options)
        limit = Limit.model_validate({"low": 1, "high": 1e6, "unit": "mPa.s", "methods": ["short 1"]})
        catalogue = self.supervisor.catalogue
        update = {"limits": (limit,), "replicates": None, "tests": (ProductTest(method="short 1"),)}
        catalogue.products["engobe"] = catalogue.product("engobe").model_copy(update=update | {"sample_ids": ()})

    async def act(self, name, login="m.keeper", **order):
        return await asyncio.to_thread(carry_out, self.supervisor.laboratory(login), name, order)

    async def add(self, *samples):
        for sample in samples:
            await self.act("sample_add", id=sample, product="engobe", lot="2211")

    def view(self):
        return self.supervisor.benches.view("bench-1")

    async def press(self, command, **more):
        return await self.act("bench_command", bench="bench-1", command=command, seen=self.view().revision, **more)

    async def scan(self, text):
        return await self.act("bench_text", bench="bench-1", text=text, seen=self.view().revision)

    async def until_stage(self, *stages):
        """Wait for one of some stages, and return the view."""
        await self.until(lambda: self.view().stage in stages)
        return self.view()

    async def open_shift(self):
        """Confirm level, zero and geometry."""
        assert self.view().stage == "zeroing"
        await self.press("confirm")
        await self.press("confirm")
        assert self.view().stage == "choosing"

    async def measure(self, sample):
        """Name a sample, confirm, and wait for its verdict; return the id of the run."""
        await self.scan(sample)
        assert (await self.press("confirm"))["stage"] in ("starting", "running")
        return (await self.until_stage("verdict")).run

    def checklist(self, run):
        with self.supervisor.store.reader() as reader:
            return find(reader, Checklist, run)

    def shown(self, run):
        with self.supervisor.store.reader() as reader:
            return history(reader, reader.run(run))

    def audited(self, *kinds):
        with self.supervisor.store.reader() as reader:
            return [e for e in reader.audit() if e.what in kinds]

    def started_runs(self):
        with self.supervisor.store.reader() as reader:
            return [r.id for r in reader.runs(limit=-1)]


class NoHands:
    """The daemon of a bench without rotor: it knows every sample, and starts and stops nothing."""

    def __init__(self):
        self.started, self.stopped = [], []

    def facts(self, reader, state):
        return Facts(mono_ns=10**12, utc_ns=18 * 10**17, fitted="coaxial-12")

    def named(self, reader, bench, text):
        return NamedSample(sample=text)

    def begin(self, bench, begin, actor):
        self.started.append(begin)

    def stop(self, bench, actor):
        self.stopped.append(bench)

    def taken_out(self, reader, bench, geometry):
        raise AssertionError(geometry)


class NoTrials:
    """Trials that start no process."""

    def start(self, order, _utc_ns, audit):
        ident = f"trial of {order.port}"
        audit(ident)
        return ident


def with_flows(lab):
    """Return a laboratory whose benches have flows and that has trials, as that of a daemon."""
    ids = (f"note-{number}" for number in itertools.count())
    return replace(lab, flows=BenchFlows(lab.store, lab.clock, NoHands(), lambda: next(ids)), trials=NoTrials())
