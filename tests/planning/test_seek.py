"""A seek on simulated instruments reaches its band in a few tries from any start, or names the geometry to fit."""

import math
import random

import pytest

from daq.core.encoding import decode, encode
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan, Seek
from daq.core.replay import replay
from daq.core.seeking import Try, local_index, next_speed, power_law_speed
from daq.methods.files.load import load_method
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.flow import torque_table
from simulators.rotational.fluids import Fluid
from simulators.rotational.laws import Casson, HerschelBulkley, Newtonian, PowerLaw
from tests.planning.benches import instrument_for, measured, seek_method
from tests.support.instruments.described import RotationalDriver
from tests.support.runs.examples import example
from tests.support.statements import codes, parameters

SLOWEST, FASTEST = 0.5, 100.0
CASES = [
    ("coaxial-12", Newtonian(0.8)),
    ("coaxial-15", Newtonian(9.0)),
    ("cylinder-9", Newtonian(40.0)),
    ("cylinder-9", PowerLaw(6.5, 0.45)),
    ("coaxial-12", PowerLaw(4.0, 0.8)),
    ("cylinder-6", PowerLaw(70.0, 0.3)),
    ("cylinder-9", HerschelBulkley(8.0, 3.2, 0.55)),
    ("coaxial-12", HerschelBulkley(3.0, 1.0, 0.7)),
    ("cylinder-9", HerschelBulkley(2.0, 0.5, 1.0)),
    ("cylinder-9", Casson(5.0, 0.12)),
    ("coaxial-12", Casson(1.0, 0.4)),
]
BANDS = [(40, 80), (30, 70), (50, 85)]


def torque_at(geometry: str, law, speed: float) -> float:
    """Return the torque by the simulator's own solution of the flow, % of 1000 µN·m."""
    return torque_table(GEOMETRIES[geometry], law).torque(speed * 2 * math.pi / 60) * 1e5


@pytest.mark.slow
@pytest.mark.parametrize(("geometry", "law"), CASES, ids=lambda x: x if isinstance(x, str) else repr(x))
def test_the_band_is_reached_in_six_tries_from_any_start(tmp_path, geometry, law):
    """Starts over the whole range of the fitted geometry: from the slowest speed to that of a torque of 105 %."""
    rng = random.Random(f"{geometry} {law}")
    top = max(s for s in (FASTEST * 0.98**k for k in range(263)) if torque_at(geometry, law, s) <= 105)
    starts = [SLOWEST, top] + [SLOWEST * (top / SLOWEST) ** rng.random() for _ in range(4)]
    for seed, start in enumerate(starts):
        low, high = rng.choice(BANDS)
        # The case is one that some speed serves, and not only at the very edge of the band.
        assert torque_at(geometry, law, FASTEST) > low * 1.05
        assert torque_at(geometry, law, SLOWEST) < high * 0.95
        method = seek_method(tmp_path, speed=f"{start:.4g}", low=low, high=high)
        run = measured(method, instrument_for(geometry), Fluid("sample", law), seed=seed)
        c = run.conclusion
        assert c.outcome == "complete", (start, c.span.stop_reason, run.tries)
        assert len(run.tries) <= 6, run.tries
        speed, torque = run.tries[-1]
        assert low <= torque <= high
        # The torque that was read is that of the sample at that speed, within the error of the sensor.
        assert torque == pytest.approx(torque_at(geometry, law, speed), rel=0.03, abs=0.6)
        assert all(SLOWEST <= s <= FASTEST for s, _ in run.tries)
        assert run.bench.motor == "still"
        # Going up it never passed the band: no torque above its top but those it began with.
        began_high = run.tries[0][1] > high
        assert began_high or all(t <= high + 1 for _, t in run.tries)


def test_the_result_has_a_value_but_no_verdict_and_says_that_the_fill_is_sheared(tmp_path):
    run = measured(seek_method(tmp_path), instrument_for("coaxial-12"), FLUIDS["clear-glaze"])
    c = run.conclusion
    assert (c.validity, c.verdict.verdict, c.sheared) == ("valid", "none", True)
    assert c.value == pytest.approx(800, rel=0.03)
    assert codes(c.verdict.reasons) == ["seek_shears"]
    assert c.row.set_speed == run.tries[-1][0]
    speed, torque = run.tries[-1]
    assert parameters([c.span.stop_reason], "seek_try") == {"torque": torque, "unit": "%", "speed": speed}
    assert c.advice == ()


