"""The simulated instrument: motor, torque sensor, bath, errors within its specification, scatter of its readings."""

import dataclasses
import math
import time

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulators.rotational import (
    FLUIDS,
    GEOMETRIES,
    Errors,
    Fluid,
    Newtonian,
    RotationalInstrument,
    Specification,
    Structure,
)
from tests.simulators.lines import ask, request, values

IDEAL = Specification(
    gain_limit_percent=0.0,
    zero_limit_percent=0.0,
    geometry_limit_percent=0.0,
    speed_limit_percent=0.0,
    probe_limit_kelvin=0.0,
    torque_noise_percent=0.0,
    speed_noise_percent=0.0,
    probe_noise_kelvin=0.0,
    ripple_percent_of_reading=0.0,
    ripple_percent=0.0,
    ramp_per_min_per_s=1e6,
)


def turning(spec=IDEAL, fluid=FLUIDS["reference-b"], per_min=10.0, geometry="coaxial-15", **options):
    instrument = RotationalInstrument(spec, GEOMETRIES[geometry], fluid, **options)
    assert ask(instrument, f"speed {per_min}") == f"ok speed {per_min:.3f}"
    assert ask(instrument, "turn") == "ok turn"
    return instrument


def test_an_ideal_instrument_shows_margules_torque():
    # Margules equation (handbooks), standard geometry of ISO 3219-2 with end factor 1.10; 0.4832 Pa.s at 10 1/min.
    expected = 4 * math.pi * 0.4832 * 0.045 * 1.1 * (10 * 2 * math.pi / 60) / (0.015**-2 - 0.0162705**-2)
    instrument = turning()
    instrument.advance(60.0)
    torque, speed, temperature, flags = values(instrument)
    assert torque == pytest.approx(expected / 1e-3 * 100, abs=0.02)
    assert (speed, temperature, flags) == (10.0, pytest.approx(25.0, abs=0.01), "-")


# Wind-up of about one revolution: common practice, no source.
@pytest.mark.parametrize("per_min", [0.5, 2.0, 10.0, 20.0])
def test_the_spring_winds_up_in_about_one_revolution_at_any_speed(per_min):
    instrument = turning(per_min=per_min)
    target = None
    while True:
        instrument.advance(0.1)
        state = instrument.state()
        target = state["torque_percent"]
        if values(instrument)[0] >= 0.99 * target - 0.005:
            break
    assert 0.8 <= state["revolutions"] <= 1.3


def test_ripple_comes_once_per_revolution():
    spec = dataclasses.replace(IDEAL, ripple_percent=0.5, ripple_percent_of_reading=1.0)
    instrument = turning(spec, per_min=6.0)
    instrument.advance(60.0)
    torques = []
    for _ in range(1000):  # ten revolutions of 10 s
        instrument.advance(0.1)
        torques.append(values(instrument)[0])
    amplitudes = 2.0 * np.abs(np.fft.rfft(torques)) / len(torques)
    assert int(np.argmax(amplitudes[1:])) + 1 == 10
    assert amplitudes[10] == pytest.approx(0.5 + 0.01 * np.mean(torques), rel=0.02)


def test_torque_saturates_at_the_sensors_stop():
    instrument = turning(Specification(), per_min=200.0, seed=4)
    instrument.advance(20.0)
    torque, _, _, flags = values(instrument)
    assert (torque, flags) == (110.0, "S")
    assert instrument.state()["torque_percent"] > 300.0
    ask(instrument, "speed 10")
    instrument.advance(30.0)
    torque, _, _, flags = values(instrument)
    assert torque == pytest.approx(instrument.state()["torque_percent"], abs=2.0)
    assert flags == "-"


def test_values_change_only_every_100_ms():
    instrument = turning(Specification())
    instrument.advance(5.0)
    first = ask(instrument, "read")
    instrument.advance(0.0999)
    assert ask(instrument, "read") == first
    instrument.advance(0.0001)
    assert ask(instrument, "read") != first


