"""Flow-curve methods with given speeds, run on simulated instruments in memory."""

from collections.abc import Iterable
from pathlib import Path

from daq.core.plan import Plan
from daq.methods.concluding.conclude import conclude
from daq.methods.curves.curve import curve_of
from daq.methods.curves.curvedata import FlowCurveData
from daq.methods.files.load import load_method
from daq.testing.bench import Bench
from simulators.rotational import Fluid, RotationalInstrument
from simulators.rotational.catalogue import GEOMETRIES
from tests.support.runs.examples import driver_for, example, plan_of

HEAD = """
id = "curve"
version = "1"
title = "Flow curve"
claim = "at_time"

[torque]
low = {low}

[flow_curve]
{more}
"""
STEP = """
[[steps]]
name = "s{i}"
speed = {speed}
settle = "{settle}"
stop = "{stop}"
longest = "30 min"
keep = [{{ at = "end", span = "{span}" }}]
"""
RECOVERY = """
id = "recovery"
version = "1"
title = "Slow, fast, slow"
claim = "at_time"
[torque]
low = 5
[flow_curve]
[[steps]]
name = "before"
speed = 6
settle = "1 rev"
stop = "3 rev"
longest = "5 min"
keep = [{ at = "end", span = "1 rev" }]
[[steps]]
name = "middle"
speed = 12
settle = "1 rev"
stop = "3 rev"
longest = "5 min"
keep = [{ at = "end", span = "1 rev" }]
[[steps]]
name = "fast"
speed = 40
settle = "1 rev"
stop = "2 min"
longest = "5 min"
keep = [{ at = "end", span = "5 s" }]
[[steps]]
name = "after"
speed = 6
settle = "2 rev"
stop = "20 rev"
longest = "5 min"
keep = [{ at = "end", span = "1 rev" }, { at = "every", every = "3.5 rev", span = "1 rev" }]
"""


def text(speeds: Iterable[float], *, wait: float = 0.0, low: float = 10.0, more: str = "", settle: float = 2.0) -> str:
    """Return a method that holds each speed for `wait` seconds and at least 2 revolutions of settling and 1 of averaging."""
    out = HEAD.format(low=low, more=more)
    for i, speed in enumerate(speeds):
        turns = max(settle + 1.2, wait * speed / 60.0 + 1.2)
        out += STEP.format(i=i, speed=speed, settle=f"{turns - 1.2:.6g} rev", stop=f"{turns:.6g} rev", span="1 rev")
    return out


def measure(
    folder: Path,
    written: str,
    fluid: Fluid,
    instrument: str,
    fitted: str,
    *,
    seed: int = 1,
    product: str | None = None,
) -> tuple[FlowCurveData, Plan, Bench]:
    """Run a method (as text) on a fluid at 25 Cel; return its flow curve, plan and bench."""
    path = folder / "curve.toml"
    path.write_text(written, encoding="utf-8")
    loaded = example(f"instruments/{instrument}.toml").with_fitted(fitted)
    plan = plan_of(load_method(path), loaded, product=product)
    simulator = RotationalInstrument(
        geometry=GEOMETRIES[fitted], fluid=fluid, seed=seed, temperature=25.0, serial=loaded.expect_serial
    )
    bench = Bench(plan, {loaded.name: driver_for(loaded)}, {loaded.name: simulator})
    bench.begin()
    bench.run(20_000.0)
    curve = curve_of(plan, conclude(plan, bench.facts))
    assert curve is not None
    return curve, plan, bench


def up_and_down(*speeds):
    return [*speeds, *speeds[-2::-1]]


SLIP = {"low": 1, "wait": 220, "more": 'branch = "up"'}


CASES = [
    # fluid, bench, geometry, product, speeds, method, model, true parameters
    ("clear-glaze", "bench-1", "coaxial-12", "clear-glaze", up_and_down(6, 12, 20, 30, 40, 50), {}, "newtonian",
     {"eta": 0.8}),
    ("white-glaze", "bench-2", "cylinder-9", "white-glaze", up_and_down(2, 4, 8, 15, 30, 45, 65), {}, "power_law",
     {"K": 6.5, "n": 0.45}),
    ("engobe", "bench-2", "cylinder-9", "engobe", up_and_down(1, 2, 4, 8, 15, 30, 55), {}, "herschel_bulkley",
     {"tau_y": 8.0, "K": 3.2, "n": 0.55}),
    ("casson-glaze", "bench-2", "cylinder-9", None, up_and_down(2, 4, 8, 15, 30, 60, 90), {}, "casson",
     {"tau_c": 5.0, "eta_c": 0.12}),
    # First-order structure at equilibrium: eta = floor + span build/(build + break g), which is a Cross fluid with m = 1,
    # eta0 = 0.25 + 0.9, eta_inf = 0.25 and lam = 0.0015/0.02 s.
    ("casting-slip", "bench-1", "coaxial-12", "casting-slip", [0.8, 1.5, 3, 6, 12, 20, 40, 60, 80], SLIP, "cross",
     {"eta0": 1.15, "eta_inf": 0.25, "lam": 0.075, "m": 1.0}),
]  # fmt: skip
