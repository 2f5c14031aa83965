"""Kept values: their spans, readings and faults; the expected figures are worked by hand."""

import math

import pytest

from daq.core.plan import Conditioning, Keep, Rule
from tests.support.runs.scripts import Plain, Probe, S, Script, after, at, elapsed, plan_of, seconds, step, turns


def above(signal, low, **more):
    return Rule("above", f"{signal} above", signal, low=low, **more)


def script(stop, *keep, speed=None, settle=None, **more):
    extra = {"settle": settle} if settle is not None else {}
    made = Script(plan_of(step(stop, *keep, speed=speed, **extra), **more))
    return made.begin() if speed is None else made.to_measuring(speed=speed)


def finish(run):
    while run.state == "measuring":
        run.tick()
    return run


def span(kept):
    return after(kept.start), after(kept.t)


class Slow(Plain):
    """Plain driver with one reading in a second."""

    interval_ns = S


# ---- the worked example


def test_trailing_mean_every_5_s_over_2_s_and_30_s_before_the_end_of_1_min():
    """The torque is the time in whole seconds, a reading a second at x.5 s: hand figures.

    Every 5 s over the 2 s before: at 5 s the readings of 3.5 s and 4.5 s, so (3 + 4)/2 = 3.5; at 10 s 8.5; at 5 k s
    5 k - 1.5.  The last 30 s of 1 min: readings 30 to 59, so (30 + 59)/2 = 44.5; their sample standard deviation is
    that of 30 whole numbers in a row, sqrt(30 * 31 / 12) = 8.803408.
    """
    keep = Keep("every", "mean", seconds(2.0), every=seconds(5.0)), Keep("end", "mean", seconds(30.0))
    run = Script(plan_of(step(elapsed(60.0), *keep)), driver=Slow({})).begin()
    for i in range(60):
        run.reading(i + 0.5, float(i))
    finish(run)
    every = [k for k in run.kept if k.at == "every"]
    assert [span(k) for k in every] == [(5.0 * k - 2.0, 5.0 * k) for k in range(1, 13)]
    assert [k.summaries["torque"].mean for k in every] == [5.0 * k - 1.5 for k in range(1, 13)]
    assert [k.summaries["torque"].n for k in every] == [2] * 12
    (end,) = [k for k in run.kept if k.at == "end"]
    torque = end.summaries["torque"]
    assert span(end) == (30.0, 60.0)
    assert (torque.n, torque.mean, torque.minimum, torque.maximum, torque.last) == (30, 44.5, 30.0, 59.0, 59.0)
    assert torque.sd == pytest.approx(math.sqrt(30 * 31 / 12), rel=1e-15)
    assert torque.slope == pytest.approx(1.0, rel=1e-14)
    assert end.faults == ()
    assert end.completeness == 1.0
    # 1000 * mean stress / mean rate, with stress 2 * torque and rate 0.5 * 12 /min.
    assert end.summaries["viscosity"].mean == pytest.approx(1000 * 89.0 / 6.0, rel=1e-15)


# ---- edges of a span


def test_a_reading_at_the_start_of_the_span_is_out_and_one_at_its_end_is_in():
    run = script(elapsed(10.0), Keep("end", "mean", seconds(2.0)))
    for t, v in ((8.0, 1.0), (8.000000001, 20.0), (9.0, 30.0), (10.0, 40.0)):
        run.reading(t, v)
    run.reading(10.0, 50.0)  # the same instant, another chunk
    finish(run)
    assert run.kept[0].summaries["torque"].n == 4
    assert run.kept[0].summaries["torque"].mean == 35.0


def test_readings_after_an_interval_do_not_count_in_it_however_late_the_tick():
    run = script(elapsed(99.0), Keep("every", "mean", seconds(2.0), every=seconds(5.0)))
    run.readings(0, 4.5, 0.5, torque=20.0)
    run.reading(6.0, 90.0)  # no tick came at 5 s
    assert [(span(k), k.summaries["torque"].maximum) for k in run.kept] == [((3.0, 5.0), 20.0)]
    assert run.kept[0].summaries["torque"].n == 3  # 3.5, 4.0, 4.5