def test_the_motor_follows_its_ramp_and_coasts_to_a_stop():
    spec = dataclasses.replace(IDEAL, ramp_per_min_per_s=30.0)
    instrument = turning(spec, per_min=60.0)
    instrument.advance(1.0)
    assert values(instrument)[1] == pytest.approx(30.0)
    instrument.advance(2.0)
    assert values(instrument)[1] == 60.0
    assert ask(instrument, "halt") == "ok halt"
    instrument.advance(1.0)
    assert values(instrument)[1] == pytest.approx(30.0)
    assert ask(instrument, "zero") == "no turning"
    instrument.advance(5.0)
    assert values(instrument)[1] == 0.0
    assert ask(instrument, "zero").startswith("ok zero ")


def test_zero_takes_the_instruments_zero_error_away():
    instrument = RotationalInstrument(seed=7)
    instrument.advance(5.0)
    before = values(instrument)[0]
    assert before == pytest.approx(instrument.errors.zero_percent, abs=0.15)
    taken = float(ask(instrument, "zero").removeprefix("ok zero "))
    assert taken == pytest.approx(instrument.errors.zero_percent, abs=0.05)
    assert values(instrument)[0] == pytest.approx(before - taken, abs=0.011)


def test_zero_uses_only_readings_since_the_motor_stopped():
    instrument = RotationalInstrument(IDEAL, GEOMETRIES["cylinder-9"], FLUIDS["engobe"])
    instrument.advance(5.0)
    ask(instrument, "speed 10")
    ask(instrument, "turn")
    instrument.advance(20.0)
    ask(instrument, "halt")
    instrument.advance(0.1)
    held = values(instrument)[0]
    assert held > 20.0
    assert ask(instrument, "zero") == f"ok zero {held:.2f}"
    assert values(instrument)[0] == pytest.approx(0.0, abs=0.011)


def test_a_yield_stress_holds_the_spring_after_a_halt_and_lets_go_slowly():
    instrument = turning(fluid=FLUIDS["engobe"], geometry="cylinder-9")
    instrument.advance(60.0)
    ask(instrument, "halt")
    instrument.advance(3.0)
    held = 2 * math.pi * 0.060 * 1.05 * 0.009**2 * 8.0 / 1e-3 * 100
    assert 0.7 * held < values(instrument)[0] <= held + 0.01
    instrument.advance(120.0)
    assert abs(values(instrument)[0]) < 0.05


@pytest.mark.parametrize("seed", range(20))
def test_an_instruments_errors_stay_within_its_specification(seed):
    spec = Specification()
    errors = Errors.draw(spec, seed)
    assert abs(errors.gain) * 100.0 + abs(errors.zero_percent) <= 1.0
    assert abs(errors.speed) <= 1e-3
    assert abs(errors.probe_kelvin) <= 0.05
    instrument = turning(spec, seed=seed)
    instrument.advance(120.0)
    state, shown = instrument.state(), values(instrument)
    assert shown[1] == pytest.approx(state["speed_per_min"], rel=1.5e-3)
    assert shown[2] == pytest.approx(state["temperature_C"], abs=0.06)
    # 1 % of full scale, plus geometry, ripple and noise.
    assert shown[0] == pytest.approx(state["torque_percent"], abs=1.0 + 0.6 + 0.5)


def test_errors_spread_over_the_whole_of_their_limits():
    gains = [Errors.draw(Specification(), seed).gain for seed in range(400)]
    # Uniform distribution of half width a: standard deviation a/sqrt(3) (GUM, JCGM 100:2008, 4.3.7).
    assert np.std(gains) == pytest.approx(0.007 / math.sqrt(3.0), rel=0.1)
    assert abs(np.mean(gains)) < 0.001


def test_a_specification_that_contradicts_itself_is_refused():
    with pytest.raises(ValueError, match="exceed the stated"):
        Specification(gain_limit_percent=0.9, zero_limit_percent=0.2)


def conversation(seed, pieces):
    instrument = turning(Specification(), seed=seed)
    answers = []
    for _ in range(50):
        for _ in range(pieces):
            instrument.advance(1.0 / pieces)
        answers.append(instrument.receive(request("read")))
    return b"".join(answers)


def test_the_same_seed_gives_the_same_bytes_however_time_is_cut():
    assert conversation(3, 1) == conversation(3, 4) == conversation(3, 25)
    assert conversation(3, 1) != conversation(5, 1)


