"""A torque that is frozen, clipped or disturbed, against noise, ripple and drift that are not: drawn series on displays."""

import math
import random

import pytest

from daq.core.plan import Keep
from daq.core.sensorsigns import FROZEN, is_clipped, is_disturbed, is_frozen, tail_of
from tests.support.runs.lying import method_of, run
from tests.support.runs.scripts import Script, elapsed, plan_of, seconds
from tests.support.runs.scripts import step as step_of

HONEST = {
    "white": lambda r, i, s: r["rng"].gauss(0.0, s),
    "slow": lambda r, i, s: r.__setitem__("x", 0.95 * r["x"] + 0.3 * r["rng"].gauss(0.0, s)) or r["x"],
    "ripple": lambda r, i, s: 3.0 * s * math.sin(r["phase"] + 6.283 * i / r["period"]) + r["rng"].gauss(0.0, 0.1 * s),
    "approach": lambda r, i, s: r["size"] * math.exp(-i / r["tau"]) + r["rng"].gauss(0.0, s),
    "wandering": lambda r, i, s: r.__setitem__("x", r["x"] + r["rng"].gauss(0.0, s)) or r["x"],
}
SPREADS = (0.0, 0.1, 0.3, 0.5, 1.0, 2.0, 5.0, 20.0)
"""Standard deviations of the noise in steps of the display."""


def series(rng, kind, spread, n):
    """Return `n` readings of 40.00 % with noise and drift, in steps of 0.01 %."""
    state = {
        "rng": rng, "x": 0.0, "phase": rng.uniform(0.0, 6.283), "period": rng.uniform(5.0, 60.0),
        "size": rng.choice((-1, 1)) * rng.choice((0, 3, 10, 50, 300)), "tau": rng.uniform(3.0, n),
    }  # fmt: skip
    return [round(4000 + HONEST[kind](state, i, spread)) * 0.01 for i in range(n)]


@pytest.mark.parametrize("spread", SPREADS)
@pytest.mark.parametrize("kind", HONEST)
def test_an_honest_sensor_shows_no_sign(kind, spread):
    rng = random.Random(f"{kind} {spread}")
    for _ in range(60):
        values = series(rng, kind, spread, rng.choice((60, 100, 300, 600)))
        assert not is_frozen(values)
        assert not is_clipped(values[-100:])


@pytest.mark.parametrize(("kind", "spread"), [("white", 2.0), ("white", 5.0), ("white", 20.0), ("approach", 20.0)])
def test_a_sensor_that_stops_in_its_noise_is_frozen(kind, spread):
    """Noise that happens to be small just before the stop hides it: that is the price of no false alarm."""
    rng = random.Random(f"frozen {kind} {spread}")
    seen = 0
    for _ in range(60):
        values = series(rng, kind, spread, rng.choice((60, 100, 300)))
        stopped = values + [values[-1]] * rng.randint(FROZEN, 400)
        seen += is_frozen(stopped)
        assert is_frozen(tail_of(stopped)) is is_frozen(stopped)
        assert not is_frozen(values + [values[-1]] * rng.randint(0, FROZEN - 15))
    assert seen >= 45


@pytest.mark.parametrize("spread", [20.0, 50.0])
def test_a_sensor_that_goes_no_further_is_clipped(spread):
    rng = random.Random(f"clipped {spread}")
    for _ in range(60):
        values = series(rng, "white", spread, 200)
        edge = sorted(values)[rng.randint(95, 140)]
        assert is_clipped([min(v, edge) for v in values])
        floor = sorted(values)[-rng.randint(95, 140)]
        assert is_clipped([max(v, floor) for v in values])


