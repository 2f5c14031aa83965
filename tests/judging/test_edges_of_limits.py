"""A value, a mean of values or a time that is on the edge of a limit as a person reads it is within.

The figures are decimal numbers in which a display shows them; the edges are those of arithmetic in whole numbers.
"""

import math
import random
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, Decimal

from daq.core import spans
from daq.core.faults import DECIMAL_LIMITS, DECIMAL_MEANS, worst
from daq.core.plan import Conditioning
from daq.core.statistics import Axis, summarise
from daq.core.torqueband import TorqueBand
from daq.methods.concluding.applying import Subject, hindrances, temperature_faults
from daq.methods.concluding.judging import Rule, reported
from daq.methods.parts.measured import KeptValue
from daq.quality.guardbands import Acceptance
from daq.quality.limits import Rounding
from tests.support.runs.examples import flat, kept, plan_of
from tests.support.statements import codes

SIMPLE = Rule(Rounding.UNROUNDED, Acceptance.SIMPLE, 2, 1.0)
GUARDED = Rule(Rounding.UNROUNDED, Acceptance.GUARD_BANDED, 2, 1.0)
GUARD_BAND = 100
"""Guard band in hundredths."""


def verdicts(value, hundredths):
    """Return the verdicts on a value with limits (in hundredths) on it, without and with guard bands."""
    edges = ((hundredths, hundredths + 5000), (hundredths - 5000, hundredths))
    out = [SIMPLE.judged(value, low / 100, high / 100, "g", None)[0] for low, high in edges]
    wider = ((hundredths - GUARD_BAND, hundredths + 5000), (hundredths - 5000, hundredths + GUARD_BAND))
    return out + [GUARDED.judged(value, low / 100, high / 100, "g", GUARD_BAND / 100)[0] for low, high in wider]


def test_the_mean_of_readings_that_are_all_on_a_limit_is_within():
    rng = random.Random("constant readings")
    wrong, off = [], 0
    for _ in range(1000):
        hundredths, n = rng.randrange(1, 100_000), rng.randrange(2, 40)
        mean = summarise([hundredths / 100] * n, Axis([i * 10**9 for i in range(n)])).mean
        off += mean != hundredths / 100
        found = verdicts(mean, hundredths)
        if found != ["within"] * 4:
            wrong.append((hundredths, n, mean, found))
    # The mean of equal numbers is not always that number: without the rule these would be outside.
    assert off > 50
    assert wrong == []


def test_the_mean_of_replicates_that_is_on_a_limit_is_within():
    rng = random.Random("replicates")
    wrong, off = [], 0
    for _ in range(1000):
        mean, half = rng.randrange(200, 100_000), rng.randrange(100)
        value = math.fsum([(mean - half) / 100, (mean + half) / 100]) / 2
        off += value != mean / 100
        if verdicts(value, mean) != ["within"] * 4:
            wrong.append((mean, half, value))
    assert off > 50
    assert wrong == []


def test_a_value_beyond_a_limit_by_its_smallest_visible_step_is_not_within():
    rng = random.Random("beyond")
    for _ in range(300):
        hundredths = rng.randrange(100, 100_000)
        for value in (hundredths / 100 * (1 + 1e-9), hundredths / 100 * (1 - 1e-9)):
            found = verdicts(value, hundredths)
            assert sorted(found[:2]) == ["outside", "within"]
            assert sorted(found[2:]) == ["undecided", "within"]


def test_a_time_on_the_edge_of_its_band_is_in_it_and_a_tenth_of_a_second_beyond_is_not():
    rng = random.Random("times")
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    wrong = []
    for _ in range(400):
        time, band = rng.randrange(100, 6000), rng.choice([1, 2, 3, 5, 7, 10])
        limit = replace(plan.context.product.limits[0], time=time * 10**8, time_band=band * 10**8)
        for way in (1, -1):
            for taken, wanted in ((time + way * band, False), (time + way * (band + 1), True)):
                row = KeptValue(
                    step=0, name="", at="end", seconds=taken * 10**8 / 1e9, n=1, span_seconds=1.0, quality=worst(())
                )
                found = codes(hindrances(Subject(plan, limit.quantity, limit.unit, 1.0, row, None), limit))
                if ("limit_at_other_time" in found) != wanted:
                    wrong.append((time, band, taken))
    assert wrong == []


def test_a_run_before_the_decimal_limits_is_compared_in_binary_arithmetic():
    """The mean of three readings of 0.05, and 25.3 - 25: each is beyond its edge by a rounding error."""
    mean = math.fsum([0.05] * 3) / 3
    numbers = (DECIMAL_LIMITS - 1, DECIMAL_LIMITS)
    by_rule = [replace(SIMPLE, checks=n).judged(mean, None, 0.05, "g", None)[0] for n in numbers]
    assert by_rule == ["outside", "within"]
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    product = plan.context.product
    limit = replace(product.limits[0], temperature=25.0, temperature_band=0.3)
    context = replace(plan.context, product=replace(product, limits=(limit,)))
    plan = replace(plan, context=context, conditioning=Conditioning())
    of = kept({"temperature": flat(25.3)})
    found = [temperature_faults(plan, limit.quantity, of, checks=n) for n in numbers]
    assert found == [["off_limit_temperature"], []]


