"""One run of a method on a simulated instrument in memory."""

from daq.methods.concluding.conclude import conclude
from daq.testing.bench import Bench
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from simulators.thermometer.thermometer import Thermometer
from tests.support.runs.examples import driver_for, example, plan_of


def run(method, instrument, sample="", *, seed=1, temperature=25.0, longest=2400.0, **more):
    """Conclusion and bench of one run on a simulated instrument."""
    loaded = example(f"instruments/{instrument}.toml")
    if "fitted" in more:
        loaded = loaded.with_fitted(more.pop("fitted"))
    plan = plan_of(method, loaded, **more)
    driver = driver_for(loaded)
    simulator = (
        RotationalInstrument(
            geometry=GEOMETRIES[loaded.fitted], fluid=FLUIDS[sample], seed=seed, temperature=temperature,
            serial=loaded.expect_serial,
        )
        if sample
        else Thermometer(seed)
    )  # fmt: skip
    bench = Bench(plan, {loaded.name: driver}, {loaded.name: simulator})
    bench.begin()
    bench.run(longest)
    return conclude(plan, bench.facts), bench