@pytest.mark.parametrize("spread", SPREADS)
@pytest.mark.parametrize("kind", ["white", "slow", "ripple"])
def test_a_few_readings_that_decide_the_mean_are_a_disturbance(kind, spread):
    rng = random.Random(f"disturbed {kind} {spread}")
    for _ in range(60):
        values = series(rng, kind, spread, 100)
        assert not is_disturbed(values, limit=100.0)
        assert not is_disturbed(values, limit=100.0, is_last=True)
        count, factor = rng.randint(1, 15), rng.choice((0.2, 3.0, 5.0))
        at = rng.choice((0, 100 - count, rng.randint(0, 100 - count)))
        hit = [v * factor if at <= i < at + count else v for i, v in enumerate(values)]
        # One reading in a hundred at a fifth shifts the mean by 0.8 % only.
        assert is_disturbed(hit, limit=100.0) is (abs(factor - 1.0) * count > 1.0)
        assert is_disturbed(hit, limit=100.0, is_last=True) is (at + count == 100)


# ---- honest torques that are not quiet


def shown(values, step):
    """Return `values` (%) on a display with steps of `step`."""
    return [round(round(v / step) * step, 6) for v in values]


def signs(values):
    """Return the signs that a sensor shows whose last 100 readings are the span."""
    span = values[-100:]
    found = {
        "frozen": is_frozen(values),
        "clipped": is_clipped(span),
        "disturbed": is_disturbed(span, limit=100.0),
        "last": is_disturbed(span, limit=100.0, is_last=True),
    }
    return {name for name, is_found in found.items() if is_found}


@pytest.mark.parametrize("step", [0.01, 0.1, 0.5, 1.0])
def test_a_coarse_display_at_a_low_torque_shows_no_sign(step):
    rng = random.Random(f"coarse {step}")
    for level in (0.0, 0.3, 1.5, 3.0, 5.0, 10.4, 20.0, 45.0):
        for spread in (0.02, 0.1, 0.3, 0.5, 1.0):
            for n in (20, 30, 60, 100):
                middle = level + rng.uniform(-step, step)
                assert signs(shown([rng.gauss(middle, spread * step) for _ in range(n)], step)) == set()


@pytest.mark.parametrize("step", [0.01, 0.1, 1.0])
def test_a_spring_that_rings_out_shows_no_frozen_sensor(step):
    rng = random.Random(f"ringing {step}")
    for amplitude in (5.0, 20.0, 40.0):
        for decay in (3, 6, 12, 25):
            for _ in range(8):
                period, phase = rng.uniform(2.2, 8.0), rng.uniform(0.0, 6.28)
                ringing = [
                    40.0 + amplitude * math.exp(-i / decay) * math.sin(phase + 6.283 * i / period)
                    + rng.gauss(0.0, 0.1 * step)
                    for i in range(rng.choice((60, 150, 300)))
                ]  # fmt: skip
                assert not is_frozen(shown(ringing, step))


@pytest.mark.parametrize("decay", [20, 30, 100])
def test_noise_that_dies_out_shows_no_frozen_sensor(decay):
    rng = random.Random(f"dying {decay}")
    for _ in range(40):
        noise = [40.0 + rng.gauss(0.0, 0.5 * math.exp(-i / decay)) for i in range(10 * decay)]
        assert not is_frozen(shown(noise, 0.1))


def test_a_display_of_three_digits_shows_no_frozen_sensor_where_its_step_grows():
    rng = random.Random("three digits")
    for _ in range(60):
        rising = [
            float(f"{9.9 + 0.25 * i / 300 + rng.gauss(0.0, 0.02):.3g}") for i in range(rng.choice((200, 260, 300)))
        ]
        assert not is_frozen(rising)