def test_a_late_tick_takes_all_intervals_it_missed():
    run = script(elapsed(99.0), Keep("every", "mean", seconds(1.0), every=seconds(1.0)))
    run.tick(2.9)
    assert [span(k) for k in run.kept] == [(0.0, 1.0), (1.0, 2.0)]


@pytest.mark.parametrize("part", [False, True])
def test_a_last_part_of_an_interval_is_kept_only_where_the_method_says_so(part):
    run = script(above("torque", 60.0), Keep("every", "mean", seconds(5.0), every=seconds(5.0), keep_part=part))
    run.readings(0, 7.4)
    run.reading(7.5, 70.0)
    assert [span(k) for k in run.kept] == [(0.0, 5.0)] + ([(2.5, 7.5)] if part else [])


@pytest.mark.parametrize("part", [False, True])
def test_an_interval_that_ends_with_the_reading_that_ends_the_step_is_whole(part):
    run = script(above("torque", 60.0), Keep("every", "mean", seconds(2.0), every=seconds(5.0), keep_part=part))
    run.readings(0, 4.9)
    run.reading(5.0, 70.0)
    assert [span(k) for k in run.kept] == [(3.0, 5.0)]
    assert run.kept[0].summaries["torque"].last == 70.0


def test_intervals_in_revolutions():
    keep = Keep("every", "mean", turns(1.0), every=turns(2.0), keep_part=True)
    run = script(above("revolutions", 5.0), keep, speed=30.0)
    run.readings(0, 10.0, 0.5, speed=30.0)
    # Half a turn a second: whole intervals at 4 s and 8 s, the part that is left at 10 s.
    assert [span(k) for k in run.kept] == [(2.0, 4.0), (6.0, 8.0), (8.0, 10.0)]
    assert [k.revolutions for k in run.kept] == pytest.approx([1.0, 1.0, 1.0])


def test_statistics_of_a_span_in_revolutions():
    run = script(elapsed(10.0), Keep("end", "mean", turns(2.0)), speed=30.0)
    run.readings(0, 10.0, torque=lambda t: t * 5, speed=30.0)
    finish(run)
    (kept,) = run.kept
    assert (span(kept), kept.asked_ns, kept.faults) == ((6.0, 10.0), 0, ())
    assert kept.revolutions == pytest.approx(2.0)
    assert kept.summaries["torque"].n == 40


# ---- never before the confirmed speed plus settle, never past a change of motion


def test_a_span_never_reaches_back_before_the_confirmed_speed():
    run = Script(plan_of(step(elapsed(3.0), Keep("end", "mean", seconds(5.0)), speed=30.0))).begin()
    run.readings(0, 2.0, torque=99.0, speed=10.0)  # on its way
    run.readings(2.0, 5.0, speed=30.0, torque=40.0)  # confirmed at 2.1 s
    finish(run)
    (kept,) = run.kept
    assert span(kept) == (2.1, 5.1)
    assert kept.summaries["torque"].maximum == 40.0
    assert "cut_short" in kept.faults


@pytest.mark.parametrize(
    ("span_s", "start", "cut"), [(5.0, 5.0, False), (8.0, 2.0, False), (8.000000001, 2.0, True), (20.0, 2.0, True)]
)
def test_settle_in_seconds(span_s, start, cut):
    run = script(elapsed(10.0), Keep("end", "mean", seconds(span_s)), speed=30.0, settle=seconds(2.0))
    run.readings(0, 9.9, speed=30.0, torque=lambda t: 99.0 if t <= 2.0 else 40.0)
    finish(run)
    (kept,) = run.kept
    assert span(kept) == (start, 10.0)
    assert kept.asked_ns == round(span_s * S)
    assert ("cut_short" in kept.faults) == cut
    assert kept.summaries["torque"].maximum == 40.0


def test_settle_in_revolutions():
    # Half a turn a second: one turn is over with the reading of 2 s.
    run = script(elapsed(10.0), Keep("end", "mean", seconds(30.0)), speed=30.0, settle=turns(1.0))
    run.readings(0, 10.0, 0.5, speed=30.0, torque=lambda t: 99.0 if t <= 2.0 else 40.0)
    finish(run)
    assert span(run.kept[0]) == (2.0, 10.0)
    assert run.kept[0].summaries["torque"].maximum == 40.0
    assert "cut_short" in run.kept[0].faults


