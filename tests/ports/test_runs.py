"""Whole runs through a line that several share: lead and companion on one port, another run beside it, all replayed."""

import asyncio
from importlib.metadata import EntryPoint

import pytest

from daq.adapters.clock import SystemClock
from daq.adapters.paths import examples_dir
from daq.app.daemon.supervisor import Supervisor
from daq.app.records.replaying import recompute
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.drivers import Drivers
from daq.app.setup.run_order import RunOrder
from daq.core.events import Sent
from daq.core.journal import read_records
from daq.methods.files.instrument import Instrument
from daq.methods.files.load import load_method
from tests.ports.parts import Bus, until

pytestmark = pytest.mark.slow


@pytest.fixture
def bus():
    made = Bus(1, 2, 3)
    yield made
    made.close()


def catalogue_on(bus, folder):
    catalogue = Catalogue.load(examples_dir())
    catalogue.drivers = Drivers.find([EntryPoint("tiny", "tests.ports.parts:Tiny", "daq.drivers")])
    units = [
        Instrument(
            name=f"unit-{n}",
            driver="tiny",
            port=bus.path,
            expect_serial=f"T-{n:04d}",
            options={"address": n},
            simulated=True,
            specification={"temperature": "0.1 K"},
            companions={"beside": "unit-2"} if n == 1 else {},
        )
        for n in (1, 2, 3)
    ]
    catalogue.instruments = {u.name: u for u in units}
    catalogue.daemon = catalogue.daemon.model_copy(update={"enable": None})
    text = (examples_dir() / "methods" / "thermometer-log.toml").read_text("utf-8")
    for old, new in (("2 min", "3 s"), ("30 s", "1 s"), ("60 s", "2 s")):
        assert old in text
        text = text.replace(f'"{old}"', f'"{new}"')
    (folder / "short.toml").write_text(text, "utf-8")
    catalogue.methods = {"thermometer-log": {"1": load_method(folder / "short.toml")}}
    return catalogue


@pytest.mark.asyncio
async def test_runs_on_a_shared_line_conclude_and_replay(bus, tmp_path):
    catalogue = catalogue_on(bus, tmp_path)
    supervisor = Supervisor(catalogue, tmp_path / "state", SystemClock())
    (tmp_path / "state").mkdir()
    await supervisor.start()
    try:
        await until(lambda: all(s.standing.state == "ready" for s in supervisor.sessions.values()), 60)
        bus.members["03"].late_s = 0.25  # too late for every request, while two others measure
        active = await supervisor.begin(RunOrder(method_id="thermometer-log", instrument="unit-1", sample="slip-7"))
        outcome = await asyncio.wait_for(active.task, 60)
        assert (outcome.outcome, outcome.fault) == ("complete", "")
        with supervisor.store.reader() as reader:
            record = reader.run(outcome.run_id)
            again = recompute(reader, record, catalogue.drivers)
            raw = b"".join(block.raw for block in reader.journal(outcome.run_id))
        assert again.same, (again.replay.difference, again.differences)
        counters = again.replay.facts.counters
        assert set(counters) == {"unit-1", "unit-2"}
        for name, counts in counters.items():
            assert counts["readings"] >= 3, name
        values = {kept.summaries["temperature"].mean for kept in again.replay.kept}
        assert values == {21.0}
        # A request that waits for the line is journaled when it goes out.
        sent = [r.event.t for r in read_records(raw) if isinstance(r.event, Sent)]
        assert sent == sorted(sent)
        # All are idle again, and the third instrument comes back.
        bus.members["03"].late_s = 0.0
        await until(lambda: all(s.standing.state == "ready" for s in supervisor.sessions.values()), 60)
    finally:
        await supervisor.close()
