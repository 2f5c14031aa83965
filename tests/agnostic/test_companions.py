"""Instruments of any kind as companions in one run, on one time axis."""

import math

import pytest

from tests.agnostic.parts import Numbers, World, instrument, measured, method

GATED = """
[conditioning.temperature]
signal = "room.temperature"
target = 23.0
band = 0.5
hold = "10 s"
longest = "5 min"

[[steps]]
name = "weighing"
stop = "30 s"
longest = "2 min"
keep = [{ at = "end", span = "20 s" }]
"""


def test_a_balance_waits_for_its_companion_thermometer(tmp_path):
    """The room warms from 20 to 23 Cel with a lag of 30 s: within 0.5 K after 30 ln(3/0.5) = 53.75 s, held 10 s."""
    balance = instrument(tmp_path, "balance-1", "balance", '[companions]\nroom = "thermo-9"\n')
    thermo = instrument(tmp_path, "thermo-9", "thermometer")
    room = World(lambda t: [23.0 - 3.0 * math.exp(-t / 30.0)])
    c, bench, data = measured(
        method(tmp_path, GATED), balance, Numbers("balance"), World(lambda t: [100.0]),
        companions=[(thermo, Numbers("thermometer"), room)],
    )  # fmt: skip
    assert (c.outcome, c.validity, c.value) == ("complete", "valid", pytest.approx(100.0))
    began = bench.facts.began
    waited = next(s.started for s in bench.steps) - began
    assert waited / 1e9 == pytest.approx(30.0 * math.log(6.0) + 10.0, abs=2.0)
    assert data.conditions.temperature == pytest.approx(23.0, abs=0.3)
    assert list(data.conditions.temperatures) == ["thermo-9.temperature"]
    assert data.origin.companions == {"thermo-9": None}


def test_the_mass_of_a_companion_balance_is_in_the_ph_result(tmp_path):
    """A balance measures the dosed mass while the pH is the result: both means are over the same 20 s."""
    text = '[[steps]]\nname = "s"\nstop = "30 s"\nlongest = "2 min"\nkeep = [{ at = "end", span = "20 s" }]\n'
    meter = instrument(tmp_path, "ph-1", "ph-meter", '[companions]\ndosed = "balance-1"\n')
    balance = instrument(tmp_path, "balance-1", "balance")
    c, _, data = measured(
        method(tmp_path, text, result="ph"), meter, Numbers("ph-meter"), World(lambda t: [7.0, 0.0, 23.0]),
        companions=[(balance, Numbers("balance", interval_s=0.5), World(lambda t: [t], 0.5))],
    )  # fmt: skip
    assert c.value == 7.0
    mass = data.conditions.signals["balance-1.mass"]
    # The mass grows by 1 g per second: its mean over the 20 s before the end at 30 s (plus the time to start) is about 20.
    assert (mass.unit, mass.value) == ("g", pytest.approx(20.3, abs=1.0))


def test_a_run_may_stop_on_the_mass_of_a_companion(tmp_path):
    text = (
        '[[steps]]\nname = "s"\nstop = { signal = "dosed.mass", above = 40.0 }\nlongest = "5 min"\n'
        'keep = [{ at = "end", span = "10 s" }]\n'
    )
    meter = instrument(tmp_path, "ph-1", "ph-meter", '[companions]\ndosed = "balance-1"\n')
    c, bench, _ = measured(
        method(tmp_path, text, result="ph"), meter, Numbers("ph-meter"), World(lambda t: [7.0, 0.0, 23.0]),
        companions=[(instrument(tmp_path, "balance-1", "balance"), Numbers("balance"), World(lambda t: [t]))],
    )  # fmt: skip
    assert c.validity == "valid"
    assert bench.steps[0].value == pytest.approx(40.0, abs=1.1)
