"""A torque that the motor made quieter, against honest torques that are quiet, drift, ring, relax or are disturbed."""

import math
import random

import pytest

from daq.core.effects import Noise
from daq.core.quietness import is_too_quiet, noise_at_rest, noise_of_span
from daq.core.sensorsigns import is_frozen

DISPLAYS = (0.01, 0.02, 0.05, 0.1, 0.5, 1.0, ".2g", ".3g", ".4g")
"""Step of a display, % of full scale, or its significant digits."""


def shown(values, display):
    """Return `values` (%) as a display shows them."""
    if isinstance(display, str):
        return [float(f"{v:{display}}") for v in values]
    return [round(round(v / display) * display, 6) for v in values]


def is_quiet(rest, turning):
    noise, span = noise_at_rest(rest), noise_of_span(turning)
    return noise is not None and span is not None and is_too_quiet(noise, span, sum(turning) / len(turning))


def relaxing(rng, rest, turning):
    size, tau = rng.uniform(1.0, 20.0), rng.uniform(5.0, 300.0)
    return [v + size * math.exp(-i / tau) for i, v in enumerate(rest)], turning


def ringing(rng, rest, turning):
    """A rotor that swings at rest; the start of the motor makes it swing more."""
    size, tau, period = rng.uniform(0.05, 5.0), rng.uniform(5.0, 200.0), rng.uniform(2.2, 30.0)
    more, wait = size + 40.0 * rng.uniform(0.05, 0.5), rng.choice((10, 50, 150, 600))
    swing = [math.sin(6.283 * i / period) * math.exp(-i / tau) for i in range(1000)]
    return [v + size * s for v, s in zip(rest, swing, strict=False)], [
        v + more * s for v, s in zip(turning, swing[wait:], strict=False)
    ]


def knocked(rng, rest, turning):
    """A bench at which somebody works until the start."""
    rate, away, out = rng.choice((0.02, 0.05, 0.1)), 0.0, []
    for v in rest:
        away = -0.5 * away + (rng.choice((-1, 1)) * rng.expovariate(1.0) if rng.random() < rate else 0.0)
        out.append(v + away)
    return out, turning


def thixotropic(rng, rest, turning):
    size, tau = rng.choice((0.1, 0.5)), rng.uniform(20.0, 1000.0)
    return rest, [v * (1.0 + size * math.exp(-i / tau)) for i, v in enumerate(turning)]


def with_particles(rng, rest, turning):
    away, out = 0.0, []
    for v in turning:
        away = 0.5 * away + (rng.expovariate(1.0) if rng.random() < 0.05 else 0.0)
        out.append(v + away)
    return rest, out


def with_ripple(rng, rest, turning):
    size, period = rng.uniform(0.0, 1.0), rng.uniform(5.0, 60.0)
    return rest, [v + size * math.sin(6.283 * i / period) for i, v in enumerate(turning)]


KINDS = {
    "plain": lambda _rng, rest, turning: (rest, turning),
    "relaxing": relaxing, "ringing": ringing, "knocked": knocked, "thixotropic": thixotropic,
    "particles": with_particles, "ripple": with_ripple,
}  # fmt: skip


def honest(rng, kind):
    """Return readings at rest and in a span of an honest instrument, on any display and with any noise."""
    display = rng.choice(DISPLAYS)
    base = rng.choice((0.01, 0.1)) if isinstance(display, str) else display
    sd = base * rng.choice((0.0, 0.05, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0))
    level, zero = rng.choice((2.0, 5.0, 10.4, 20.0, 45.0, 90.0)) * rng.uniform(0.9, 1.1), rng.uniform(-0.5, 0.5)
    rest = [zero + rng.gauss(0.0, sd) for _ in range(rng.choice((30, 50, 100)))]
    turning = [level + rng.gauss(0.0, sd) for _ in range(rng.choice((30, 50, 100, 300)))]
    return [shown(values, display) for values in KINDS[kind](rng, rest, turning)]


def test_an_honest_torque_is_not_too_quiet():
    """In 10,500 such draws two were: fewer than 1 in 1,000."""
    found = {}
    for kind in KINDS:
        rng = random.Random(f"honest {kind}")
        found[kind] = sum(is_quiet(*honest(rng, kind)) for _ in range(100))
    assert sum(found.values()) <= 1, found


