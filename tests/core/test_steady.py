"""Drift bound: compared with scipy, and its coverage probability on autocorrelated noise."""

import math

import numpy as np
import pytest
from scipy import stats

from daq.core.plan import Keep, Rule
from daq.core.steady import drift_bound, effective_count
from tests.support.autoregressive import autoregressive
from tests.support.runs.scripts import Script, after, elapsed, plan_of, seconds, step


def test_without_correlation_the_bound_is_the_end_of_the_ordinary_interval():
    rng = np.random.default_rng(7)
    t = np.arange(20) * 0.5
    for _ in range(50):
        v = 3.0 + 0.2 * t + rng.normal(0, 0.1, t.size)
        line = stats.linregress(t, v)
        residuals = v - line.intercept - line.slope * t
        r = float((residuals[1:] * residuals[:-1]).sum() / (residuals**2).sum())
        bound = drift_bound(t.tolist(), v.tolist())
        # The mean error of the estimate about a line, (2 + 4 r)/n, is taken off.
        r = (20 * r + 2) / 16
        if r <= 0:
            expected = abs(line.slope) + stats.t.ppf(0.975, 18) * line.stderr
            assert bound == pytest.approx(expected, rel=1e-3)
        else:
            worth = 20 * (1 - r) / (1 + r)
            widened = line.stderr * math.sqrt(18 / (worth - 2))
            assert bound == pytest.approx(abs(line.slope) + stats.t.ppf(0.975, worth - 2) * widened, rel=2e-2)


@pytest.mark.parametrize(
    ("n", "lag1", "fitted", "worth"),
    [
        (20, -0.5, 1, 20.0),  # a negative estimate does not raise the number
        (20, None, 1, 20.0),  # nothing scatters
        (23, 0.0, 1, 23 * 0.95 / 1.05),  # (23 * 0 + 1)/20 = 0.05
        (28, 0.5, 1, 28 * 0.4 / 1.6),  # (14 + 1)/25 = 0.6
        (24, 0.5, 2, 24 * 0.3 / 1.7),  # (12 + 2)/20 = 0.7
        (1003, 0.99, 1, 1003 * (1 - 0.99397) / 1.99397),  # above 0.95: (992.97 + 1)/1000
        (39, 0.99, 1, 0.0),
        (3, 0.0, 1, 0.0),  # nothing can be estimated
    ],
)
def test_effective_count(n, lag1, fitted, worth):
    assert effective_count(n, lag1, fitted=fitted) == pytest.approx(worth, abs=1e-9)


@pytest.mark.parametrize("fitted", [1, 2])
@pytest.mark.parametrize(("n", "r"), [(30, 0.0), (30, 0.5), (50, 0.5), (100, 0.8), (100, 0.9), (400, 0.95)])
def test_the_mean_error_of_the_estimate_is_corrected(n, r, fitted):
    """Marriott and Pope (1954) about a mean; about a line (2 + 4 r)/n: r that belongs to the count, on average."""
    x = autoregressive(np.random.default_rng(11), 3000, n, r)
    t = np.vander(np.arange(n) / n, fitted)
    rest = x - x @ t @ np.linalg.pinv(t.T @ t) @ t.T
    plain = (rest[:, 1:] * rest[:, :-1]).sum(axis=1) / (rest**2).sum(axis=1)
    corrected = (n * plain + fitted) / (n - fitted - 2)
    assert abs(corrected.mean() - r) < max(0.35 * abs(plain.mean() - r), 0.004)
    counts = [effective_count(n, float(p), fitted=fitted) for p in plain[:50]]
    clipped = np.clip(corrected[:50], 0.0, 1.0)
    assert counts == pytest.approx(n * (1 - clipped) / (1 + clipped))


def test_points_that_do_not_support_a_bound_have_none():
    assert drift_bound([0.0] * 10, [1.0] * 10) is None
    assert drift_bound(list(range(7)), [1.0] * 7) is None


def test_where_the_residuals_are_a_curve_the_range_is_the_bound():
    t = [float(i) for i in range(20)]
    turn = [0.4 * math.sin(i / 20 * 2 * math.pi) for i in range(20)]  # the ripple of one turn in the span
    line = stats.linregress(t, turn)
    rest = np.array(turn) - line.intercept - line.slope * np.array(t)
    assert drift_bound(t, turn) == pytest.approx(abs(line.slope) + np.ptp(rest) / 19)
    assert drift_bound(t, turn) >= 0.8 / 19
    relaxing = [math.exp(-i / 5) for i in range(20)]
    assert drift_bound(t, relaxing) >= (relaxing[0] - relaxing[-1]) / 19


def test_a_perfect_line_is_its_own_bound():
    assert drift_bound([float(i) for i in range(20)], [0.25 * i for i in range(20)]) == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize(("phi", "least"), [(0.0, 0.965), (0.3, 0.965), (0.6, 0.965), (0.9, 0.965), (0.99, 0.85)])
