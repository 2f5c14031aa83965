"""From bytes to a value in memory: a simulated instrument under virtual time, against published viscosities.

The simulator gets its torque from its own numerical solution of the flow and imports nothing of the daemon, so an error
in either does not hide in both.
"""

import pytest

from daq.core.replay import replay
from daq.methods.files.load import load_instrument, load_method
from daq.methods.planning.compile import compile_plan
from daq.testing import Bench
from simulators.rotational import (
    CoaxialCylinders,
    Fluid,
    Newtonian,
    PowerLaw,
    RotationalInstrument,
    SingleCylinder,
    Specification,
    glycerol_water,
    water,
)
from tests.core.whole_bench import DRIVERS, INSTRUMENT, PERFECT, bench_of
from tests.support.instruments.described import RotationalDriver


def finished(bench: Bench, outcome: str = "complete") -> Bench:
    bench.begin()
    bench.run(600)
    assert bench.facts.outcome == outcome, bench.facts.reason
    assert bench.motor == "still"
    again = replay(bench.journal(), lambda kind, options, _state: DRIVERS[kind](options))
    assert again.same, str(again.difference)
    return bench


# FLU-W-02: water at 0.1 MPa, mPa.s. IAPWS R12-08 with the density of IAPWS-95.
WATER = {15: 1.1375682885, 20: 1.0015965513, 25: 0.8900226738, 40: 0.6527285604, 60: 0.4660347594}


@pytest.mark.parametrize("celsius", WATER)
def test_water_has_its_iapws_viscosity_on_a_perfect_instrument(tmp_path, celsius):
    bench = finished(bench_of(tmp_path, water(), full_scale=10.0, temperature=celsius, spec=PERFECT))
    (kept,) = bench.kept
    assert kept.faults == ()
    # The torque is shown to 0.01 % of full scale, and the span does not average that out: 0.005 of at least 27 %.
    assert kept.summaries["viscosity"].mean == pytest.approx(WATER[celsius], rel=3e-4)
    assert kept.summaries["temperature"].mean == pytest.approx(celsius, abs=1e-3)


@pytest.mark.parametrize("mode", ["poll", "stream"])
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("celsius", [15, 25, 60])
def test_water_is_within_the_stated_limits_of_any_instrument(tmp_path, celsius, seed, mode):
    """1 % of full scale, 0.5 % geometry, 0.1 % speed, 0.05 K at 2.6 %/K at most (FLU-W-06 and its slope)."""
    bench = finished(bench_of(tmp_path, water(), full_scale=10.0, temperature=celsius, seed=seed, mode=mode))
    (kept,) = bench.kept
    torque = kept.summaries["torque"].mean
    permissible = 1.0 / torque + 0.005 + 0.001 + 0.05 * 0.026
    error = kept.summaries["viscosity"].mean / WATER[celsius] - 1
    assert abs(error) < permissible
    assert abs(error) > 1e-6  # a simulated instrument has errors
    assert kept.faults == ()
    assert kept.summaries["torque"].n == 100


def test_instruments_differ_and_the_same_seed_is_the_same_to_the_last_bit(tmp_path):
    found = [finished(bench_of(tmp_path, water(), full_scale=10.0, seed=s)).journal() for s in (1, 1, 2)]
    assert found[0] == found[1]
    assert found[0] != found[2]


@pytest.mark.parametrize(
    ("fraction", "celsius", "viscosity", "speed"),
    [
        # FLU-GLY-03: pure glycerol, VDI Heat Atlas coefficients in `chemicals` (another source than the simulator's).
        (1.0, 25, 927.6, 6.0),
        (1.0, 40, 292.709, 20.0),
        # FLU-GLY-01: N.-S. Cheng, Ind. Eng. Chem. Res. 47 (2008) 3285.
        (0.85, 25, 80.16389, 70.0),
        (0.60, 25, 8.847849, 200.0),
        (0.50, 40, 3.111275, 200.0),
    ],
)
def test_glycerol_and_water_within_5_percent(tmp_path, fraction, celsius, viscosity, speed):
    full_scale = 1000.0 if fraction > 0.7 else 300.0 if fraction > 0.55 else 100.0
    bench = finished(
        bench_of(tmp_path, glycerol_water(fraction), full_scale=full_scale, temperature=celsius, speed=speed, seed=5)
    )
    assert bench.kept[0].summaries["viscosity"].mean == pytest.approx(viscosity, rel=0.05)


