"""Draw an instrument and a flow curve's points with its errors, and check the published parameters against the true ones.

The points are computed, not measured through the pipeline: a run of it for each would take hours.  Plan, budget and flow
curve are the real ones.  All errors but the scatter are drawn once for an instrument and are the same at all points.
"""

import functools
import math
import random
import tomllib
from contextlib import nullcontext
from dataclasses import dataclass, field
from typing import Literal
from unittest import mock

import numpy as np

from daq.core.faults import Quality
from daq.core.plan import Plan
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.concluding.intervals import stated_interval
from daq.methods.curves import curve as curve_module
from daq.methods.curves.curve import curve_of
from daq.methods.curves.curvedata import FlowCurveData
from daq.methods.files.instrument import Instrument
from daq.methods.files.load import parse
from daq.methods.files.product import Product
from daq.methods.files.recipe import ALL_MODELS, Method
from daq.methods.parts.measured import KeptValue
from daq.methods.planning.compile import compile_plan
from daq.methods.planning.ranging import stated
from daq.rheology.flowcurves.flowmodels import MODELS
from daq.rheology.viscosity_budget import viscosity_components
from tests.support.instruments.described import RotationalDriver
from tests.support.runs.examples import facts
from tests.support.runs.flow_curves import text

Distribution = Literal["rectangular", "normal"]

FULL_SCALE_UNM = 1000.0
FASTEST = 100.0
"""/min."""
LOWEST_TORQUE = 10.5
"""%; slower points would not be used."""

INSTRUMENT = """
name = "bench"
driver = "rotational"
port = "/dev/none"
enable_motion = true
simulated = true
fitted = "cone"
[specification]
torque_full_scale = "1000 uN.m"
{lines}
[geometries.cone]
kind = "cone_and_plate"
radius = 20.0
angle = 2.0
"""


@dataclass(frozen=True)
class Form:
    """One way of stating the instrument's limits, in % as in its file; `observed` is the zero seen at rest."""

    torque: float = 0.0
    torque_reading: float = 0.0
    zero: float = 0.0
    observed: float = 0.0
    drift: float = 0.0
    geometry: float = 0.0
    speed: float = 0.0
    includes: tuple[str, ...] = ()

    def lines(self) -> str:
        given = {k: getattr(self, k) for k in ("torque", "torque_reading", "zero", "geometry", "speed")}
        out = [f'{k} = "{v!r} %"' for k, v in given.items() if v]
        return "\n".join([*out, f"includes = {list(self.includes)!r}".replace("'", '"')])


FORMS: dict[str, Form] = {
    "nothing stated": Form(),
    "reading": Form(torque_reading=0.7),
    "reading, zero stated": Form(torque_reading=0.7, zero=0.3),
    "reading, zero stated, geometry, speed": Form(torque_reading=0.4, zero=0.1, geometry=0.4, speed=0.2),
    "reading, small zero, much scatter": Form(torque_reading=0.1, zero=0.02, geometry=0.1, speed=0.1),
    "full scale, includes the zero": Form(torque=1.0, includes=("zero",)),
    "full scale and reading, includes the zero": Form(torque=0.3, torque_reading=0.5, includes=("zero",)),
    "full scale, zero stated": Form(torque=0.3, zero=0.3),
    "reading, zero observed": Form(torque_reading=0.5, observed=0.3),
    "reading, zero and its drift observed": Form(torque_reading=0.5, observed=0.1, drift=0.2),
}
"""Forms of a specification.  The greatest limits are those of the issue's kind: 0.7 % of the reading, 0.3 % of zero."""


@dataclass(frozen=True)
class TrueFluid:
    """A model with its parameters at a stress of 1 Pa at the greatest rate, and the slowest speed over the fastest."""

    model: str
    parameters: tuple[float, ...]
    span: float

    def scaled(self, top_stress: float, top_rate: float) -> tuple[float, ...]:
        """Return the parameters that give `top_stress` (Pa) at `top_rate` (1/s); shapes stay, times go with the rate."""
        model = MODELS[self.model]
        times = np.array([p / top_rate if u == "s" else p for p, u in zip(self.parameters, model.units, strict=True)])
        factor = top_stress / float(model.stress(times, np.array([top_rate]))[0])
        linear = [u in ("Pa", "Pa.s") or name == "K" for name, u in zip(model.parameters, model.units, strict=True)]
        return tuple(float(p * factor) if yes else float(p) for p, yes in zip(times, linear, strict=True))


FLUIDS: dict[str, tuple[TrueFluid, ...]] = {
    "newtonian": (TrueFluid("newtonian", (1.0,), 8.5),),
    "bingham": (TrueFluid("bingham", (30.0, 0.5), 30.0), TrueFluid("bingham", (60.0, 0.3), 50.0)),
    "power_law": (TrueFluid("power_law", (1.0, 0.35), 50.0), TrueFluid("power_law", (1.0, 0.7), 18.0)),
    "herschel_bulkley": (
        TrueFluid("herschel_bulkley", (12.0, 3.0, 0.5), 60.0),
        TrueFluid("herschel_bulkley", (30.0, 2.0, 0.7), 60.0),
    ),
    "casson": (TrueFluid("casson", (20.0, 0.3), 50.0), TrueFluid("casson", (8.0, 0.3), 40.0)),
    "cross": (TrueFluid("cross", (1.0, 0.06, 40.0, 1.0), 120.0),),
    "carreau": (TrueFluid("carreau", (1.0, 0.03, 40.0, 0.2), 120.0),),
}


