"""Simulated benches for planning: an instrument's file, a method, a fluid, and a watch on the sensor's true deflection."""

import functools
from dataclasses import dataclass, field
from pathlib import Path

from daq.core.plan import Plan
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.files.instrument import Instrument
from daq.methods.files.load import load_method
from daq.methods.planning.compile import compile_plan
from daq.testing.bench import Bench
from simulators.rotational.catalogue import GEOMETRIES
from simulators.rotational.fluids import Fluid
from simulators.rotational.instrument import RotationalInstrument
from simulators.rotational.specification import Specification
from tests.support.instruments.described import RotationalDriver
from tests.support.runs.examples import example

SEEK = """
id = "seek"
version = "1"
title = "Seek"
claim = "at_time"
{more}
[[steps]]
name = "seek"
speed = {speed}
settle = "{settle}"
longest = "48 h"
seek = {{ low = {low}, high = {high}, slowest = {slowest}, fastest = {fastest}, tries = {tries}, span = "{span}" }}
"""

READ = """
id = "read"
version = "1"
title = "Read"
claim = "at_time"
[conditioning]
soak = "11 s"
[choices.speed]
default = {speed}
allowed = [{allowed}]
unit = "/min"
[[steps]]
name = "reading"
speed = "speed"
settle = "2 rev"
stop = "3.5 rev"
longest = "10 h"
keep = [{{ at = "end", span = "1 rev" }}]
"""


@dataclass
class Watched(RotationalInstrument):
    """A simulated instrument whose true deflection is noted at every refresh: (s, % of full scale)."""

    deflections: list[tuple[float, float]] = field(default_factory=list)

    def __init__(self, *args, **more) -> None:
        self.deflections = []
        super().__init__(*args, **more)

    def _refresh(self) -> None:
        super()._refresh()
        self.deflections.append((self._refreshes * 0.1, self._sensor.deflection))

    def seconds_above(self, percent: float) -> float:
        """From the first to the last refresh at which the deflection was above `percent`, s."""
        above = [t for t, d in self.deflections if d > percent]
        return above[-1] - above[0] + 0.1 if above else 0.0


@functools.cache
def bench_file(name: str) -> Instrument:
    return example(f"instruments/{name}.toml")


def instrument_for(geometry: str, **limits: float) -> Instrument:
    """The bench of the glaze works that has a geometry, with it fitted, and other limits where given."""
    loaded = bench_file("bench-1" if geometry.startswith("coaxial") else "bench-2").with_fitted(geometry)
    return loaded.model_copy(update={"limits": loaded.limits.model_copy(update=limits)})


def seek_method(folder: Path, **given):
    values = {
        "more": "", "speed": 1, "settle": "1 rev", "low": 40, "high": 80, "slowest": 0.5, "fastest": 100, "tries": 6,
        "span": "1 rev",
    } | given  # fmt: skip
    path = folder / "seek.toml"
    path.write_text(SEEK.format(**values), encoding="utf-8")
    return load_method(path)


def read_method(folder: Path, speed: float, *others: float):
    path = folder / "read.toml"
    path.write_text(READ.format(speed=speed, allowed=", ".join(f"{s:g}" for s in (speed, *others))), encoding="utf-8")
    return load_method(path)


@dataclass
class Run:
    """One run in memory and what came of it."""

    plan: Plan
    bench: Bench
    simulator: Watched

    @functools.cached_property
    def conclusion(self) -> Conclusion:
        return conclude(self.plan, self.bench.facts)

    @property
    def tries(self) -> list[tuple[float, float]]:
        """Speeds and torques of the kept values."""
        return [(r.set_speed, r.torque_percent) for r in self.conclusion.steps]


def measured(method, instrument: Instrument, fluid: Fluid, *, seed=1, spec=None, longest=200_000.0, **more) -> Run:
    """Run `method` on a simulated instrument filled with `fluid`, to its end."""
    driver = RotationalDriver(instrument.options)
    plan = compile_plan(method, instrument, driver, **more)
    simulator = Watched(
        spec or Specification(), GEOMETRIES[instrument.fitted], fluid, seed, serial=instrument.expect_serial
    )
    bench = Bench(plan, {instrument.name: driver}, {instrument.name: simulator})
    bench.begin()
    bench.run(longest)
    return Run(plan, bench, simulator)
