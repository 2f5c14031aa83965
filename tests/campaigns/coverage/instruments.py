"""Draw an instrument, a fluid and a speed, run the real pipeline on them, and compute the true viscosity.

Gain, zero, geometry, speed, probe and the phase of the ripple are drawn once per instrument and are the same for all of
its readings; only noise is drawn for each reading.
"""

import functools
import math
import random
import tomllib
from dataclasses import dataclass

from daq.core.plan import Plan
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.files.instrument import Instrument
from daq.methods.files.load import parse
from daq.methods.files.product import Product
from daq.methods.files.recipe import Method
from daq.methods.planning.compile import compile_plan
from daq.testing.bench import Bench
from simulators.rotational.catalogue import GEOMETRIES
from simulators.rotational.flow import torque_table
from simulators.rotational.fluids import KELVIN, Andrade, Fluid
from simulators.rotational.geometry import CoaxialCylinders, Geometry, wall_stress
from simulators.rotational.instrument import RotationalInstrument
from simulators.rotational.laws import Casson, FlowLaw, HerschelBulkley, Newtonian, PowerLaw
from simulators.rotational.specification import Specification
from tests.support.instruments.described import RotationalDriver

LAWS: dict[str, tuple[FlowLaw, ...]] = {
    "Newtonian": (Newtonian(1.0),),
    "power law": (PowerLaw(1.0, 0.35), PowerLaw(1.0, 0.6), PowerLaw(1.0, 0.85)),
    "Herschel-Bulkley": (HerschelBulkley(2.0, 1.0, 0.5), HerschelBulkley(1.0, 1.0, 0.8)),
    "Casson": (Casson(1.0, 0.05), Casson(1.0, 0.5)),
}
"""Shapes of flow curves; a factor on the stress brings each to the torque that was drawn."""

FULL_SCALE_UNM = 1000.0
SPEEDS = (8.0, 100.0)
TORQUES = (11.0, 92.0)

METHOD = """
id = "campaign"
version = "1"
title = "Eight seconds at one speed"
claim = "at_time"
[choices.speed]
default = {speed!r}
allowed = [{speed!r}]
unit = "/min"
[conditioning]
rest = "2 s"
[[steps]]
name = "reading"
speed = "speed"
settle = "1 rev"
stop = "{stop!r} s"
longest = "5 min"
keep = [{{ at = "end", span = "8 s" }}]
"""

INSTRUMENT = """
name = "bench"
driver = "rotational"
port = "/dev/none"
enable_motion = true
simulated = true
fitted = "rotor"
[specification]
torque_full_scale = "1000 uN.m"
torque_resolution = "0.01 %"
speed = "{s.speed_limit_percent!r} %"
geometry = "{s.geometry_limit_percent!r} %"
temperature = "{s.probe_limit_kelvin!r} K"
{torque}
[geometries.rotor]
{geometry}
"""

SEPARATE = 'torque_reading = "{s.gain_limit_percent!r} %"\nzero = "{s.zero_limit_percent!r} %"'
"""Gain and zero stated separately, as they are drawn."""
TOGETHER = 'torque = "{s.torque_limit_percent!r} %"\nincludes = ["zero"]'
"""One limit in % of full scale that covers both, as most makers state it."""