def equal(value, n=20):
    """Return the summary of `n` readings of one value; its mean may have an error of rounding."""
    return summarise([value] * n, Axis([i * 10**9 for i in range(n)]))


def test_a_speed_on_the_edge_of_its_tolerance_is_in_it_and_one_step_beyond_is_not():
    """Speeds in tenths and tolerances in tenths of a per cent; the edge is computed in whole numbers."""
    rng = random.Random("speeds")
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    wrong, in_binary = [], 0
    for _ in range(500):
        target, tolerance, way = rng.randrange(1, 2000), rng.randrange(1, 201), rng.choice((1, -1))
        own = replace(plan, steps=(replace(plan.steps[0], speed=way * target / 10),), speed_tolerance=tolerance / 1000)
        for side in (1, -1):
            for beyond in (0, 1):
                edge = target * 1000 + side * (target * tolerance + beyond)
                speed = way * edge / 10_000
                off = own.speed_tolerance * target / 10
                in_binary += not beyond and not way * target / 10 - off <= speed <= way * target / 10 + off
                found = spans._condition_faults(own, 0, {"speed": equal(speed), "torque": equal(50.0)}, 20)
                if ("off_speed" in found) != bool(beyond):
                    wrong.append((target, tolerance, speed))
    assert in_binary > 50
    assert wrong == []


def test_a_torque_on_the_edge_of_the_band_is_in_it_and_one_step_beyond_is_not():
    rng = random.Random("torques")
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    wrong, off = [], 0
    for _ in range(500):
        low, n = rng.randrange(1, 3000), rng.randrange(2, 60)
        high = low + rng.randrange(1, 7000)
        band = TorqueBand("torque", "%", low / 100, high / 100, 110.0)
        edges = ((low, []), (high, []), (low - 1, ["below_band"]), (high + 1, ["above_band"]))
        for hundredths, expected in (*edges, (-low, ["against_rotation"]), (1 - low, ["below_band"])):
            torque = equal(hundredths / 100, n)
            off += not expected and torque.mean != hundredths / 100
            found = spans._condition_faults(replace(plan, band=band), 0, {"speed": equal(20.0), "torque": torque}, n)
            if found != expected:
                wrong.append((low, high, hundredths, n, found))
    assert off > 20
    assert wrong == []


def test_a_temperature_on_the_edge_of_the_band_is_in_it():
    """An offset of a probe adds an error of rounding: 24.6 + 0.1 is 24.700000000000003."""
    seen = equal(24.6 + 0.1)
    assert seen.maximum > 24.7
    assert (spans._is_between(24.3, seen, 24.7), spans._is_between(24.3, seen, 24.69)) == (True, False)


def test_a_mean_on_a_half_is_rounded_as_the_half_that_a_person_reads():
    """The mean of equal readings that end with a 5 is reported, compared and given its side as that decimal number."""
    rng = random.Random("halves")
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    wrong, in_binary = [], 0
    for _ in range(1000):
        decimals, n = rng.randrange(3), rng.randrange(2, 60)
        exact = Decimal(rng.randrange(1, 50_000) * 10 + 5).scaleb(-decimals - 1)
        mean = equal(float(exact), n).mean
        expected = f"{exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN):f}"
        product = replace(plan.context.product, reported_decimals=decimals, limits=())
        found = reported(mean, product, "viscosity", "mPa.s")
        in_binary += reported(mean, product, "viscosity", "mPa.s", checks=DECIMAL_MEANS - 1) != expected
        rule = Rule(Rounding.ROUNDED, Acceptance.SIMPLE, decimals, 1.0)
        on_it, above = (rule.judged(mean, low, None, "mPa.s", None) for low in (float(expected), float(exact) + 1.0))
        if (found, rule.compared(mean), on_it[0], above[0]) != (expected, expected, "within", "outside"):
            wrong.append((exact, n, mean, found))
    assert in_binary > 10
    assert wrong == []


def test_digits_of_a_mean_of_ten_are_those_of_ten():
    """Two of the readings 10.0 and an error of rounding below 10 would have one digit more."""
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    product = replace(plan.context.product, reported_decimals=None, reported_digits=3, limits=())
    below = math.nextafter(10.0, 0.0)
    assert [reported(x, product, "viscosity", "mPa.s") for x in (10.0, below)] == ["10.0", "10.0"]
    assert reported(below, product, "viscosity", "mPa.s", checks=DECIMAL_MEANS - 1) == "10.00"


def test_a_value_that_is_outside_as_it_is_rounded_is_named_on_that_side():
    whole = Rule(Rounding.ROUNDED, Acceptance.SIMPLE, 0, 1.0)
    for value, low, high, code in ((90.4, 90.2, 99.0, "below_limit"), (90.4, 90.2, None, "below_limit"),
                                   (95.6, 90.0, 95.7, "above_limit"), (95.6, None, 95.7, "above_limit")):  # fmt: skip
        found, reasons, _ = whole.judged(value, low, high, "mPa.s", None)
        assert (found, [s.code for s in reasons]) == ("outside", [code])
        assert reasons[0].parameters["limit"] == (low if code == "below_limit" else high)
