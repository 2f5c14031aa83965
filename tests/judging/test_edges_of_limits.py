"""A value, a mean of values or a time that is on the edge of a limit as a person reads it is within.

The figures are decimal numbers in which a display shows them; the edges are those of arithmetic in whole numbers.
"""

import math
import random
from dataclasses import replace

from daq.core.faults import DECIMAL_LIMITS, worst
from daq.core.plan import Conditioning
from daq.core.statistics import Axis, summarise
from daq.methods.concluding.applying import Subject, hindrances, temperature_faults
from daq.methods.concluding.judging import Rule
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
