"""Figures of an instrument's health, computed from the journals of runs, and `daq health`.

The simulated instrument has the faults: a bent rotor as a ripple of known size, a drag as a small torque that remains.
"""

import json
import math

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import NoteHealth
from daq.app.records.health_history import Figures, figures, judged
from daq.app.records.replaying import maker
from daq.app.setup.drivers import Drivers
from daq.core.errors import StoreError
from daq.methods.files.instrument import HealthLimits
from daq.testing.bench import Bench
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.fluids import Fluid
from simulators.rotational.geometry import CoaxialCylinders
from simulators.rotational.instrument import RotationalInstrument
from simulators.rotational.laws import HerschelBulkley
from simulators.rotational.specification import Specification
from tests.support.runs.examples import driver_for, example, plan_of

LIMITS = HealthLimits()


def run_figures(method, fluid, *, spec=None, geometry="coaxial-12", seed=5, **more):
    """Execute a run in memory; return its health figures and its simulated instrument."""
    instrument = example("instruments/bench-1.toml").with_fitted(geometry)
    plan = plan_of(method, instrument, **more)
    box = RotationalInstrument(spec, GEOMETRIES[geometry], fluid, seed, serial="R-1042")
    bench = Bench(plan, {"bench-1": driver_for(instrument)}, {"bench-1": box})
    bench.begin()
    bench.run(900.0)
    assert bench.facts.outcome == "complete", bench.facts.reason
    return figures(bench.journal(), maker(Drivers.find())), box


@pytest.mark.parametrize("ripple", [0.0, 0.4, 5.0])
def test_the_ripple_of_a_bent_rotor_is_read_from_an_ordinary_run(ripple):
    spec = Specification(ripple_percent_of_reading=ripple, ripple_percent=0.0)
    found, box = run_figures("clear-glaze-qc", FLUIDS["clear-glaze"], spec=spec)
    # The amplitude set in the simulator; the speed error of 0.1 % shifts the sine by 1 % of a revolution during the run.
    assert found.ripple == pytest.approx(ripple, rel=0.01, abs=0.02)
    assert found.zero == pytest.approx(box.errors.zero_percent, abs=0.02)
    assert found.return_to_zero is None
    assert (found.geometry, found.free) == ("coaxial-12", False)


def test_a_dragging_bearing_leaves_a_torque_at_rest():
    """A drag of 0.8 % of full scale (8 uN.m): a yield stress of that torque over 2 pi R^2 L c at the wall of the rotor, in air."""
    geometry = GEOMETRIES["coaxial-12"]
    assert isinstance(geometry, CoaxialCylinders)
    stress = 8e-6 / (2.0 * math.pi * geometry.inner_radius_m**2 * geometry.length_m * geometry.end_factor)
    dragging = Fluid("drag", HerschelBulkley(stress, 1e-4, 1.0))
    found, _ = run_figures("free-swing", dragging)
    assert found.free is True
    # The torque decays with the simulator's time constant of 15 s: about 0.4 % of 0.8 % is left between 5 and 15 s.
    assert found.return_to_zero == pytest.approx(0.8 * 1.5 * (math.exp(-5 / 15) - math.exp(-15 / 15)), abs=0.06)
    _, findings = judged([found], LIMITS)
    assert len(findings) == 1
    assert findings[0].startswith("with the rotor free in air, +0.4")
    assert "bearing" in findings[0]


def test_a_free_rotor_returns_to_zero():
    found, _ = run_figures("free-swing", FLUIDS["air"])
    assert found.return_to_zero == pytest.approx(0.0, abs=0.02)
    assert found.ripple is None  # in air there is no torque, so there is no ripple
    assert judged([found], LIMITS)[1] == ()


def test_a_torque_held_by_a_sample_is_not_attributed_to_the_bearing():
    held = Figures(serial="R", geometry="g", free=False, zero=0.0, return_to_zero=3.0)
    assert judged([held], LIMITS) == ({"zero": judged([held], LIMITS)[0]["zero"]}, ())


def test_each_exceeded_limit_gives_a_finding():
    def run(zero=0.0, ripple=0.1, left=0.0):
        return Figures(serial="R", geometry="g", free=True, zero=zero, ripple=ripple, return_to_zero=left)

    assert judged([run()] * 5, LIMITS)[1] == ()
    _, findings = judged([run(zero=0.6)] * 3, LIMITS)
    assert [s[:40] for s in findings] == ["the torque at rest is +0.60 % of full sc"]
    _, findings = judged([run(ripple=2.5)] * 3, LIMITS)
    assert ["bent" in s for s in findings] == [True]
    # From 0 to 0.4 % of full scale over five runs: no value exceeds 0.5 %, but the change exceeds its limit.
    _, findings = judged([run(zero=0.1 * i) for i in range(5)], LIMITS)
    assert [s.startswith("the zero moved by +0.40 % of full scale over 5 runs") for s in findings] == [True]
    assert judged([], LIMITS) == ({}, ())


def test_a_thermometer_has_no_health_figures_of_a_rotor():
    from simulators.thermometer.thermometer import Thermometer

    bench = Bench(plan_of("thermometer-log", "thermo-1"), {"thermo-1": driver_for(example("instruments/thermo-1.toml"))},
                  {"thermo-1": Thermometer(1)})  # fmt: skip
    bench.begin()
    bench.run(900.0)
    found = figures(bench.journal(), maker(Drivers.find()))
    assert (found.zero, found.ripple, found.return_to_zero) == (None, None, None)


def test_an_empty_journal_is_an_error():
    with pytest.raises(StoreError, match="empty"):
        figures(b"", maker(Drivers.find()))


@pytest.mark.slow
def test_the_command_computes_missing_figures_from_the_journals(cli, shift):
    done = cli("--state", shift.state, "health", "bench-1", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    by_run = {r["run"]: r for r in found["runs"]}
    assert set(by_run) == {shift.within, shift.outside, shift.saturated, shift.stopped}
    # 0.4 % of the reading and 0.05 % of full scale by the simulator's specification, at about 56 % torque.
    assert by_run[shift.within]["ripple"] == pytest.approx(0.4 + 0.05 / 0.37, abs=0.03)
    assert found["findings"] == []
    plain = cli("--state", shift.state, "health", "bench-1")
    assert "nothing is beyond its limit" in plain.stdout


def test_the_command_reports_findings_from_stored_figures(cli, shift):
    beyond = {
        "serial": "R-1042",
        "geometry": "coaxial-12",
        "free": False,
        "zero": 0.1,
        "ripple": 3.0,
        "return_to_zero": None,
    }
    with Store(database_path(shift.state)) as store:
        for run in (shift.within, shift.outside, shift.saturated, shift.stopped):
            store.submit(NoteHealth(run, "bench-1", 1, beyond)).result(10)
    done = cli("--state", shift.state, "health", "bench-1")
    assert "the torque swings by 3.0 % of the reading once a revolution" in done.stdout


def test_an_unknown_instrument_is_refused(cli, shift):
    done = cli("--state", shift.state, "health", "bench-7")
    assert done.returncode == 2
    assert "bench-7" in done.stderr
    done = cli("--state", shift.state, "verification", "bench-7")
    assert done.returncode == 2
    assert "bench-7" in done.stderr


def test_instruments_that_were_never_verified(cli, shift):
    done = cli("--state", shift.state, "verification")
    assert done.returncode == 0
    assert "no instrument was ever verified" in done.stdout
    done = cli("--state", shift.state, "verification", "bench-1")
    assert done.stdout == "bench-1: never verified\n  to verify it: run a method that verifies, with --fluid\n"