def test_coaxial_cylinders_agree_with_the_standards_geometry_through_the_whole_chain(tmp_path):
    """GEO-CC-02 and GEO-CC-03: 1 mN.m at 100 /min; ISO 3219-2, DIN 53019-1, checked there by a boundary value solver."""
    fluid = Fluid("newtonian", Newtonian(0.10239564767996434))
    kept = finished(bench_of(tmp_path, fluid, full_scale=2000.0, speed=100.0, spec=PERFECT)).kept[0].summaries
    assert kept["torque_abs"].mean == pytest.approx(1000.0, rel=2e-4)  # uN.m, shown in steps of 0.2
    assert kept["shear_rate"].mean == pytest.approx(129.0847970416, rel=1e-9)
    assert kept["stress"].mean == pytest.approx(13.2177213987, rel=2e-4)
    assert kept["viscosity"].mean == pytest.approx(102.39564768, rel=2e-4)
    assert kept["viscosity"].mean == pytest.approx(1000 * kept["stress"].mean / kept["shear_rate"].mean, rel=1e-15)
    assert kept["stress"].mean / kept["torque_abs"].mean == pytest.approx(13.2177213987e-3, rel=1e-9)


def test_a_single_cylinder_in_much_fluid_through_the_whole_chain(tmp_path):
    """GEO-INF-01: 4 pi eta L omega R^2 and 2 omega, the limit of Margules' equation."""
    kept = (
        finished(
            bench_of(
                tmp_path, Fluid("newtonian", Newtonian(2.0)), geometry=SingleCylinder(0.009, 0.060), fitted="cylinder-9",
                full_scale=300.0, speed=12.0, spec=PERFECT, span="10 s",
            )
        )
        .kept[0]
        .summaries
    )  # fmt: skip
    assert kept["torque_abs"].mean == pytest.approx(153.4920876, rel=2e-4)
    assert kept["shear_rate"].mean == pytest.approx(2.5132741229, rel=1e-9)
    assert kept["stress"].mean == pytest.approx(2.0 * 2.5132741229, rel=2e-4)
    assert kept["viscosity"].mean == pytest.approx(2000.0, rel=2e-4)


def test_a_shear_thinning_fluid_in_much_fluid_gives_the_torque_of_the_power_law(tmp_path):
    """GEO-INF-02: n 0.4, K 15; the stress holds for every fluid, the rate for a Newtonian one."""
    kept = (
        finished(
            bench_of(
                tmp_path, Fluid("power law", PowerLaw(15.0, 0.4)), geometry=SingleCylinder(0.009, 0.060),
                fitted="cylinder-9", full_scale=2000.0, speed=12.0, spec=PERFECT,
            )
        )
        .kept[0]
        .summaries
    )  # fmt: skip
    assert kept["torque_abs"].mean == pytest.approx(955.3870363, rel=3e-4)
    assert kept["stress"].mean == pytest.approx(31.2869484, rel=3e-4)
    assert kept["viscosity"].mean == pytest.approx(1000 * 31.2869484 / 2.5132741229, rel=3e-4)


def test_an_instrument_that_saturates_is_stopped_and_gives_no_number(tmp_path):
    bench = finished(bench_of(tmp_path, Fluid("thick", Newtonian(5.0)), speed=60.0), "failed")
    assert bench.kept == []
    assert bench.moves[-3][1] == "torque limit"
    limit = bench.facts.limit
    assert (limit.limit, limit.torque, limit.set_speed) == (110.0, None, 60.0)
    assert limit.speed < 60.0  # while the motor still accelerated


def test_a_thermometer_beside_it_is_on_the_same_axis(tmp_path):
    bench = bench_of(tmp_path, water(), full_scale=10.0, thermometer=True)
    kept = finished(bench).kept[0]
    found = kept.summaries["thermo-1.temperature"]
    assert found.n == 10
    assert found.mean == pytest.approx(25.0, abs=0.06)
    assert kept.faults == ()


def test_a_probe_that_breaks_is_reported_and_the_value_stays(tmp_path):
    bench = bench_of(tmp_path, water(), full_scale=10.0)
    simulator = bench.simulators["bench-1"]
    bench.at(20.0, lambda: setattr(simulator, "probe_open", True))
    kept = finished(bench).kept[0]
    assert kept.faults == ("no_temperature",)
    assert kept.summaries["viscosity"].n == 100


def test_keys_used_during_the_run_are_noticed(tmp_path):
    bench = bench_of(tmp_path, water(), full_scale=10.0)
    simulator = bench.simulators["bench-1"]
    bench.at(28.0, lambda: (simulator.press_key(), simulator.press_key()))
    finished(bench)
    assert "keys_used" in bench.notes
    assert "keys_used" in bench.kept[0].faults


