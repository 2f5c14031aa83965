"""Every example instrument measures with its built-in driver: the right value, and the effect of its faults."""

import pytest

from simulators.commands import Commander
from simulators.misbehaviour import Misbehaving
from tests.agnostic.parts import measured
from tests.support.instruments.example_pairs import DRIVERS, pair
from tests.support.runs.examples import example
from tests.support.statements import codes, parameters


def run(method, name, *commands, at=(), companions=(), seed=1, longest=3600.0, **more):
    """Execute a run of example files in memory, with `commands` before it and `at` (second, command) during it."""
    instrument, driver, inner = pair(name, seed, **more)
    device = Misbehaving(inner, seed)
    commander = Commander(device)
    for command in commands:
        assert commander.execute(command) == "done", command
    device.advance(20.0)
    plans = [(second, command, commander) for second, command in at]
    return _measured(method, instrument, driver, device, plans, companions, longest)


def _measured(method, instrument, driver, device, plans, companions, longest):
    recipe = example(f"methods/{method}.toml")
    others = [pair(name) for name in companions]
    return measured(
        recipe, instrument, driver, device, companions=others, longest=longest,
        before=lambda bench: [bench.at(s, lambda c=c, t=t: t.execute(c)) for s, c, t in plans],
    )  # fmt: skip


def test_mass():
    c, _, data = run("weighing", "balance-1", "load 123.456")
    assert (c.validity, c.steady, c.unit) == ("valid", True, "g")
    assert abs(c.value - 123.456) < c.uncertainty.expanded
    assert data.geometry is None


def test_a_drying_load_is_not_steady_and_its_drift_is_in_the_result():
    c, _, data = run("weighing", "balance-1", "load 100", "dry 0.3")
    assert c.validity == "doubtful"
    assert set(c.faults) == {"unsteady", "not_steady"}
    assert data.drift.per_min == pytest.approx(-0.3, rel=0.05)


def test_a_load_above_the_range_gives_no_value():
    c, _, _ = run("weighing", "balance-1", "load 700")
    assert (c.value, c.validity) == (None, "not_valid")
    assert "over_range" in codes(c.reasons)


def test_polled_readings_of_one_load_give_a_warning():
    _, _, data = run("print-key-weighings", "balance-1", "load 20")
    found = parameters(data.warnings, "readings_of_one_measurement")
    assert (found["readings"], found["lasting"]) == (5, 2.5)


def test_five_weighings_by_key():
    keys = [(10.0 * k, "key") for k in range(1, 6)]
    instrument, _, inner = pair("balance-1")
    driver = DRIVERS.make("balance", {"mode": "stream"})
    device = Misbehaving(inner)
    commander = Commander(device)
    commander.execute("load 20")
    device.advance(20.0)
    c, bench, data = _measured(
        "print-key-weighings", instrument, driver, device, [(s, k, commander) for s, k in keys], (), 3600.0
    )
    assert (c.validity, c.row.n) == ("valid", 5)
    assert c.value == pytest.approx(20.0, abs=0.002)
    assert "silent" not in bench.notes
    assert "readings_of_one_measurement" not in codes(data.warnings)


@pytest.mark.parametrize("load", [20.0, 2500.0])
def test_five_presses_of_the_key_of_a_scale_with_a_printer_port(load):
    """Above 1000 g the scale prints kg."""
    keys = [(10.0 * k, "key") for k in range(1, 6)]
    c, bench, _ = run("print-key-weighings", "scale-1", f"load {load}", at=keys)
    assert (c.validity, c.row.n, c.unit) == ("valid", 5, "g")
    assert c.value == pytest.approx(load, abs=0.02 + 1e-5 * load)
    assert "silent" not in bench.notes


def test_density_within_its_limits():
    c, _, _ = run("slip-density", "balance-1", "load 178.5357")  # 1.785 g/mL times 100.02 mL
    assert (c.validity, c.quantity, c.unit) == ("valid", "density", "g/mL")
    assert abs(c.value - 1.785) < c.uncertainty.expanded


def test_ph_with_a_companion_thermometer():
    c, _, data = run("slip-ph", "ph-1", "ph 7.8", companions=["thermo-2"])
    assert (c.validity, c.steady, c.unit) == ("valid", True, "[pH]")
    assert abs(c.value - 7.8) < c.uncertainty.expanded
    assert set(data.conditions.temperatures) == {"temperature", "thermo-2.probe_1", "thermo-2.probe_2"}
    assert data.origin.companions == {"thermo-2": None}


def test_an_overdue_calibration_makes_the_ph_doubtful():
    c, _, _ = run("slip-ph", "ph-1", "calibration overdue")
    assert (c.validity, c.value) == ("doubtful", pytest.approx(7.0, abs=0.05))
    assert "calibration_overdue" in codes(c.reasons)


def test_a_broken_electrode_gives_no_ph():
    c, _, _ = run("slip-ph", "ph-1", "electrode fault")
    assert c.value is None


