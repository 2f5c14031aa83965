"""A torque that jumps between two levels inside a span, against honest spans of many kinds: drawn series on displays."""

import math
import random

import pytest

from daq.core import sensorsigns
from daq.core.sensorsigns import is_disturbed, is_jumped

DISPLAYS = (0.001, 0.01, 0.1, 0.2, 0.5, 1.0, ".2g", ".3g", ".4g")
"""Step of a display, % of full scale, or its significant digits."""
COLOURS = ("white", "slow", "wandering", "averaged")


def shown(value, display):
    return float(f"{value:{display}}") if isinstance(display, str) else round(round(value / display) * display, 6)


def noise_of(rng, colour, sd):
    """Yield noise with standard deviation `sd`, % of full scale."""
    x, last = rng.gauss(0.0, sd), [0.0] * 4
    while True:
        if colour == "white":
            yield rng.gauss(0.0, sd)
        elif colour == "slow":
            x = 0.98 * x + 0.2 * rng.gauss(0.0, sd)
            yield x
        elif colour == "wandering":
            x += 0.1 * rng.gauss(0.0, sd)
            yield x
        else:
            last = [*last[1:], rng.gauss(0.0, 2.0 * sd)]
            yield sum(last) / 4.0


def honest(rng, n):
    """Return `n` torques (%) before a display: run-out, particles, a structure that changes, heating, a spring."""
    level, turn, phase = (
        math.exp(rng.uniform(math.log(10.5), math.log(60.0))),
        rng.uniform(2.2, 300.0),
        rng.uniform(0.0, 6.28),
    )
    runout = rng.choice((0.0, 0.001, 0.01, 0.05))
    size, tau = rng.choice((0.0, -0.4, -0.1, 0.1, 0.5)), rng.uniform(2.0, 2000.0)
    heating, often, particle = (
        rng.choice((0.0, -0.1, 0.05)) / n,
        rng.choice((0.0, 0.01, 0.05)),
        rng.choice((0.01, 0.05, 0.1)),
    )
    noise, away = noise_of(rng, rng.choice(COLOURS), math.exp(rng.uniform(math.log(5e-4), math.log(0.5)))), 0.0
    out = []
    for i in range(n):
        away = 0.5 * away + (rng.expovariate(1.0 / particle) if rng.random() < often else 0.0)
        base = (
            (1.0 + size * math.exp(-i / tau))
            * (1.0 + heating * i)
            * (1.0 + runout * math.sin(phase + 6.283 * i / turn))
        )
        out.append(level * (base + away) + next(noise))
    return out


@pytest.mark.parametrize("display", DISPLAYS)
def test_an_honest_span_has_no_jump(display):
    rng = random.Random(f"honest {display}")
    found = 0
    for _ in range(400):
        values = [shown(v, display) for v in honest(rng, rng.choice((20, 30, 60, 100, 300)))]
        found += is_jumped(values, limit=100.0) or is_jumped([-v for v in values], limit=100.0)
    assert found == 0


def held(values, times, rng):
    """Return readings of an instrument that is read `times` as often as it renews its value, from any phase on."""
    phase = rng.random()
    return [values[int(phase + i / times)] for i in range(int((len(values) - 1) * times))]


@pytest.mark.parametrize("times", range(2, 11))
def test_an_honest_span_with_each_value_several_times_has_no_jump(times):
    """A stream has all lines of an instrument that repeats its value: few values of a large noise are no levels.

    Of 5,400 drawn spans 1 had a jump; of 1,800 there were 10 where each reading counted.
    """
    rng = random.Random(f"held {times}")
    found = count = 0
    for _ in range(200):
        n = rng.choice((20, 30, 60, 100, 300))
        read = times + rng.uniform(-0.4, 0.4)
        display = rng.choice(DISPLAYS)
        values = [shown(v, display) for v in held(honest(rng, int(n / read) + 3), read, rng)[:n]]
        found += is_jumped(values, limit=100.0)
        count += 1
    print(f"each value {times} times: {found} of {count} honest spans have a jump")
    assert found <= 1


