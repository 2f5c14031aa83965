"""Ages of readings: how long one counts, across the steps of a run and in the integral of the speed."""

import random
from dataclasses import replace

import pytest

from daq.core.driver import counts_for, silent_after
from daq.core.faults import CHECKS, LAST_TEMPERATURES
from daq.core.intake import TURNS_BY_SILENCE, Intake
from daq.core.plan import Conditioning, Keep
from daq.core.replay import pipeline_of, replay
from daq.testing.bench import header_of
from tests.support.runs.scripts import Plain, Probe, S, Script, at, elapsed, make_driver, plan_of, seconds, step

LOW, HIGH = 24.5, 25.5
DRAWS = 12


def expected(readings, start, end, counts):
    """Return the fault of a span's temperature by the whole series of (time, value, fault), wherever its steps begin."""
    inside = [v for t, v, _ in readings if start < t <= end and v is not None]
    before = [(t, v) for t, v, _ in readings if t <= start]
    if not inside and before and before[-1][0] > end - counts and before[-1][1] is not None:
        inside = [before[-1][1]]
    if not inside:
        return "no_temperature"
    return "" if min(inside) >= LOW and max(inside) <= HIGH else "off_temperature"


def mean_of(kept):
    """Return number and mean of the temperature of a kept value."""
    found = kept.summaries["probe.temperature"]
    return found.n, pytest.approx(found.mean) if found.n else None


def mean_counted(readings, start, end, counts):
    """Return number and mean of the temperature of a span by the whole series; (0, None) where none counts.

    The last reading before the span counts only where the probe sent nothing inside it.
    """
    sent = [v for t, v, _ in readings if start < t <= end]
    inside = [v for v in sent if v is not None]
    before = [(t, v) for t, v, _ in readings if t <= start]
    if not sent and before and before[-1][0] > end - counts and before[-1][1] is not None:
        inside = [before[-1][1]]
    return len(inside), sum(inside) / len(inside) if inside else None


def doubts(readings, start, end, counts):
    """Return what speaks against the temperature of a span by the whole series: faults of each reading that counts."""
    inside = [r for r in readings if start < r[0] <= end]
    numbers = [t for t, v, _ in inside if v is not None]
    found = {fault for *_, fault in inside}
    if numbers:
        return (found | ({"silent"} if end - numbers[-1] > counts else set())) - {""}
    before = [r for r in readings if r[0] <= start][-1:]
    is_known = before and before[0][0] > end - counts and before[0][1] is not None
    return (found | ({before[0][2]} if is_known else {"no_temperature"})) - {""}


KEPT_VALUES = ("beyond_range", "calibration_overdue", "instrument_error")
"""Faults of a temperature that keep its number."""


def drawn(rng, interval, checks=CHECKS):
    """Return a run of short steps beside a slow thermometer, and the readings (ns, value, fault) of the thermometer."""
    steps = [rng.uniform(1.0, 0.8 * interval) for _ in range(8)]
    made = [step(elapsed(d), Keep("end", "mean", seconds(rng.uniform(0.3, 1.0) * d))) for d in steps]
    conditioning = Conditioning(signal="probe.temperature", low=LOW, high=HIGH, longest_ns=60 * S)
    run = Script(plan_of(*made, conditioning=conditioning, companions=("probe",)), checks=checks).begin()
    times = [0.0]
    while times[-1] < sum(steps):
        times.append(times[-1] + interval * rng.choice([1.0, 1.0, 1.0, rng.uniform(2.0, 4.0)]))
    values = [25.0, *(rng.choice([25.0, 25.1, 24.8, 26.0, None]) for _ in times[1:])]
    faults = ["probe" if v is None else rng.choice(["", "", "", *KEPT_VALUES]) for v in values]
    lead = [(0.25 * i, None) for i in range(1, int(sum(steps) / 0.25) + 2)]
    lines = [b"x" if v is None else f"{v!r} {f}".strip().encode() for v, f in zip(values, faults, strict=True)]
    for t, line in sorted([*zip(times, lines, strict=True), *lead], key=lambda x: x[0]):
        if run.state == "stopping":
            break
        if line is None:
            run.reading(t)
        else:
            run.probe(t, line)
    return run, [(at(t), v, f) for t, v, f in zip(times, values, faults, strict=True)]


@pytest.mark.parametrize("interval", [2, 5, 10, 30])
def test_a_reading_of_a_slow_thermometer_counts_alike_wherever_a_step_begins(monkeypatch, interval):
    monkeypatch.setattr(Probe, "interval_ns", interval * S)
    counts = counts_for(Probe({}))
    found = []
    for i in range(DRAWS):
        run, readings = drawn(random.Random(f"slow thermometer {interval} {i}"), interval)
        assert len(run.kept) == 8
        for kept in run.kept:
            wanted = expected(readings, kept.start, kept.t, counts)
            assert [f for f in kept.faults if "temperature" in f] == ([wanted] if wanted else [])
            assert mean_of(kept) == mean_counted(readings, kept.start, kept.t, counts)
            assert set(kept.temperature_faults) == doubts(readings, kept.start, kept.t, counts)
            found.append(wanted)
        again = replay(run.journal(), make_driver)
        assert (again.difference, again.as_recorded) == (None, run.kept)
    assert {"", "off_temperature", "no_temperature"} <= set(found)