@pytest.mark.parametrize("size", [-0.5, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("tau", [3, 4, 6, 10, 20, 50])
def test_a_smooth_decay_or_rise_shows_no_sign(size, tau):
    """A structure that breaks down or builds up at the start of the span, and a gel that sets at its end."""
    rng = random.Random(f"decay {size} {tau}")
    for _ in range(10):
        decay = [40.0 * (1.0 + size * math.exp(-i / tau)) + rng.gauss(0.0, 0.05) for i in range(100)]
        assert signs(shown(decay, 0.01)) == set()
        assert signs(shown(decay[::-1], 0.01)) == set()


@pytest.mark.parametrize("direction", [-1.0, 1.0])
@pytest.mark.parametrize("often", [0.02, 0.05, 0.1])
def test_particles_and_bubbles_over_a_constant_torque_show_no_clipped_sensor(often, direction):
    rng = random.Random(f"particles {often} {direction}")
    for size in (1.0, 4.0):
        for noise in (0.0, 0.01):
            for step in (0.01, 0.1):
                for _ in range(8):
                    away, values = 0.0, []
                    for _ in range(100):
                        away = 0.5 * away + (rng.expovariate(1.0 / size) if rng.random() < often else 0.0)
                        values.append(40.0 + direction * away + rng.gauss(0.0, noise))
                    assert not is_clipped(shown(values, step))


# ---- a frozen sensor is seen in every span, and for as long as the step goes on


def freezing(after):
    """Return a lie that repeats the first torque from `after` (s of turning) on."""
    held = []

    def lie(_t, torque, speed, turned):
        if turned < after:
            return torque, speed
        held.append(torque)
        return held[0], speed

    return lie


@pytest.mark.parametrize("is_frozen_", [True, False])
@pytest.mark.parametrize(("span", "seconds"), [("0.5 s", 12), ("1.9 s", 12), ("5 s", 210)])
def test_a_frozen_torque_is_seen_in_a_short_span_and_after_a_long_time(
    tmp_path, monkeypatch, span, seconds, is_frozen_
):
    # Readings are discarded in small parts, as in a long step.
    monkeypatch.setattr("daq.core.columns.FEWEST_DROPPED", 100)
    method = method_of(30, seconds=seconds, keep=f'{{ at = "end", span = "{span}" }}')
    c, _ = run(tmp_path, freezing(8.0) if is_frozen_ else None, method=method)
    assert ("torque_frozen" in c.faults) is is_frozen_
    assert (c.validity == "valid") is not is_frozen_


@pytest.mark.parametrize("settle", [0.0, 3.0])
def test_a_quiet_torque_after_a_noisy_step_is_not_frozen(settle):
    """The noise of a step shows nothing of the next one: a display may be too coarse for that of a slower speed."""
    keep, rng = Keep("end", "mean", seconds(5.0)), random.Random(f"quiet after {settle}")
    steps = [step_of(elapsed(8.0), keep, speed=speed, settle=seconds(settle)) for speed in (60.0, 12.0)]
    script, t = Script(plan_of(*steps)).to_measuring(speed=60.0), 0.0
    while script.state in ("measuring", "starting"):
        t = round(t + 0.1, 6)
        is_first = script.pipeline.life.step_number == 0
        script.reading(t, round(60.0 + rng.gauss(0.0, 0.3), 1) if is_first else 12.0, 60.0 if is_first else 12.0)
        if script.pipeline.wake_at <= script.now:
            script.tick()
    assert [k.faults for k in script.kept] == [(), ()]


@pytest.mark.parametrize("where", ["before", "across"])
def test_a_gap_in_a_slow_decay_is_no_jump_of_the_torque(where):
    """Half a per cent a second; the gap begins before the span, and ends at its begin or just inside it."""
    keep = Keep("end", "mean", seconds(10.0))
    script = Script(plan_of(step_of(elapsed(30.0), keep, speed=30.0, settle=seconds(5.0)))).to_measuring(speed=30.0)
    begin, end = (14.9, 19.95) if where == "before" else (15.3, 20.35)
    for i in range(1, 300):
        t = i / 10
        is_gap = begin < t < end
        # A reading without a number is a lost one, too.
        if not is_gap or i % 7 == 0:
            script.reading(t, None if is_gap else round(50.0 * math.exp(-0.005 * t), 3), 30.0)
    while script.state == "measuring":
        script.tick()
    (kept,) = script.kept
    assert "torque_jumped" not in kept.faults
