"""A torque that is frozen, clipped or disturbed, against noise, ripple and drift that are not: drawn series on displays."""

import math
import random

import pytest

from daq.core.sensorsigns import FROZEN, is_clipped, is_disturbed, is_frozen

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
    rng = random.Random(f"frozen {kind} {spread}")
    for _ in range(60):
        values = series(rng, kind, spread, rng.choice((60, 100, 300)))
        assert is_frozen(values + [values[-1]] * rng.randint(FROZEN, 400))
        assert not is_frozen(values + [values[-1]] * rng.randint(0, FROZEN - 15))


@pytest.mark.parametrize("spread", [20.0, 50.0])
def test_a_sensor_that_goes_no_further_is_clipped(spread):
    rng = random.Random(f"clipped {spread}")
    for _ in range(60):
        values = series(rng, "white", spread, 200)
        edge = sorted(values)[rng.randint(60, 140)]
        assert is_clipped([min(v, edge) for v in values])
        floor = sorted(values)[-rng.randint(60, 140)]
        assert is_clipped([max(v, floor) for v in values])


@pytest.mark.parametrize("spread", SPREADS)
@pytest.mark.parametrize("kind", ["white", "slow", "ripple"])
def test_a_few_readings_that_decide_the_mean_are_a_disturbance(kind, spread):
    rng = random.Random(f"disturbed {kind} {spread}")
    for _ in range(60):
        values = series(rng, kind, spread, 100)
        assert not is_disturbed(values)
        assert not is_disturbed(values, is_last=True)
        count, factor = rng.randint(1, 15), rng.choice((0.2, 3.0, 5.0))
        at = rng.choice((0, 100 - count, rng.randint(0, 100 - count)))
        hit = [v * factor if at <= i < at + count else v for i, v in enumerate(values)]
        # One reading in a hundred at a fifth shifts the mean by 0.8 % only.
        assert is_disturbed(hit) is (abs(factor - 1.0) * count > 1.0)
        assert is_disturbed(hit, is_last=True) is (at + count == 100)