@pytest.mark.parametrize("times", range(2, 9))
def test_a_large_noise_of_which_each_value_is_given_several_times_is_no_jump(times):
    rng = random.Random(f"noise {times}")
    found = 0
    for _ in range(300):
        n, level = rng.choice((30, 40, 60, 100)), rng.uniform(10.5, 60.0)
        sd = level * math.exp(rng.uniform(math.log(0.01), math.log(0.1)))
        noise = [rng.gauss(level, sd) for _ in range(n // times + 2)]
        found += is_jumped([shown(v, 0.01) for v in held(noise, times, rng)[:n]], limit=100.0)
    assert found <= 1


def unevenly(rng, level, sd, times, n, display):
    """Return `n` readings of a noise of which each value is given about `times` times."""
    out = []
    while len(out) < n + 2 * times:
        out += [shown(rng.gauss(level, sd), display)] * max(1, round(times * rng.uniform(0.7, 1.3)))
    first = rng.randrange(len(out) - n + 1)
    return out[first : first + n]


@pytest.mark.parametrize("earlier", [0, 5, 30, 200])
@pytest.mark.parametrize("times", [2, 5, 8, 10])
def test_a_span_of_two_or_three_values_of_a_large_noise_is_no_jump(times, earlier):
    """Also where no reading before the span shows how often the instrument renews its value."""
    rng = random.Random(f"few values {times} {earlier}")
    found = count = 0
    for _ in range(600):
        n, level = rng.choice((20, 20, 30, 40, 60)), rng.uniform(10.5, 60.0)
        sd = level * math.exp(rng.uniform(math.log(0.01), math.log(0.1)))
        values = unevenly(rng, level, sd, times, earlier + n, rng.choice((0.001, 0.01, 0.1, 0.2, 0.5)))
        found += is_jumped(values[earlier:], limit=100.0, before=values[:earlier])
        count += 1
    print(f"each value {times} times, {earlier} readings before: {found} of {count} honest spans have a jump")
    assert found <= 1


@pytest.mark.parametrize("factor", [0.5, 0.8, 1.25, 2.0])
def test_a_jump_between_two_constant_levels_is_seen_with_the_readings_before(factor):
    """On a display that shows no noise.  A span of 20 readings alone may be two values of a large one."""
    rng = random.Random(f"constant {factor}")
    seen = {0: 0, 20: 0, 100: 0}
    for _ in range(200):
        n, level = rng.choice((20, 30, 60)), rng.uniform(20.0, 60.0)
        low, high = shown(level, 0.1), shown(level * factor, 0.1)
        at = rng.randint(5, n - 5)
        for earlier in seen:
            values = [*[low] * (earlier + at), *[high] * (n - at)]
            seen[earlier] += is_jumped(values[earlier:], limit=100.0, before=values[:earlier])
    print(f"{factor} times: of 200 jumps are seen by the number of readings before: {seen}")
    assert seen[0] >= 130
    assert seen[20] == seen[100] == 200


def test_four_values_that_are_given_five_times_are_not_two_levels():
    assert not is_jumped([v for v in (10.4, 10.6, 10.5, 11.2) for _ in range(5)], limit=100.0)
    # Two constant levels are those of a coarse display, on which a torque jumped.
    assert is_jumped([v for v in (10.4, 10.4, 10.4, 13.6) for _ in range(5)], limit=100.0)


@pytest.mark.parametrize(("times", "least"), [(2, 0.75), (3, 0.7), (5, 0.55), (10, 0.4)])
def test_a_torque_that_goes_to_another_level_is_seen_where_each_value_is_given_several_times(times, least):
    rng = random.Random(f"held jump {times}")
    seen = 0
    for _ in range(100):
        n = rng.choice((20, 60, 100, 300))
        at = rng.randint(math.ceil(0.1 * n) + 3, n - math.ceil(0.1 * n) - 3)
        values = held(honest(rng, n // times + 3), times, rng)[:n]
        seen += is_jumped([shown(v * 2.0 if i >= at else v, 0.01) for i, v in enumerate(values)], limit=100.0)
    print(f"each value {times} times: {seen} of 100 jumps to the double are seen")
    assert seen >= least * 100


def test_a_quiet_span_is_not_put_in_order(monkeypatch):
    """It is looked at with every value of a screen."""
    monkeypatch.setattr(sensorsigns, "pairwise", None)
    rng = random.Random("quiet")
    for level in (0.0, 0.5, 40.0, -40.0):
        assert not is_jumped(
            [rng.uniform(level * 0.9925 - 0.05, level * 1.0075 + 0.05) for _ in range(50)], limit=100.0
        )


@pytest.mark.parametrize("display", [".2g", 0.5, 1.0])
@pytest.mark.parametrize("edge", [10.0, 12.0, 20.0])
def test_a_drift_over_a_step_of_a_coarse_display_is_no_jump(display, edge):
    """Also where a display of significant digits begins another decade."""
    rng = random.Random(f"drift {display} {edge}")
    for _ in range(300):
        n, middle, part = rng.choice((20, 60, 200)), edge * rng.uniform(0.9, 1.1), rng.uniform(0.005, 0.1)
        drift = [shown(middle * (1.0 + part * (i / n - 0.5)), display) for i in range(n)]
        assert not is_jumped(drift, limit=100.0)
        assert not is_jumped(drift[::-1], limit=100.0)


@pytest.mark.parametrize(
    ("factor", "least"),
    [(0.5, 0.9), (0.8, 0.7), (0.9, 0.55), (0.95, 0.35), (1.05, 0.35), (1.1, 0.5), (1.25, 0.7), (2.0, 0.9)],
)
def test_a_torque_that_goes_to_another_level_is_seen(factor, least):
    """A small jump is hidden by run-out, particles and a structure that changes."""
    rng = random.Random(f"jump {factor}")
    seen = before = 0
    for _ in range(300):
        n = rng.choice((20, 60, 100, 300))
        at = rng.randint(math.ceil(0.1 * n) + 3, n - math.ceil(0.1 * n) - 3)
        values = [shown(v * factor if i >= at else v, 0.01) for i, v in enumerate(honest(rng, n))]
        seen += is_jumped(values, limit=100.0)
        before += is_disturbed(values, limit=100.0)
    assert seen >= least * 300
    assert seen > 2 * before


@pytest.mark.parametrize("n", [11, 20, 60])
def test_a_leap_in_a_short_span_or_at_its_beginning_is_known_by_the_settled_readings_before(n):
    """A leap before the span, or to its first reading, is none of its own: its mean is that of one level."""
    rng, seen, alone = random.Random(f"beginning {n}"), 0, 0
    for _ in range(100):
        values, factor = honest(rng, 100 + n), rng.choice((0.8, 0.9, 1.1, 1.25))

        def leaping(at, values=values, factor=factor):
            return [shown(v * factor if i >= at else v, 0.01) for i, v in enumerate(values)]

        at = 100 + rng.randint(1, n // 2)
        before, span = leaping(at)[:100], leaping(at)[100:]
        seen += is_jumped(span, limit=100.0, before=before, settled=100)
        alone += is_jumped(span, limit=100.0, before=before)
        before, span = leaping(100 - rng.choice((0, rng.randint(1, 9), rng.randint(10, 90))))[:100], leaping(0)[100:]
        assert not is_jumped(span, limit=100.0, before=before, settled=100)
    print(f"of 100 leaps at the beginning of {n} readings {seen} are seen, {alone} without settled readings before")
    assert seen >= 55
    assert seen > alone


@pytest.mark.parametrize("size", [-0.2, 0.1, 0.5])
def test_a_particle_that_comes_back_to_the_level_is_no_leap(size):
    """It leaves the level by far more than all other changes."""
    rng = random.Random(f"particle {size}")
    for _ in range(50):
        n, at, back = rng.choice((60, 100, 300)), rng.randint(6, 50), rng.uniform(0.81, 0.85)
        away = [0.0] * at + [size * back**i for i in range(n - at)]
        values = [shown(40.0 * (1.0 + a) + rng.gauss(0.0, 0.02), 0.01) for a in away]
        assert not is_jumped(values, limit=100.0)


@pytest.mark.parametrize("display", DISPLAYS)
def test_an_honest_span_with_readings_before_has_no_jump(display):
    rng, found = random.Random(f"honest before {display}"), 0
    for _ in range(300):
        n, earlier = rng.choice((3, 10, 20, 60)), rng.choice((5, 20, 100, 200))
        values = [shown(v, display) for v in honest(rng, earlier + n)]
        settled = rng.choice((0, earlier // 2, earlier))
        found += is_jumped(values[earlier:], limit=100.0, before=values[:earlier], settled=settled)
    assert found == 0


def with_lost(rng, count, begin):
    """Return the numbers of `count` readings that are left, up to 40 of them lost once or twice from `begin` on."""
    left = list(range(count))
    for _ in range(rng.choice((1, 2))):
        at = rng.randint(begin, len(left) - 2)
        del left[at : min(len(left) - 2, at + rng.randint(1, 40))]
    return left


@pytest.mark.parametrize("display", DISPLAYS)
def test_an_honest_span_with_lost_readings_before_or_in_it_has_no_jump(display):
    """A torque that changes slowly, without much noise, has changed by as much as it does without the gap."""
    rng, found, blind = random.Random(f"lost {display}"), 0, 0
    for _ in range(300):
        n, earlier = rng.choice((20, 60)), rng.choice((20, 100))
        size, tau, sd = rng.choice((-0.4, -0.1, 0.1, 0.5)), rng.uniform(50.0, 400.0), rng.choice((0.0, 0.001, 0.01))
        level, series = rng.uniform(10.5, 60.0), honest(rng, 60 + earlier + n)
        if rng.random() < 0.7:
            series = [level * (1.0 + size * math.exp(-i / tau)) + rng.gauss(0.0, sd) for i in range(60 + earlier + n)]
        left = with_lost(rng, len(series), rng.choice((0, earlier)))
        first = len(left) - n
        before, values = ([shown(series[i], display) for i in part] for part in (left[:first], left[first:]))
        given = {"limit": 100.0, "before": before, "settled": rng.choice((0, first))}
        found += is_jumped(values, **given, times=[i * 100 for i in left], interval=100)
        blind += is_jumped(values, **given)
    print(f"{display}: {found} of 300 honest spans have a jump, {blind} where their times do not count")
    assert found == 0


def test_a_gap_in_a_slow_decay_is_no_leap_and_a_leap_beside_a_gap_is_one():
    """Half a per cent a second, and 4.9 s without readings before the span, or in it."""
    times = [i for i in range(300) if not 150 <= i < 199]
    decay = [round(50.0 * math.exp(-0.0005 * i), 3) for i in times]
    for first in (140, 150, 160):
        before, values = decay[:first], decay[first:]
        given = {"limit": 100.0, "settled": first, "times": times, "interval": 1}
        assert not is_jumped(values, before=before, **given)
        slipped = [v * 0.9 if i >= 180 else v for i, v in enumerate(decay)]
        assert is_jumped(slipped[first:], before=before, **given)
    # A leap stays one beside a lost reading or an uneven time, and where readings come five or thirty at a time.
    steady = [40.0 + 0.01 * (i % 3) for i in range(100)]
    for spacing in (1.0, 1.5, 2.0):
        times = [10 * i + (round(10 * (spacing - 1.0)) if i >= 70 else 0) for i in range(100)]
        values = [v * (1.03 if i >= 70 else 1.0) for i, v in enumerate(steady)]
        assert is_jumped(values[50:], limit=100.0, before=values[:50], settled=50, times=times, interval=10)
    for together in (2, 5, 30):
        times = [i - i % together for i in range(100)]
        values = [v * (1.03 if i >= 60 else 1.0) for i, v in enumerate(steady)]
        assert is_jumped(values[50:], limit=100.0, before=values[:50], settled=50, times=times, interval=1)


@pytest.mark.parametrize("factor", [0.5, 0.8, 1.2, 1.5])
def test_a_long_burst_in_a_quiet_torque_is_seen(factor):
    """From a tenth to a half of the span, anywhere in it: at most two jumps."""
    rng = random.Random(f"burst {factor}")
    for _ in range(200):
        n = rng.choice((60, 100, 300))
        length = rng.randint(math.ceil(0.1 * n), n // 2)
        begin = rng.randint(0, n - length)
        quiet = [rng.gauss(40.0, rng.choice((0.01, 0.1))) for _ in range(n)]
        values = [shown(v * factor if begin <= i < begin + length else v, 0.01) for i, v in enumerate(quiet)]
        assert is_jumped(values, limit=100.0)
        # The order counts: the same readings to and fro are another thing.
        assert not is_jumped(rng.sample(values, n), limit=100.0)
