"""A simulated rotational instrument under virtual time, with a plan from the files of an instrument and a method."""

from daq.methods.files.load import load_instrument, load_method
from daq.methods.planning.compile import compile_plan
from daq.testing import Bench
from simulators.rotational import (
    CoaxialCylinders,
    RotationalInstrument,
    Specification,
)
from simulators.thermometer import Thermometer
from tests.support.instruments.described import RotationalDriver, ThermometerDriver

PERFECT = {
    "gain_limit_percent": 0.0, "zero_limit_percent": 0.0, "geometry_limit_percent": 0.0, "speed_limit_percent": 0.0,
    "probe_limit_kelvin": 0.0, "torque_noise_percent": 0.0, "speed_noise_percent": 0.0, "probe_noise_kelvin": 0.0,
    "ripple_percent_of_reading": 0.0, "ripple_percent": 0.0,
}  # fmt: skip


INSTRUMENT = """
name = "bench-1"
driver = "rotational"
port = "/dev/none"
enable_motion = true
fitted = "{fitted}"

[options]
interval_ms = 100
mode = "{mode}"

[limits]
speed = "200 /min"

[specification]
torque_full_scale = "{full_scale} uN.m"
torque = "1 %"

[geometries.coaxial-15]
kind = "coaxial_cylinders"
inner_radius = 15.0
outer_radius = 16.2705
length = 45.0
end_factor = 1.10

[geometries.cylinder-9]
kind = "single_cylinder_in_large_vessel"
radius = 9.0
length = 60.0

[companions]
external = "thermo-1"
"""


METHOD = """
id = "method"
version = "1"
title = "Method"
claim = "at_time"

[conditioning.temperature]
signal = "{signal}"
target = {temperature}
band = 0.3
hold = "2 s"
longest = "2 min"

[[steps]]
name = "reading"
speed = "{speed} /min"
settle = "2 rev"
stop = "{seconds} s"
longest = "5 min"
keep = [{{ at = "end", span = "{span}" }}]
"""


THERMOMETER = """
name = "thermo-1"
driver = "thermometer"
port = "/dev/none"
"""


def bench_of(
    tmp_path, fluid, *, geometry=None, full_scale=1000.0, speed=60.0, temperature=25.0, seed=1, spec=None, mode="poll",
    fitted="coaxial-15", seconds=30, span="10 s", thermometer=False, **hostile,
) -> Bench:  # fmt: skip
    """Return a bench with a filled instrument; the plan is made from the files of an instrument and a method."""
    (tmp_path / "instrument.toml").write_text(INSTRUMENT.format(fitted=fitted, mode=mode, full_scale=full_scale))
    signal = "external.temperature" if thermometer else "temperature"
    method = METHOD.format(signal=signal, temperature=float(temperature), speed=speed, seconds=seconds, span=span)
    (tmp_path / "method.toml").write_text(method)
    (tmp_path / "thermometer.toml").write_text(THERMOMETER)
    instrument = load_instrument(tmp_path / "instrument.toml")
    drivers = {"bench-1": RotationalDriver(instrument.options)}
    simulators = {
        "bench-1": RotationalInstrument(
            Specification(full_scale_unm=full_scale, **(spec or {})),
            geometry or CoaxialCylinders(0.015, 0.0162705, 0.045, 1.10),
            fluid, seed, temperature=temperature, ambient=temperature,
        )
    }  # fmt: skip
    companions = []
    if thermometer:
        drivers["thermo-1"] = ThermometerDriver({})
        simulators["thermo-1"] = Thermometer(seed, temperature=temperature)
        companions.append((load_instrument(tmp_path / "thermometer.toml"), drivers["thermo-1"]))
    plan = compile_plan(load_method(tmp_path / "method.toml"), instrument, drivers["bench-1"], companions=companions)
    return Bench(plan, drivers, simulators, **hostile)


DRIVERS = {"rotational": RotationalDriver, "thermometer": ThermometerDriver}