def test_a_limit_of_the_product_is_no_verdict_on_a_seek(tmp_path):
    run = measured(
        seek_method(tmp_path, speed=30), instrument_for("coaxial-12"), FLUIDS["clear-glaze-thick"],
        product=example("products/clear-glaze.toml"),
    )  # fmt: skip
    assert [s for s, _ in run.tries] == [30]
    assert (run.conclusion.value > 900, run.conclusion.verdict.verdict) == (True, "none")


def test_where_no_speed_serves_it_says_what_to_fit_and_that_serves(tmp_path):
    run = measured(seek_method(tmp_path), instrument_for("cylinder-6"), FLUIDS["clear-glaze"])
    c = run.conclusion
    assert (c.outcome, c.value, c.validity, c.sheared) == ("failed", None, "not_valid", True)
    found = parameters([c.span.stop_reason], "seek_no_speed_left")
    assert [found[k] for k in ("slowest", "fastest", "low", "high")] == [0.5, 100.0, 40.0, 80.0]
    (a,) = c.advice
    assert (a.code, a.geometry) == ("fit_geometry", "cylinder-9")
    again = measured(seek_method(tmp_path, speed=a.speed), instrument_for(a.geometry), FLUIDS["clear-glaze"])
    assert again.tries[0][1] == pytest.approx(a.torque_percent, abs=5)
    assert again.conclusion.outcome == "complete"


def test_too_thick_at_the_slowest_speed_asks_for_a_smaller_rotor(tmp_path):
    """63.6 Pa.s at 2 /min on cylinder-9, by the Margules equation: 4 pi L c_L eta omega/(1/Ri^2 - 1/Re^2)

    = 4 pi 0.06 1.05 63.6 0.20944/(12345.7 - 553.6) = 8.943e-4 N.m, 89.4 %.
    """
    loaded = instrument_for("cylinder-9")
    geometries = {name: g for name, g in loaded.geometries.items() if name != "paddle-2"}
    method = seek_method(tmp_path, speed=2, slowest=2)
    run = measured(method, loaded.model_copy(update={"geometries": geometries}), Fluid("thick", Newtonian(63.6)))
    assert run.conclusion.outcome == "failed"
    assert run.tries == [(2.0, pytest.approx(89.4, abs=1.5))]
    (a,) = run.conclusion.advice
    assert (a.code, a.geometry) == ("fit_geometry", "cylinder-6")
    again = measured(seek_method(tmp_path, speed=a.speed), instrument_for("cylinder-6"), Fluid("", Newtonian(63.6)))
    assert again.tries[0][1] == pytest.approx(a.torque_percent, abs=5)


def test_where_no_geometry_serves_it_says_so(tmp_path):
    c = measured(seek_method(tmp_path), instrument_for("coaxial-12"), FLUIDS["water"]).conclusion
    assert [(a.code, a.geometry) for a in c.advice] == [("no_geometry_gives_more", None)]


def test_where_all_give_too_much_it_asks_for_less(tmp_path):
    loaded = instrument_for("cylinder-6")
    only = loaded.model_copy(update={"geometries": {"cylinder-6": loaded.geometries["cylinder-6"]}})
    method = seek_method(tmp_path, speed=10, slowest=10)
    c = measured(method, only, Fluid("thick", Newtonian(torque_share(90.0)))).conclusion
    assert codes(c.advice) == ["no_geometry_gives_less"]


def torque_share(percent):
    """The viscosity (Pa.s) that gives a torque (% of full scale) at 10 /min on cylinder-6."""
    return percent / torque_at("cylinder-6", Newtonian(1.0), 10.0)


def test_too_few_tries_are_told_as_that(tmp_path):
    run = measured(seek_method(tmp_path, tries=2), instrument_for("cylinder-9"), FLUIDS["white-glaze"])
    assert len(run.tries) == 2
    assert parameters([run.conclusion.span.stop_reason], "seek_too_many_tries")["tries"] == 2
    assert run.conclusion.advice == ()


def test_a_start_beyond_the_limit_is_stopped_with_a_bound_that_helps(tmp_path):
    run = measured(seek_method(tmp_path, speed=90), instrument_for("cylinder-9"), Fluid("thick", Newtonian(20.0)))
    c = run.conclusion
    assert (c.outcome, c.faults, c.value) == ("failed", ("torque_limit",), None)
    a = c.advice[0]
    assert (a.code, a.is_bound, a.parameters["at_most"]) == ("start_seek_at", True, a.speed)
    # The bound is true: at that speed the torque is at least mid-band.
    assert torque_at("cylinder-9", Newtonian(20.0), a.speed) >= 55 * 0.97