def test_before_it_has_settled_there_is_no_value():
    run = script(elapsed(1.0), Keep("end", "mean", seconds(1.0)), speed=30.0, settle=turns(5.0))
    run.readings(0, 0.9, speed=30.0)
    finish(run)
    (kept,) = run.kept
    assert kept.faults == ("cut_short", "no_readings")
    assert kept.summaries["torque"].n == 0
    assert kept.summaries["viscosity"].mean is None


def test_a_span_does_not_reach_into_the_step_before():
    keep = Keep("end", "mean", seconds(5.0))
    plan = plan_of(step(elapsed(4.0), keep, speed=30.0), step(elapsed(3.0), keep, speed=60.0))
    run = Script(plan).to_measuring(speed=30.0)
    run.readings(0, 3.9, torque=20.0, speed=30.0)
    run.tick()  # 4 s: the second speed is asked for
    run.readings(4.0, 6.0, torque=80.0, speed=45.0)
    run.readings(6.0, 9.1, torque=60.0, speed=60.0)  # confirmed at 6.1 s
    finish(run)
    assert [span(k) for k in run.kept] == [(0.0, 4.0), (6.1, 9.1)]
    assert [(k.summaries["torque"].minimum, k.summaries["torque"].maximum) for k in run.kept] == [(20, 20), (60, 60)]
    assert run.sent[0:3] == [b"speed 30", b"turn", b"speed 60"]


# ---- events


def test_a_value_taken_on_an_event_says_which_and_that_it_did_not_happen():
    keep = (
        Keep("event", "mean", seconds(0.5), event=above("torque", 60.0)),
        Keep("event", "mean", seconds(0.5), event=above("torque", 99.0)),
    )
    run = script(elapsed(3.0), *keep)
    run.readings(0, 2.9, torque=lambda t: 40 + 10 * t)
    finish(run)
    (kept,) = run.kept
    assert (span(kept), kept.rule, kept.at) == ((1.5, 2.0), "torque above", "event")
    assert run.notes == ["threshold_not_met"]


def test_an_event_and_the_stop_in_one_reading_are_both_taken():
    run = script(
        above("torque", 60.0),
        Keep("event", "last", seconds(1), event=above("stress", 120.0)),
        Keep("end", "last", seconds(1)),
    )
    run.reading(0.5, 61.0)
    assert [(k.at, k.summaries["torque"].value(k.statistic)) for k in run.kept] == [("event", 61.0), ("end", 61.0)]


def test_an_event_in_time():
    run = script(elapsed(9.0), Keep("event", "mean", seconds(1.0), event=elapsed(2.5)))
    run.readings(0, 4.0, 0.5)
    assert span(run.kept[0]) == (1.5, 2.5)


# ---- faults of a value


def faults(run):
    finish(run)
    return run.kept[-1].faults


def ten_seconds(**more):
    return script(elapsed(10.0), Keep("end", "mean", seconds(5.0)), **more)


def test_a_good_span_has_no_fault():
    run = ten_seconds(speed=30.0)
    run.readings(0, 10.0, speed=30.0)
    assert faults(run) == ()
    assert run.kept[0].completeness == 1.0
    assert run.kept[0].longest_interval_ns == S // 10


@pytest.mark.parametrize(
    ("torque", "expected"),
    [
        (9.99, ("below_band",)),
        (10.0, ()),
        (100.0, ()),
        (100.01, ("above_band",)),
        (-5.0, ("below_band",)),
        (-0.13, ("below_band",)),
    ],
)
def test_the_band_is_judged_on_the_mean(torque, expected):
    run = ten_seconds()
    run.readings(0, 10.0, torque=lambda t: torque + (3.0 if round(t * 10) % 2 else -3.0) if torque < 100 else torque)
    assert faults(run) == expected
    assert run.kept[0].summaries["torque"].mean == pytest.approx(torque, abs=1e-12)