def test_bath_and_sample_warm_up_one_after_the_other():
    instrument = turning(fluid=FLUIDS["clear-glaze"], per_min=1.0)
    assert ask(instrument, "bath 35.0") == "ok bath 35.000"
    instrument.advance(240.0)
    state = instrument.state()
    # Two first-order lags in a row, 240 s and 90 s: step response of the textbook, after 240 s.
    bath = 25.0 + 10.0 * (1.0 - math.exp(-1.0))
    sample = 25.0 + 10.0 * (1.0 - (240.0 * math.exp(-1.0) - 90.0 * math.exp(-240.0 / 90.0)) / 150.0)
    assert state["bath_C"] == pytest.approx(bath, abs=0.01)
    assert state["temperature_C"] == pytest.approx(sample, abs=0.01)
    before = instrument.state()["viscosity_mPa_s"]
    instrument.advance(3000.0)
    assert instrument.state()["temperature_C"] == pytest.approx(35.0, abs=0.01)
    assert instrument.state()["viscosity_mPa_s"] < before


def test_shear_heats_the_sample():
    instrument = turning(fluid=Fluid("oil", Newtonian(1.0)), per_min=200.0)
    instrument.advance(1000.0)
    state = instrument.state()
    power = state["torque_uNm"] * 1e-6 * 200.0 * 2.0 * math.pi / 60.0
    assert power > 0.1
    # Balance of heat: power in = (sample - bath) * capacity / lag.
    assert state["temperature_C"] - 25.0 == pytest.approx(power * 90.0 / 80.0, rel=0.01)


def test_a_thixotropic_sample_thins_while_it_is_sheared():
    slip = Fluid("slip", Newtonian(1.0), structure=Structure(0.02, 0.0015, 0.25, 0.9))
    instrument = turning(fluid=slip, per_min=50.0)
    instrument.advance(40.0)
    # Representative rate of the standard geometry, ISO 3219-2: 1.290848 1/s per 1/min.
    rate = 50.0 * 1.290848
    solved = solve_ivp(lambda _, y: 0.02 * (1 - y) - 0.0015 * rate * y, (0, 40), [1.0], rtol=1e-11, atol=1e-12)
    level = solved.y[0, -1]
    assert instrument.state()["structure"] == pytest.approx(level, rel=1e-5)
    assert instrument.state()["viscosity_mPa_s"] == pytest.approx(1e3 * (0.25 + 0.9 * level), rel=1e-5)
    instrument.fill(slip)
    assert instrument.state()["structure"] == 1.0


def test_true_and_apparent_viscosity_of_a_power_law_fluid():
    instrument = turning(fluid=FLUIDS["white-glaze"], per_min=12.0, geometry="cylinder-9")
    instrument.advance(30.0)
    state = instrument.state()
    # Krieger & Maron: rate at the wall 2 (omega/n)/(1 - delta^(-2/n)), in place of the Newtonian 2 omega/(1 - delta^-2).
    omega, n, delta = 12.0 * 2 * math.pi / 60, 0.45, 0.0425 / 0.009
    rate = 2 * omega / n / (1 - delta ** (-2 / n))
    assert state["viscosity_mPa_s"] == pytest.approx(6500.0 * rate ** (n - 1), rel=1e-4)
    newtonian = 2 * omega / (1 - delta**-2)
    assert state["apparent_viscosity_mPa_s"] == pytest.approx(6500.0 * rate**n / newtonian, rel=1e-4)


def test_flags_of_probe_keys_and_stall():
    instrument = turning()
    instrument.advance(2.0)
    instrument.probe_open = True
    instrument.press_key()
    assert values(instrument)[2:] == (None, "PK")
    instrument.advance(2.0)
    assert values(instrument)[1:] == (0.0, None, "P")
    instrument.probe_open = False
    instrument.press_key()
    instrument.advance(1.0)
    assert values(instrument)[3] == "K"
    instrument.block()
    instrument.advance(1.0)
    assert (values(instrument)[1], values(instrument)[3]) == (0.0, "B")
    instrument.block(blocked=False)
    instrument.advance(1.0)
    assert (values(instrument)[1], values(instrument)[3]) == (10.0, "-")


def test_a_refresh_costs_little():
    instrument = turning(Specification(), FLUIDS["casting-slip"])
    started = time.process_time()
    instrument.advance(1000.0)
    # About 4 us on a desk computer; 100 us is 20 times real time at 2 % of a core.
    assert (time.process_time() - started) / 10_000 < 100e-6