def test_a_broken_probe_before_a_step_is_not_a_temperature_in_it():
    keep = Keep("end", "mean", seconds(1.0))
    conditioning = Conditioning(signal="probe.temperature", low=LOW, high=HIGH, longest_ns=60 * S)
    plan = plan_of(step(elapsed(2.0), keep), step(elapsed(2.0), keep), conditioning=conditioning, companions=("probe",))
    run = Script(plan).begin()
    run.probe(0.0)
    run.readings(0.0, 1.5)
    run.probe(1.5, b"x")
    run.readings(1.5, 4.1)
    assert [k.faults for k in run.kept] == [(), ("no_temperature",)]
    # In the first step the reading before its span counts, and the probe is suspect.
    assert [k.temperature_faults for k in run.kept] == [("probe",), ("no_temperature",)]


def test_a_run_of_an_older_daq_has_the_temperatures_that_its_daq_found(monkeypatch):
    monkeypatch.setattr(Probe, "interval_ns", 10 * S)
    found = {}
    for checks in (LAST_TEMPERATURES - 1, CHECKS):
        runs = [drawn(random.Random(f"older {i}"), 10, checks)[0] for i in range(5)]
        found[checks] = [k for run in runs for k in run.kept]
        again = [replay(run.journal(), make_driver) for run in runs]
        assert [a.header.checks for a in again] == [checks] * 5
        assert all(a.same for a in again)
        assert [k for a in again for k in a.kept] == found[checks]
    older, newer = found.values()
    assert [k.faults for k in older] == [k.faults for k in newer]
    more = [b for a, b in zip(older, newer, strict=True) if mean_of(a) != mean_of(b)]
    assert [k.summaries["probe.temperature"].n for k in more] == [1] * len(more)
    assert len(more) >= 2
    # Its daq did not know the faults of such a reading.
    doubted = [set(b.temperature_faults) ^ set(a.temperature_faults) for a, b in zip(older, newer, strict=True)]
    assert set() < set().union(*doubted) <= set(KEPT_VALUES)


# ---- revolutions


@pytest.mark.parametrize(("interval", "stale"), [(0.1, 3), (1, 5), (4, 5), (5, 5), (10, 5), (5, 0), (10, 60)])
def test_revolutions_are_counted_over_every_interval_that_is_no_silence(monkeypatch, interval, stale):
    """The same rule as for the silence of the exchange, against a sum of trapezia."""
    monkeypatch.setattr(Plain, "interval_ns", round(interval * S))
    monkeypatch.setattr(Plain, "stale_after_ns", stale * S)
    driver, rng = Plain({}), random.Random(f"revolutions {interval} {stale}")
    longest = silent_after(driver)
    intake = Intake(driver, "speed")
    t, before, counted, wanted = 1000 * S, None, 0.0, 0.0
    for i in range(300):
        gap = round(interval * S * rng.choice([1.0, 1.0, rng.uniform(0.7, 1.3), rng.uniform(1.0, 6.0)]))
        gap = max(gap, longest - rng.choice([0, 1])) if i % 20 == 19 else gap
        t, speed = t + gap, rng.uniform(-30.0, 60.0)
        counted += intake.take(t, (50.0, speed, 25.0))[1]
        if before is not None and (not longest or gap < longest):
            wanted += (abs(before) + abs(speed)) / 2 * gap / 60e9
        before = speed
    assert counted == pytest.approx(wanted, rel=1e-12)
    assert counted > 0.0


def test_a_step_in_turns_ends_beside_a_lead_that_is_read_every_5_s(monkeypatch):
    monkeypatch.setattr(Plain, "interval_ns", 5 * S)
    monkeypatch.setattr(Plain, "stale_after_ns", 5 * S)
    run = Script(plan_of(step(elapsed(60.0), Keep("end", "mean", seconds(30.0)), speed=12.0))).to_measuring()
    run.readings(0.0, 60.0, 5.0)
    run.tick()
    (kept,) = run.kept
    assert (kept.revolutions, run.ended[0].revolutions) == (pytest.approx(6.0), pytest.approx(12.0))
    assert replay(run.journal(), make_driver).same


@pytest.mark.parametrize("checks", [0, TURNS_BY_SILENCE - 1, TURNS_BY_SILENCE, CHECKS])
def test_a_journal_is_computed_with_the_rule_of_its_own_daq(monkeypatch, checks):
    monkeypatch.setattr(Plain, "interval_ns", 5 * S)
    monkeypatch.setattr(Plain, "stale_after_ns", 5 * S)
    plan = plan_of(step(elapsed(60.0)))
    header = replace(header_of(plan, {"lead": Plain({})}), checks=checks)
    turns = replace(plan, speed_signal="speed", moves=True)
    intake = pipeline_of(replace(header, plan=turns), make_driver).links["lead"].intake
    intake.take(1000 * S, (50.0, 12.0, 25.0))
    assert intake.take(1005 * S, (50.0, 12.0, 25.0))[1] == (pytest.approx(1.0) if checks >= TURNS_BY_SILENCE else 0.0)