def test_small_negative_torque_stays_signed():
    run = ten_seconds()
    run.readings(0, 10.0, torque=-0.13)
    finish(run)
    kept = run.kept[0]
    assert kept.summaries["torque"].mean == -0.13
    assert kept.summaries["stress"].mean == -0.26
    assert kept.summaries["viscosity"].mean == pytest.approx(-1000 * 0.26 / 6.0)


def test_one_saturated_reading_makes_the_span_bad_and_is_not_averaged():
    run = ten_seconds()
    run.readings(0, 9.0, torque=90.0)
    run.reading(9.1, 110.0)
    run.readings(9.1, 10.0, torque=90.0)
    assert faults(run) == ("saturated",)
    assert run.kept[0].summaries["torque"].n == 49
    assert run.kept[0].summaries["torque"].maximum == 90.0


def test_a_saturated_reading_outside_the_span_is_not_its_fault():
    run = ten_seconds()
    run.reading(0.1, -110.0)
    run.readings(0.1, 10.0, torque=90.0)
    assert faults(run) == ()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e200, -1e308])
@pytest.mark.parametrize("channel", ["torque", "speed", "temperature"])
def test_a_value_that_is_no_number_never_enters(channel, value):
    run = ten_seconds(speed=30.0)
    run.readings(0, 9.0, speed=30.0)
    for t in (9.1, 9.2):
        run.reading(t, **({"torque": 50.0, "speed": 30.0, "temperature": 25.0} | {channel: value}))
    run.readings(9.2, 10.0, speed=30.0)
    finish(run)
    kept = run.kept[0]
    assert kept.summaries[channel].n == 48
    for found in kept.summaries.values():
        assert all(math.isfinite(v) for v in (found.mean, found.sd, found.slope, found.last))
    assert ("readings_missing" in kept.faults) == (channel in ("torque", "speed"))


def test_no_number_of_a_companion_never_enters():
    run = script(elapsed(10.0), Keep("end", "mean", seconds(5.0)), companions=("probe",))
    for i in range(1, 11):
        run.readings(i - 1, i)
        run.probe(i, b"nan" if i == 8 else b"25.5")
    finish(run)
    found = run.kept[0].summaries["probe.temperature"]
    assert (found.n, found.mean) == (4, 25.5)


def test_minus_zero_becomes_zero():
    run = ten_seconds(speed=30.0)
    run.readings(0, 10.0, torque=-0.0, speed=30.0)
    finish(run)
    for name in ("torque", "stress", "viscosity"):
        found = run.kept[0].summaries[name]
        assert math.copysign(1.0, found.mean) == 1.0
        assert math.copysign(1.0, found.minimum) == 1.0


def test_readings_missing_inside_the_span_are_named():
    run = ten_seconds()
    run.readings(0, 7.0)
    run.readings(7.4, 10.0)
    assert faults(run) == ()  # half a second is not yet a hole, and 46 of 50 is enough
    run = ten_seconds()
    run.readings(0, 7.0)
    run.readings(7.6, 10.0)
    assert faults(run) == ("readings_missing",)
    assert run.kept[0].completeness == pytest.approx(44 / 50)
    assert run.kept[0].longest_interval_ns == 7 * S // 10


class Rows(Slow):
    """One line in a second, with three readings."""

    readings_per_line = 3


@pytest.mark.parametrize(("lost", "found"), [(0, ()), (1, ()), (2, ("readings_missing",)), (5, ("readings_missing",))])
def test_lost_lines_of_several_readings_are_missing_readings(lost, found):
    run = Script(plan_of(step(elapsed(20.0), Keep("end", "mean", seconds(15.0)))), driver=Rows({})).begin()
    for line in range(20):
        # Every second line of the span is lost, so that no gap alone is long.
        for _ in range(0 if line % 2 and 6 < line < 7 + 2 * lost else 3):
            run.reading(line + 0.5)
    finish(run)
    (kept,) = run.kept
    assert kept.faults == found
    assert kept.completeness == pytest.approx(1 - lost / 15)


