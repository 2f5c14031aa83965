"""Runs on an instrument that answers by the rules and lies: its values are those of the simulation, changed on the way.

The torque of the honest instrument is about 44 % of full scale, with noise of several steps of its display.
"""

import dataclasses

from daq.core.driver import Identity
from daq.methods.concluding.conclude import conclude
from daq.methods.files.load import load_instrument, load_method
from daq.methods.planning.compile import compile_plan
from daq.testing import Bench
from simulators.rotational import CoaxialCylinders, Fluid, Newtonian, RotationalInstrument, Specification
from tests.support.instruments.described import RotationalDriver

FULL_SCALE = 1000.0
SERIAL = "R-1042"

INSTRUMENT = f"""
name = "bench-1"
driver = "rotational"
port = "/dev/none"
enable_motion = true
fitted = "coaxial-15"
options = {{ interval_ms = 100 }}
limits = {{ speed = "200 /min" }}
specification = {{ torque_full_scale = "{FULL_SCALE} uN.m", torque = "1 %" }}

[geometries.coaxial-15]
kind = "coaxial_cylinders"
inner_radius = 15.0
outer_radius = 16.2705
length = 45.0
end_factor = 1.10
"""

HEAD = """
id = "method"
version = "1"
title = "Method"
claim = "{claim}"
{more}

[conditioning]
rest = "2 s"
"""

STEP = """
[[steps]]
name = "step-{number}"
speed = "{speed} /min"
settle = "1 s"
stop = "{seconds} s"
longest = "5 min"
keep = [{keep}]
"""
OIL = Fluid("newtonian", Newtonian(0.15))
AT_END = '{ at = "end", span = "5 s" }'


def method_of(*speeds, claim="at_time", seconds=15, keep=AT_END, result=""):
    """Return the text of a method with one step for each speed."""
    more = f'result_step = "step-{len(speeds)}"' + (f'\nresult = "{result}"' if result else "")
    steps = [STEP.format(number=i, speed=s, seconds=seconds, keep=keep) for i, s in enumerate(speeds, 1)]
    return HEAD.format(claim=claim, more=more) + "".join(steps)


class Lying(RotationalInstrument):
    """An instrument whose values pass through `lie(t, torque, speed, turning)`: s, %, /min; it returns the first two.

    `turning` is the time in seconds since the motor was started, 0 before.
    """

    lie = None
    stretch = None
    """Begin and end (s of turning) of a time in which it does not answer."""
    _started = None

    def turn(self):
        self._started = self._now_ns if self._started is None else self._started
        return super().turn()

    @property
    def turned_for(self):
        return 0.0 if self._started is None else (self._now_ns - self._started) / 1e9

    def shown(self):
        shown = super().shown()
        if self.lie is None:
            return shown
        torque, speed = self.lie(self._now_ns / 1e9, shown.torque_percent, shown.speed_per_min, self.turned_for)
        return dataclasses.replace(shown, torque_percent=torque, speed_per_min=speed)

    def receive(self, data):
        answer = super().receive(data)
        is_silent = self.stretch is not None and self.stretch[0] < self.turned_for < self.stretch[1]
        return b"" if is_silent else answer


def run(
    tmp_path, lie=None, *, method=None, seed=1, at=(), blocked=None, silent=None, driver=RotationalDriver,
    fluid=OIL, full_scale=FULL_SCALE, interval_ms=100, limits="", simulator=None,
):  # fmt: skip
    """Return conclusion and bench of one run.

    Args:
        tmp_path: folder for its files.
        lie: see `Lying`.
        method: text of the method; None: one step at 30 /min.
        seed: of the instrument's errors and noise.
        at: pairs of a time (s) and a function that is called with the instrument at that time.
        blocked: begin and end (s of turning) of a time in which the values have no number.
        silent: the same for a time without an answer.
        driver: class of the driver.
        fluid: the sample.
        full_scale: full-scale torque, µN·m.
        interval_ms: interval of the readings.
        limits: further limits of the specification, as in the instrument's file.
        simulator: the instrument of an earlier run, with its sample; None: a new one.
    """
    text = INSTRUMENT.replace("interval_ms = 100", f"interval_ms = {interval_ms}").replace(
        f"{FULL_SCALE} uN.m", f"{full_scale} uN.m"
    )
    (tmp_path / "instrument.toml").write_text(text.replace('torque = "1 %"', f'torque = "1 %"{limits}'), "utf-8")
    (tmp_path / "method.toml").write_text(method or method_of(30), "utf-8")
    instrument = load_instrument(tmp_path / "instrument.toml")
    made = driver(instrument.options)
    simulator = simulator or Lying(
        Specification(full_scale_unm=full_scale), CoaxialCylinders(0.015, 0.0162705, 0.045, 1.10),
        fluid, seed, ambient=25.0, serial=SERIAL,
    )  # fmt: skip
    simulator.lie, simulator.stretch, simulator._started = lie, silent, None
    identity = Identity("rotational", SERIAL, facts={"full_scale_uN_m": full_scale})
    plan = compile_plan(load_method(tmp_path / "method.toml"), instrument, made, identity=identity)
    bench = Bench(plan, {"bench-1": made}, {"bench-1": simulator})
    for seconds, action in at:
        bench.at(seconds, lambda action=action: action(simulator))
    if blocked is not None:
        simulator.shown = _without_numbers(simulator, *blocked)
    bench.begin()
    bench.run(900)
    return conclude(plan, bench.facts), bench


def _without_numbers(simulator, begin, end):
    honest = simulator.shown

    def shown():
        is_blocked = begin < simulator.turned_for < end
        return dataclasses.replace(honest(), blocked=is_blocked)

    return shown