@dataclass(frozen=True)
class Case:
    """A simulated instrument: its fluid, its form of specification and the distribution its errors are drawn from."""

    fluid: TrueFluid
    form: Form
    distribution: Distribution = "rectangular"
    points: int = 9
    models: tuple[str, ...] = ALL_MODELS
    scatter: tuple[float, float] = (0.2, 1.0)
    """Range of the relative standard deviation of a point, %."""
    parameters_only: bool = False
    """True leaves the yield stress by the other models out, which takes nine tenths of the time."""


@dataclass(frozen=True)
class Simulated:
    """One flow curve with the truth."""

    curve: FlowCurveData
    truth: dict[str, float] = field(default_factory=dict)


def simulate(case: Case, seed: str) -> Simulated:
    """Return the flow curve of an instrument with errors drawn by `seed`."""
    rng = random.Random(seed)
    plan, base = plan_for(case.form, case.points, case.fluid.span, case.models)
    geometry = plan.context.geometry
    assert geometry is not None
    per_torque, per_omega = geometry.stress_per_torque or 0.0, geometry.rate_per_omega or 0.0
    full_scale = FULL_SCALE_UNM * 1e-6 * per_torque
    speeds = np.array(speeds_of(case.points, case.fluid.span))
    rates = speeds * math.pi / 30.0 * per_omega
    true = case.fluid.scaled(rng.uniform(0.75, 0.95) * full_scale, float(rates[-1]))
    draw = functools.partial(drawn, rng, case.distribution)
    form = case.form
    at_rest, at_full = draw(form.torque), draw(form.torque + form.torque_reading)
    if not form.torque:
        at_rest = 0.0
    zero = draw(form.zero)
    observed = None
    if form.observed:
        # A zero seen at rest is an error of one standard uncertainty; its size is drawn around what is usual.
        observed = form.observed * rng.choice((-1.0, 1.0))
        zero = observed if case.distribution == "rectangular" else rng.gauss(0.0, form.observed)
    zero += draw(form.drift)
    gain, faster = 1.0 + draw(form.geometry) / 100.0, 1.0 + draw(form.speed) / 100.0
    clean = MODELS[case.fluid.model].stress(np.array(true), rates * faster) / gain
    relative = math.exp(rng.uniform(*map(math.log, case.scatter))) / 100.0
    torque = 100.0 * clean / full_scale * (1.0 + relative * np.array([rng.gauss(0.0, 1.0) for _ in rates]))
    shown = torque + at_rest * (1.0 - torque / 100.0) + at_full * torque / 100.0 + zero
    found = finding(plan, base, form, rates, shown, observed)
    with (
        mock.patch.object(curve_module, "yield_stress_of", return_value=None) if case.parameters_only else nullcontext()
    ):
        curve = curve_of(plan, found)
    assert curve is not None
    return Simulated(curve, dict(zip(MODELS[case.fluid.model].parameters, true, strict=True)))


def drawn(rng: random.Random, distribution: Distribution, limit: float) -> float:
    """Return an error of a limit: rectangular, or normal with the same standard deviation."""
    return rng.uniform(-limit, limit) if distribution == "rectangular" else rng.gauss(0.0, limit / math.sqrt(3.0))


def speeds_of(points: int, span: float) -> list[float]:
    return [float(s) for s in np.round(np.geomspace(FASTEST / span, FASTEST, points), 6)]


def finding(
    plan: Plan, base: Conclusion, form: Form, rates: "np.ndarray", shown: "np.ndarray", observed: float | None
) -> Conclusion:
    """Return the conclusion of a run with these torques (% of full scale), with the budget of its last value."""
    geometry = plan.context.geometry
    assert geometry is not None
    stresses = shown / 100.0 * FULL_SCALE_UNM * 1e-6 * (geometry.stress_per_torque or 0.0)
    rows = tuple(
        KeptValue(
            step=i, name=f"s{i}", at="end", speed=plan.steps[i].speed, torque_percent=float(t), torque=float(t) / 100 * FULL_SCALE_UNM,
            shear_rate=float(g), stress=float(s), value=float(s / g), n=100, span_seconds=10.0, quality=Quality.GOOD,
            faults=() if t >= LOWEST_TORQUE - 5.0 else ("below_band",),
        )
        for i, (g, s, t) in enumerate(zip(rates, stresses, shown, strict=True))
    )  # fmt: skip
    value, torque = rows[-1].value or 0.0, float(shown[-1])
    components = viscosity_components(
        value, torque, stated(plan.context.specification), zero_percent=observed, zero_drift_percent=form.drift
    )
    uncertainty = stated_interval(value, components, (), unit="mPa.s") if components else None
    return base.model_copy(update={"steps": rows, "uncertainty": uncertainty})


@functools.cache
def plan_for(form: Form, points: int, span: float, models: tuple[str, ...]) -> tuple[Plan, Conclusion]:
    """Return the plan of a specification and speeds, and the conclusion of its run before any value."""
    asked = f"models = {list(models)!r}".replace("'", '"')
    method = parse(Method, tomllib.loads(text(speeds_of(points, span), more=f'branch = "up"\n{asked}')))
    instrument = parse(Instrument, tomllib.loads(INSTRUMENT.format(lines=form.lines())))
    product = parse(Product, {"id": "fluid", "name": "Fluid"})
    plan = compile_plan(method, instrument, RotationalDriver({"interval_ms": 100}), product=product)
    return plan, conclude(plan, facts([]))