@dataclass(frozen=True)
class Scaled:
    """Andrade's law times a factor on the stress."""

    factor_at_reference: float
    law: Andrade

    def factor(self, celsius: float) -> float:
        return self.factor_at_reference * self.law.factor(celsius)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One instrument and run: the true viscosity, and the checks of the published intervals for each way of stating the torque."""

    kind: str
    torque: float
    truth: float
    value: float
    faults: tuple[str, ...]
    separate: "IntervalCheck | None"
    together: "IntervalCheck | None"


@dataclass(frozen=True, slots=True)
class IntervalCheck:
    """Check of the two intervals: whether each holds the true value, and their half-widths in % of the value."""

    propagated: bool
    """True if the published interval is that of JCGM 101; otherwise it is that of JCGM 100."""
    holds_100: bool
    holds_101: bool
    half_100: float
    half_101: float


def run_one(seed: int, number: int) -> Outcome:
    """Run instrument `number` of a campaign; the same arguments give the same outcome."""
    rng = random.Random(f"campaign {seed} instrument {number}")
    name = rng.choice(sorted(GEOMETRIES))
    geometry = GEOMETRIES[name]
    kind = rng.choice(["Newtonian", "Newtonian", "power law", "Herschel-Bulkley", "Casson"])
    law = rng.choice(LAWS[kind])
    speed = round(math.exp(rng.uniform(*map(math.log, SPEEDS))), 2)
    torque = math.exp(rng.uniform(*map(math.log, TORQUES)))
    celsius = rng.uniform(20.0, 30.0)
    andrade = Andrade(rng.uniform(1500.0, 6000.0), celsius)
    omega = speed * math.pi / 30.0
    scale = torque / 100.0 * FULL_SCALE_UNM * 1e-6 / torque_table(geometry, law).torque(omega)
    spec = Specification(
        torque_noise_percent=math.exp(rng.uniform(math.log(0.01), math.log(0.3))),
        ripple_percent_of_reading=rng.uniform(0.0, 0.8),
        ripple_percent=rng.uniform(0.0, 0.1),
    )
    fluid = Fluid(f"fluid {number}", law, Scaled(scale, andrade))
    simulator = RotationalInstrument(spec, geometry, fluid, seed=seed * 1_000_003 + number, temperature=celsius)
    coefficient = -100.0 * andrade.b_kelvin / (celsius + KELVIN) ** 2
    separate, together = (plan_for(name, geometry, speed, spec, coefficient, text) for text in (SEPARATE, TOGETHER))
    driver = RotationalDriver({"interval_ms": 100})
    bench = Bench(separate, {"bench": driver}, {"bench": simulator})
    bench.begin()
    bench.run(600.0)
    c = conclude(separate, bench.facts)
    if c.value is None or c.row is None or c.row.temperature is None or c.row.speed is None:
        raise RuntimeError(f"instrument {number}: no value ({c.reasons})")
    truth = true_viscosity(geometry, law, fluid, speed, c.row.temperature)
    return Outcome(
        kind, c.row.torque_percent or 0.0, truth, c.value, c.faults,
        check_intervals(c, truth), check_intervals(conclude(together, bench.facts), truth),
    )  # fmt: skip


def check_intervals(c: Conclusion, truth: float) -> IntervalCheck | None:
    """Return the check; None where the result has no interval, because a slow ripple leaves too few independent readings."""
    if c.value is None or c.uncertainty is None:
        raise RuntimeError("a value without uncertainty")
    u = c.uncertainty
    if u.expanded is None or u.low is None or u.high is None:
        if [r.code for r in u.reasons] != ["too_few_effective_readings"]:
            raise RuntimeError(f"no interval: {u.reasons}")
        return None
    half_100 = u.expanded if u.compared is None else u.compared.expanded or 0.0
    return IntervalCheck(
        u.trials is not None,
        abs(c.value - truth) <= half_100,
        u.low <= truth <= u.high,
        100.0 * half_100 / c.value,
        100.0 * u.expanded / c.value,
    )


def true_viscosity(geometry: Geometry, law: FlowLaw, fluid: Fluid, speed: float, celsius: float) -> float:
    """Return the viscosity (mPa.s) that an instrument without any error shows at this speed and sample temperature.

    It is that of a Newtonian fluid of the same torque, from the simulator's numerical flow solution.
    """
    omega = speed * math.pi / 30.0
    torque = torque_table(geometry, law).torque(omega) * fluid.temperature.factor(celsius)
    narrowing = 1.0 - (geometry.inner_radius_m / geometry.outer_radius_m) ** 2
    return 1e3 * wall_stress(geometry, torque) * narrowing / (2.0 * omega)


def plan_for(name: str, geometry: Geometry, speed: float, spec: Specification, coefficient: float, torque: str) -> Plan:
    stop = math.ceil(60.0 / speed) + 10.0
    method = parse(Method, tomllib.loads(METHOD.format(speed=speed, stop=stop)))
    instrument = parse(
        Instrument,
        tomllib.loads(INSTRUMENT.format(s=spec, torque=torque.format(s=spec), geometry=geometry_of(name))),
    )
    product = parse(Product, {"id": "fluid", "name": "Fluid", "temperature_coefficient": coefficient})
    return compile_plan(method, instrument, RotationalDriver({"interval_ms": 100}), product=product)


@functools.cache
def geometry_of(name: str) -> str:
    """Return the simulator's geometry as an instrument's file describes it."""
    g = GEOMETRIES[name]
    common = f"length = {1e3 * g.length_m!r}\nend_factor = {g.end_factor!r}\n"
    if isinstance(g, CoaxialCylinders):
        return (
            f'kind = "coaxial_cylinders"\ninner_radius = {1e3 * g.inner_radius_m!r}\n'
            f"outer_radius = {1e3 * g.outer_radius_m!r}\n{common}"
        )
    return (
        f'kind = "single_cylinder_in_large_vessel"\nradius = {1e3 * g.inner_radius_m!r}\n'
        f"vessel_radius = {1e3 * g.outer_radius_m!r}\n{common}"
    )


__all__ = ["IntervalCheck", "Outcome", "run_one"]