def test_a_shaft_that_is_held_is_noticed(tmp_path):
    bench = bench_of(tmp_path, water(), full_scale=10.0)
    bench.at(28.0, bench.simulators["bench-1"].block)
    bench.begin()
    bench.run(600)
    assert "blocked" in bench.kept[0].faults


@pytest.mark.parametrize(
    ("what", "outcome", "motor"),
    [
        (lambda bench: bench.unplug("bench-1"), "interrupted", "may_still_be_turning"),
        (lambda bench: bench.silence("bench-1"), "interrupted", "may_still_be_turning"),
        (lambda bench: bench.stop(), "stopped", "still"),
        (lambda bench: bench.store_fails(), "failed", "still"),
        (lambda bench: bench.writing_fails.add("bench-1"), "interrupted", "may_still_be_turning"),
    ],
    ids=["unplugged", "silent", "stopped", "disk full", "writing fails"],
)
def test_a_failure_in_the_middle(tmp_path, what, outcome, motor):
    bench = bench_of(tmp_path, water(), full_scale=10.0)
    bench.at(20.0, lambda: what(bench))
    bench.begin()
    bench.run(600)
    assert (bench.facts.outcome, bench.motor) == (outcome, motor)
    assert bench.kept == []
    again = replay(bench.journal(), lambda kind, options, _state: DRIVERS[kind](options))
    assert again.same, str(again.difference)
    assert again.facts.outcome == outcome


def test_the_motor_really_stands_still_when_the_run_says_so(tmp_path):
    bench = finished(bench_of(tmp_path, water(), full_scale=10.0))
    state = bench.simulators["bench-1"].state()
    assert (state["turning"], state["running"]) == (False, False)
    assert bench.simulators["bench-1"].true_speed_per_min == 0.0


SHEARED = """
id = "sheared"
version = "1"
title = "Pre-shear, rest, three speeds"
claim = "at_time"

[conditioning]
soak = "3 s"
rest = "5 s"

[conditioning.preshear]
speed = 60
time = "10 s"
"""
STEP = """
[[steps]]
name = "at-{speed}"
speed = {speed}
settle = "1 rev"
stop = "15 s"
longest = "2 min"
keep = [{{ at = "end", span = "5 s" }}]
"""


@pytest.mark.parametrize("mode", ["poll", "stream"])
def test_pre_shear_rest_and_three_speeds(tmp_path, mode):
    (tmp_path / "instrument.toml").write_text(INSTRUMENT.format(fitted="coaxial-15", mode=mode, full_scale=1000.0))
    (tmp_path / "method.toml").write_text(SHEARED + "".join(STEP.format(speed=s) for s in (30, 60, 12)))
    instrument = load_instrument(tmp_path / "instrument.toml")
    drivers = {"bench-1": RotationalDriver(instrument.options)}
    plan = compile_plan(load_method(tmp_path / "method.toml"), instrument, drivers["bench-1"])
    fluid = Fluid("newtonian", Newtonian(0.1))
    simulator = RotationalInstrument(
        Specification(**PERFECT), CoaxialCylinders(0.015, 0.0162705, 0.045, 1.10), fluid, temperature=25.0
    )
    bench = finished(Bench(plan, drivers, {"bench-1": simulator}))
    assert bench.moves == [
        ("ready", "begin", "identifying"),
        ("identifying", "identified", "equilibrating"),
        ("equilibrating", "in band", "soaking"),
        ("soaking", "soaked", "starting_preshear"),
        ("starting_preshear", "at speed", "preshearing"),
        ("preshearing", "sheared", "ending_preshear"),
        ("ending_preshear", "motor still", "resting"),
        ("resting", "rested", "starting"),
        ("starting", "at speed", "measuring"),
        ("measuring", "rule met", "starting"),
        ("starting", "at speed", "measuring"),
        ("measuring", "rule met", "starting"),
        ("starting", "at speed", "measuring"),
        ("measuring", "last rule met", "stopping"),
        ("stopping", "identity known", "concluded"),
        ("concluded", "motor known", "ended"),
    ]
    assert [k.summaries["speed"].mean for k in bench.kept] == [30.0, 60.0, 12.0]
    assert [k.faults for k in bench.kept] == [(), (), ()]
    for kept, ended in zip(bench.kept, bench.steps, strict=True):
        assert ended.t - ended.started == 15_000_000_000
        assert kept.start == ended.t - 5_000_000_000
        assert kept.summaries["viscosity"].mean == pytest.approx(100.0, rel=2e-3)
    # Revolutions of a step at a constant speed: speed * 15 s, but for the reading at either end.
    for ended, speed in zip(bench.steps, (30, 60, 12), strict=True):
        assert ended.revolutions == pytest.approx(speed / 4, rel=0.05)