def test_the_bound_covers_the_true_drift_on_autocorrelated_noise(phi, least):
    """First-order autoregressive noise of 200 readings, reduced to 20 block means, with a known drift.

    Two-sided 95 % for drift that is far from zero: 97.5 %, less the scatter of 600 runs.  At 0.99 the 200 readings are
    worth one: no rule can distinguish such noise from a drift.
    """
    rng = np.random.default_rng(20)
    n, runs, slope, covered = 200, 600, 0.05, 0
    t = np.arange(n) * 0.1
    for _ in range(runs):
        shocks = rng.normal(0, 0.05, n + 100)
        noise = np.zeros(n + 100)
        for i in range(1, n + 100):
            noise[i] = phi * noise[i - 1] + shocks[i]
        v = 5.0 + slope * t + noise[100:]
        bound = drift_bound(t.reshape(20, -1).mean(axis=1).tolist(), v.reshape(20, -1).mean(axis=1).tolist())
        covered += bound is None or bound >= slope
    assert covered / runs >= least


def test_the_absence_of_significance_is_not_steadiness():
    """With large noise no slope is significant: a significance test would find it steady, the bound does not."""
    rng = np.random.default_rng(3)
    t = np.arange(20) * 1.0
    v = 10 + rng.normal(0, 2.0, 20)
    assert stats.linregress(t, v).pvalue > 0.05
    assert drift_bound(t.tolist(), v.tolist()) * 20 > 0.1 * 10


# ---- as a stop rule


def steady(limit=0.01, *, span=4.0, spans=2, relative=True, signal="torque", **more):
    return Rule("steady", "steady", signal, span=seconds(span), limit=limit, relative=relative, spans=spans, **more)


def relaxing(t: float) -> float:
    return 50.0 + 40.0 * math.exp(-t / 2.0)


def run_with(rule, torque=relaxing, until=40.0, *keep, **more):
    run = Script(plan_of(step(rule, *keep), **more)).begin()
    t = 0.0
    while run.state == "measuring" and t < until:
        t = round(t + 0.1, 9)
        value = torque(t)
        run.reading(t, value) if value is not None else run.reading(t, None, 12.0, 25.0, "torque=saturated")
    return run


def test_it_fires_once_the_drift_is_small_and_not_before():
    run = run_with(steady())
    (end,) = run.ended
    t = after(end.t)
    # The drift over the span that ended one span earlier must have been small already: exp(-t/2) is far down.
    assert relaxing(t - 8) - relaxing(t - 4) < 0.012 * 50
    assert relaxing(t - 10) - relaxing(t - 6) > 0.01 * 50
    assert 0 < end.value < 0.01


def test_relative_and_absolute_limits():
    assert run_with(steady(0.5, relative=False)).ended[0].value < 0.5
    assert run_with(steady(1e-9, relative=False), until=20).ended == []


def test_of_a_derived_quantity_and_with_after():
    run = run_with(steady(signal="viscosity", after=seconds(30.0)))
    assert 30.0 <= after(run.ended[0].t) <= 36.0


def test_a_constant_signal_needs_its_spans():
    # The first span is full after 4 s, held for one more span.
    assert after(run_with(steady(), lambda t: 50.0).ended[0].t) == 8.0
    assert after(run_with(steady(spans=1), lambda t: 50.0).ended[0].t) == 4.0


def test_settle_keeps_the_start_out_of_the_span():
    run = Script(plan_of(step(steady(spans=1), settle=seconds(3.0)))).begin()
    run.readings(0, 6.9, torque=lambda t: 50.0)
    assert run.state == "measuring"
    run.reading(7.0, 50.0)
    assert after(run.ended[0].t) == 7.0


def test_a_null_inside_the_span_starts_it_anew():
    run = run_with(steady(spans=1), lambda t: None if t == 3.0 else 50.0)
    assert after(run.ended[0].t) == 7.0


def test_silence_inside_the_span_starts_it_anew():
    run = Script(plan_of(step(Rule("all", "both", rules=(elapsed(9.0), steady(spans=1, span=8.0)))))).begin()
    run.readings(0, 4.0)
    run.tick()  # silent from 7 s on
    run.readings(8.0, 14.9)
    assert run.state == "measuring"
    run.reading(15.0)
    assert after(run.ended[0].t) == 15.0


def test_elapsed_and_steady_together():
    both = Rule("all", "both", rules=(elapsed(20.0), steady(spans=1)))
    run = run_with(both, lambda t: 50.0)
    assert (run.ended[0].rule, after(run.ended[0].t)) == ("elapsed 20", 20.0)
    late = run_with(both, lambda t: 50.0 if t > 18 else 50.0 + t)
    assert late.ended[0].rule == "steady"
    assert 21.9 <= after(late.ended[0].t) <= 24.0


def test_any_of_steady_and_elapsed_for_a_sample_that_never_settles():
    run = run_with(Rule("any", "either", rules=(steady(), elapsed(20.0))), lambda t: 50.0 + t)
    assert (run.ended[0].rule, after(run.ended[0].t)) == ("elapsed 20", 20.0)


def test_a_value_can_be_taken_when_it_is_steady():
    keep = Keep("event", "mean", seconds(2.0), event=steady())
    run = run_with(elapsed(30.0), relaxing, 40.0, keep)
    assert [k.rule for k in run.kept] == ["steady"]
    assert run.kept[0].t < run.ended[0].t