def test_a_span_without_any_reading():
    run = ten_seconds()
    run.readings(0, 4.0)
    run.reading(10.5)
    (kept,) = run.kept
    assert kept.faults == ("no_readings",)
    assert (kept.completeness, kept.longest_interval_ns) == (0.0, 5 * S)
    assert kept.summaries["torque"].mean is None


def test_speed_off_its_tolerance_inside_the_span():
    run = ten_seconds(speed=30.0)
    run.readings(0, 9.0, speed=30.0)
    run.reading(9.1, speed=29.3)  # 2 % of 30 is 0.6
    run.readings(9.1, 10.0, speed=30.0)
    assert faults(run) == ("off_speed",)


def equilibrated(*, companion=False, span_s=5.0):
    conditioning = Conditioning(
        signal="probe.temperature" if companion else "temperature", low=24.5, high=25.5, longest_ns=60 * S
    )
    run = script(
        elapsed(10.0), Keep("end", "mean", seconds(span_s)), conditioning=conditioning,
        companions=("probe",) if companion else (),
    )  # fmt: skip
    run.probe(0.0, b"25.0") if companion else run.reading(0.0)
    assert run.state == "measuring"
    return run


def test_temperature_off_its_band_inside_the_span():
    run = equilibrated()
    run.readings(0, 9.0)
    run.reading(9.1, temperature=25.6)
    run.readings(9.1, 10.0)
    assert faults(run) == ("off_temperature",)


def test_a_probe_fault_leaves_the_temperature_unknown_and_the_value_a_number():
    run = equilibrated()
    for i in range(1, 101):
        run.reading(i / 10, 50.0, 12.0, None, "temperature=probe")
    assert faults(run) == ("no_temperature",)
    assert run.kept[0].summaries["viscosity"].mean == pytest.approx(1000 * 100 / 6)
    assert run.kept[0].summaries["temperature"].mean is None


def test_a_companion_slower_than_the_span_counts_with_its_last_reading_unless_that_is_stale():
    run = equilibrated(companion=True, span_s=4.0)
    run.readings(0, 5.5)
    run.probe(5.5, b"25.1")
    run.readings(5.5, 10.0)
    assert faults(run) == ()
    run = equilibrated(companion=True, span_s=4.0)
    run.readings(0, 5.5)
    run.probe(5.5, b"26.1")
    run.readings(5.5, 10.0)
    assert faults(run) == ("off_temperature",)
    run = equilibrated(companion=True, span_s=4.0)
    run.readings(0, 10.0)
    assert faults(run) == ("no_temperature",)
    assert run.notes == ["silent"]


@pytest.mark.parametrize("span_s", [0.5, 5.0, 9.9])
@pytest.mark.parametrize(("longest_s", "counts"), [(9, False), (11, True)])
def test_a_key_that_was_pressed_too_long_before_the_end_of_the_span_gives_no_temperature(
    monkeypatch, longest_s, counts, span_s
):
    monkeypatch.setattr(Probe, "stale_after_ns", 0)
    monkeypatch.setattr("daq.core.driver.KEYED_NS", longest_s * S)
    run = equilibrated(companion=True, span_s=span_s)
    run.probe(0.2, b"25.1")
    run.readings(0, 10.0)
    found = faults(run)
    assert (not run.kept[0].temperature_faults) == counts
    if span_s < 9.8:  # otherwise the reading is in the span
        assert found == (() if counts else ("no_temperature",))


@pytest.mark.parametrize("span_s", [1.0, 5.0, 8.0])
def test_a_thermometer_that_falls_silent_just_before_the_span_is_not_known_at_its_end(span_s):
    run = equilibrated(companion=True, span_s=span_s)
    run.probe(1.9, b"25.1")
    run.readings(0, 10.0)
    assert (faults(run), run.notes) == (("no_temperature",), ["silent"])


def test_a_companion_that_speaks_only_when_its_key_is_pressed_counts_with_its_last_reading(monkeypatch):
    monkeypatch.setattr(Probe, "stale_after_ns", 0)
    run = equilibrated(companion=True)
    run.probe(0.5, b"25.1")
    run.readings(0, 10.0)
    assert (faults(run), run.notes) == ((), [])
    run = equilibrated(companion=True)
    run.probe(0.5, b"26.1")
    run.readings(0, 10.0)
    assert faults(run) == ("off_temperature",)