def test_the_time_to_an_end_point_of_a_titration():
    """1 mL/min of 0.1 mol/L into 0.5 mmol: pH 8.2 is reached just after 5 mL, 300 s after the start of the pump.

    The pump starts 10 s after the run; excess 10^(8.2-14) * 55 mL / 0.1 mol/L = 0.0009 mL more, 0.05 s.
    """
    c, bench, data = run("ph-end-point", "ph-1", "titrate 0", at=[(10.0, "titrate 1")])
    assert (c.validity, c.quantity, c.unit) == ("valid", "time", "s")
    assert c.value == pytest.approx(310.0, abs=8.0)  # the electrode lags by 2 s, and it sends one line per second
    assert data.uncertainty is not None
    assert bench.plan.lead.name == "ph-1"


def test_two_probes_and_the_faults_of_one():
    c, _, data = run("two-probe-log", "thermo-2", "first 30", "second 20")
    assert (c.validity, c.value) == ("valid", pytest.approx(30.0, abs=0.6))
    assert data.conditions.temperatures["probe_2"] == pytest.approx(20.0, abs=0.6)
    c, _, _ = run("two-probe-log", "thermo-2", "probe 1 open")
    assert c.value is None
    c, _, _ = run("two-probe-log", "thermo-2", "probe 2 short")
    assert c.validity == "valid"


def test_resistance_is_converted_to_temperature():
    c, _, _ = run("thermometer-log", "multimeter-1", "temperature 61.5")
    assert (c.validity, c.unit) == ("valid", "Cel")
    assert abs(c.value - 61.5) < 0.05
    c, _, _ = run("thermometer-log", "multimeter-1", "leads open")
    assert c.value is None


def test_values_of_a_multimeter_with_another_function_are_rejected():
    c, bench, _ = run("thermometer-log", "multimeter-1", "function voltage", longest=400.0)
    assert c.value is None
    assert "silent" in bench.notes


def test_level_and_columns():
    c, _, data = run("tank-level", "tank-1", "level 2.5", "temperature 19")
    assert (c.validity, c.value, c.unit) == ("valid", pytest.approx(2.5, abs=0.005), "m")
    assert data.conditions.temperature == pytest.approx(19.0, abs=0.1)
    c, _, _ = run("tank-level", "tank-1", "echo lost")
    assert c.value is None
    c, _, data = run("dryer-log", "logger-1", "temperature 80", "second 60", "probe 2 missing")
    assert (c.validity, c.value) == ("valid", pytest.approx(80.0, abs=0.6))


def test_a_bath_reaches_its_set_point_and_is_logged():
    """20 K at 0.08 K/s take 250 s at least; the set-point is written with function 16, read back as a float."""
    c, bench, data = run("bath-hold", "bath-1", "temperature 20")
    assert (c.outcome, c.validity, c.unit) == ("complete", "valid", "Cel")
    assert c.value == pytest.approx(40.0, abs=0.1)
    assert (bench.steps[0].started - bench.facts.began) / 1e9 > 250.0
    assert data.conditions.signals["pump"].value == pytest.approx(1200.0, abs=5.0)
    assert data.conditions.temperatures["external"] == pytest.approx(40.0, abs=0.5)  # lags by a minute
    assert bench.pipeline.plan.lead.driver == "modbus"


def test_an_alarm_or_an_unplugged_probe_of_the_bath_is_reported():
    c, _, data = run("thermometer-log", "bath-1", "probe open")
    assert c.validity == "valid"
    assert "external" not in data.conditions.temperatures
    c, _, _ = run("thermometer-log", "bath-1", "alarm on")
    assert (c.validity, c.value) == ("doubtful", pytest.approx(25.0, abs=0.1))
    c, _, _ = run("thermometer-log", "bath-1", "failure on", longest=300.0)
    assert c.value is None


def test_the_own_viscosity_of_the_streaming_rotational_instrument_is_compared_with_the_result():
    """Its constant K belongs to coaxial-12; if another one is set with its keys, the result has a caution."""
    c, bench, data = run("clear-glaze-qc", "bench-3", companions=[])
    assert (c.outcome, c.validity, bench.motor) == ("complete", "valid", "still")
    assert abs(c.value - 800.0) < 800.0 * 0.025
    own = data.conditions.signals["own_viscosity"]
    assert (own.unit, own.value) == ("mPa.s", pytest.approx(c.value, rel=0.006))
    assert "own_value_differs" not in codes(c.cautions)
    c, _, _ = run("clear-glaze-qc", "bench-3", "constant 5000")
    assert "own_value_differs" in codes(c.cautions)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("method", "name", "commands"),
    [
        ("weighing", "balance-1", ["load 50"]),
        ("slip-ph", "ph-1", []),
        ("tank-level", "tank-1", []),
        ("clear-glaze-qc", "bench-3", []),
    ],
)
def test_damage_on_the_line_changes_no_value(method, name, commands):
    """Cut lines, wrong checksums and noise during the run: lines are lost, the value stays the same."""
    storm = [(5.0 + 3.0 * k, f"{what} {k + 1}") for k, what in enumerate(("cut", "checksum", "garbage"))]
    quiet, _, _ = run(method, name, *commands)
    loud, _, _ = run(method, name, *commands, at=storm)
    assert loud.value == pytest.approx(quiet.value, rel=2e-3)