@pytest.mark.parametrize("level", [9.99, 10.0, 10.01, 10.02, 10.03, 10.08, 100.05])
def test_a_level_just_above_a_decade_of_finer_steps_is_not_too_quiet(level):
    """The display has three digits; with the step of the readings below the decade up to 42 of 100 were too quiet."""
    rng, base = random.Random(f"decade {level}"), 0.1 if level > 50.0 else 0.01
    found = 0
    for _ in range(200):
        sd = base * rng.choice((1.0, 1.5, 2.0, 2.25, 2.5, 3.0, 4.0, 6.0, 10.0))
        rest = shown([rng.uniform(-0.5, 0.5) * base + rng.gauss(0.0, sd) for _ in range(50)], base)
        found += is_quiet(rest, shown([level + rng.gauss(0.0, sd) for _ in range(rng.choice((30, 50, 100)))], ".3g"))
    assert found <= 2


@pytest.mark.parametrize("factor", [8, 10, 16, 20, 32, 50, 64, 100, 128])
def test_an_instrument_with_a_finer_range_at_rest_is_not_too_quiet(factor):
    """The coarser range hides the noise; without a look at the factor up to 64 of 100 were too quiet."""
    rng = random.Random(f"range {factor}")
    for steps in (2.2, 3.0, 5.0, 8.0, 12.0, 20.0):
        for _ in range(40):
            sd, level = 0.01 * steps, rng.uniform(15.0, 90.0)
            rest = shown([rng.gauss(0.0, sd) for _ in range(50)], 0.01)
            assert not is_quiet(rest, shown([level + rng.gauss(0.0, sd) for _ in range(50)], 0.01 * factor))


def test_readings_of_any_size_are_judged_or_not_but_never_stop_a_run():
    """A white noise about 0 with readings that are nearly equal, or smaller than any that is computed with."""
    for tiny in (1e-320, 5e-324, 1e-300, 1e-61):
        rng = random.Random("tiny")
        values = [rng.choice((-0.1, 0.1)) for _ in range(58)]
        rest = noise_at_rest([*values[:29], 0.0, tiny, *values[29:]])
        assert rest.step == math.inf
        is_too_quiet(rest, noise_of_span([40.0, *values, 0.0, tiny]), 40.0)
        assert noise_at_rest([tiny * rng.gauss(0.0, 1.0) for _ in range(60)]) is None
        assert not is_frozen([*values, 0.0, tiny, *[0.1] * 20])


def stuck(rng, kind, display, sd):
    """Return the readings of a span (100) of a sensor that does not follow."""
    level = rng.uniform(15.0, 90.0)
    if kind == "flickers":
        part = rng.uniform(0.05, 0.5)
        return shown([level + display * (rng.random() < part) for _ in range(100)], display)
    if kind == "constant":
        return shown([level] * 100, display)
    edge = level + sd * rng.uniform(-1.6, -0.85)  # 80 to 95 % are beyond
    return shown([min(level + rng.gauss(0.0, sd), edge) for _ in range(100)], display)


@pytest.mark.parametrize("kind", ["flickers", "constant", "cut off"])
def test_a_sensor_that_does_not_follow_is_too_quiet(kind):
    """The noise at rest is that of 2.2 to 20 steps.  Noise that happens not to look white hides it."""
    rng, seen = random.Random(f"stuck {kind}"), 0
    for _ in range(100):
        display = rng.choice((0.01, 0.1))
        sd = display * rng.uniform(2.2, 20.0)
        rest = shown([rng.gauss(0.0, sd) for _ in range(rng.choice((50, 100)))], display)
        seen += is_quiet(rest, stuck(rng, kind, display, sd))
    assert seen >= 80


@pytest.mark.parametrize(
    ("level", "expected"),
    [(33.37, True), (33.3, False), (40.0, False), (33.301, True), (0.0, False), (33.28, False), (33.25, True)],
)
def test_a_constant_torque_is_judged_where_its_digits_are_as_fine_as_at_rest(level, expected):
    assert is_too_quiet(Noise(0.1, 0.01), Noise(0.0, math.inf), level) is expected
    assert not is_too_quiet(Noise(0.019, 0.01), Noise(0.0, math.inf), level)