def test_the_whole_step_has_the_method_s_time_not_each_try(tmp_path):
    seek_method(tmp_path)
    written = tmp_path / "seek.toml"
    written.write_text(written.read_text("utf-8").replace("48 h", "130 s"), encoding="utf-8")
    method = load_method(written)
    run = measured(method, instrument_for("cylinder-9"), FLUIDS["white-glaze"])
    assert parameters([run.conclusion.span.stop_reason], "no_rule_met")["longest"] == 130.0
    began = run.bench.steps[0].started
    assert (run.bench.facts.now - began) / 1e9 == pytest.approx(130, abs=0.2)


@pytest.mark.slow
def test_it_replays_bit_for_bit_and_batches_do_not_matter(tmp_path):
    run = measured(seek_method(tmp_path), instrument_for("cylinder-9"), FLUIDS["white-glaze"], seed=3)
    assert len(run.tries) > 2
    again = replay(run.bench.journal(), lambda _kind, options, _state: RotationalDriver(options))
    assert again.same, str(again.difference)
    assert decode(Plan, encode(run.plan, exact=True), exact=True) == run.plan
    driver = RotationalDriver({"interval_ms": 100})
    whole = Pipeline(run.plan, {"bench-2": driver}).step(run.bench.events)
    assert [repr(e) for e in whole] == [repr(e) for _, e in run.bench.effects]


SEEKING = Seek(40.0, 80.0, 0.5, 100.0, 6, 1.0)


def test_the_next_speed_by_hand():
    # 6 % at 10 /min, band 40 to 80 %: target 60 %, and the line from the origin with 1 % in doubt: 10 * 80/7.
    assert next_speed(SEEKING, [Try(10, 6)]) == pytest.approx(100.0)
    assert next_speed(SEEKING, [Try(2, 20)]) == pytest.approx(6.0)
    # A torque that the doubt hides moves as far as the doubt allows: 0.5 * 80/1.
    assert next_speed(SEEKING, [Try(0.5, -0.2)]) == pytest.approx(40.0)
    # Too high: straight down to mid-band.
    assert next_speed(SEEKING, [Try(50, 100)]) == pytest.approx(30.0)
    assert next_speed(Seek(40.0, 80.0, 0.5, 100.0, 6, 1.0, 0.5), [Try(50, 100)]) == pytest.approx(18.0)
    # Two too low, torque with the root of speed: 30 * (60/30)^2, but the line: 30 + 50 * 22.5/(15 + 0.3) = 103.5.
    assert next_speed(SEEKING, [Try(7.5, 15), Try(30, 30)]) == 100.0
    assert next_speed(SEEKING, [Try(0.75, 15), Try(3, 30)]) == pytest.approx(3 + 50 * 2.25 / 15.3, abs=0.005)
    # Between 10 % and 90 %: the line gives 5 + 45 * 50/80 = 33.125, the power law (index 0.954) 5 * 6^1.048 = 32.70.
    assert next_speed(SEEKING, [Try(5, 10), Try(50, 90)]) == pytest.approx(32.91, abs=0.01)
    # Nothing left.
    assert next_speed(SEEKING, [Try(100, 39.9)]) is None
    assert next_speed(SEEKING, [Try(0.5, 80.1)]) is None
    assert next_speed(SEEKING, [Try(10, 30), Try(10.05, 90)]) is None


def test_between_two_tries_it_stays_between_them():
    rng = random.Random(7)
    for _ in range(500):
        below = Try(rng.uniform(0.5, 50), rng.uniform(-2, 39.9))
        above = Try(below.speed * rng.uniform(1.05, 30), rng.uniform(80.1, 108))
        found = next_speed(SEEKING, [below, above])
        assert found is not None
        assert below.speed < found < min(above.speed, 100.01)


def test_local_index_and_power_law_are_inverse():
    assert local_index(Try(1, 10), Try(100, 100)) == pytest.approx(0.5)
    assert local_index(Try(1, 10), Try(1, 20)) is None
    assert local_index(Try(1, 0.0), Try(2, 20)) is None
    assert power_law_speed(10.0, 1.0, 100.0, 0.5) == pytest.approx(100.0)