def test_keys_used_is_noted_and_marks_the_value():
    run = ten_seconds()
    run.readings(0, 8.0)
    run.reading(8.1, 50.0, 12.0, 25.0, "=keys_used")
    run.readings(8.1, 10.0)
    assert faults(run) == ("keys_used",)
    assert run.notes == ["keys_used"]
    assert run.facts.notes[0].t == at(8.1)


def test_keys_used_with_the_reading_that_ends_the_run_is_in_its_facts():
    run = script(above("torque", 60.0), Keep("end", "mean", seconds(5.0)))
    run.reading(0.5, 70.0, 12.0, 25.0, "=keys_used")
    assert [n.code for n in run.facts.notes] == ["keys_used"]
    assert "keys_used" in run.kept[0].faults


def test_a_value_beyond_the_channels_range_is_kept_and_marked():
    run = script(elapsed(10.0), Keep("end", "mean", seconds(5.0)), primary="temperature")
    run.readings(0, 10.0, temperature=310.0)
    assert faults(run) == ("beyond_range",)
    assert run.kept[0].summaries["temperature"].mean == 310.0


# ---- repeats


class Renewing(Plain):
    """Plain driver of an instrument that renews its values every 0.5 s and is read every 0.1 s."""

    refresh_ns = S // 2


def test_repeats_polled_faster_than_the_instrument_renews_are_no_readings():
    run = Script(plan_of(step(elapsed(10.0), Keep("end", "mean", seconds(5.0)))), driver=Renewing({})).begin()
    run.readings(0, 10.0, torque=lambda t: float(int((t - 0.1 + 1e-9) / 0.5)) + 20)
    finish(run)
    assert run.ended[0].readings == 20
    assert run.kept[0].summaries["torque"].n == 10
    assert run.kept[0].faults == ()
    assert run.pipeline.facts().counters["lead"]["repeats"] == 80


def test_equal_values_after_a_renewal_are_readings():
    run = Script(plan_of(step(elapsed(10.0), Keep("end", "mean", seconds(5.0)))), driver=Renewing({})).begin()
    run.readings(0, 10.0, torque=50.0)
    finish(run)
    assert run.ended[0].readings == 20


def test_equal_values_of_an_instrument_read_as_it_renews_are_readings_despite_jitter():
    class Even(Plain):
        refresh_ns = S // 10

    run = Script(plan_of(step(elapsed(10.0), Keep("end", "mean", seconds(5.0)))), driver=Even({})).begin()
    for i in range(1, 100):
        run.reading(i / 10 + (0.004 if i % 2 else 0.0))
    run.reading(9.904)  # 4 ms after the one before: the same value read twice
    finish(run)
    assert run.ended[0].readings == 99


# ---- for screens


def test_the_value_a_step_would_give_now():
    run = script(elapsed(10.0), Keep("end", "mean", seconds(2.0)))
    meter = run.pipeline.life.meter
    assert meter.provisional(run.ns(0.0)) is None
    run.readings(0, 5.0, torque=lambda t: t * 10)
    kept = meter.provisional(run.ns(5.0))
    assert span(kept) == (3.0, 5.0)
    assert kept.summaries["torque"].mean == pytest.approx(40.5)
    assert run.kept == []
    bare = script(elapsed(10.0))
    bare.reading(1.0)
    assert bare.pipeline.life.meter.provisional(bare.ns(1.0)) is None


def test_the_latest_value_of_every_signal():
    run = script(elapsed(60.0), companions=("probe",))
    assert set(run.pipeline.signals().values()) == {None}
    run.reading(1.0, 50.0, 12.0, 25.0)
    run.probe(1.5, b"24.5")
    assert run.pipeline.signals() == {
        "torque": 50.0, "speed": 12.0, "temperature": 25.0, "stress": 100.0, "rate": 6.0,
        "viscosity": pytest.approx(1000 * 100 / 6), "probe.temperature": 24.5,
    }  # fmt: skip
    run.reading(2.0, 111.0)
    assert run.pipeline.faults() == ("saturated",)
    assert run.pipeline.signals()["viscosity"] is None
