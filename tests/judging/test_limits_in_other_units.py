"""Limits in another unit than the value are those that a person wrote, by exact arithmetic of fractions."""

import random
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest

from daq.core.units import UNITS, entered
from daq.methods.concluding.judging import judgement
from daq.quality.limits import Rounding
from tests.support.runs.examples import plan_of

TIMES: dict[tuple[str, str], Fraction] = {
    ("P", "mPa.s"): Fraction(100),
    ("P", "Pa.s"): Fraction(1, 10),
    ("cP", "mPa.s"): Fraction(1),
    ("cP", "Pa.s"): Fraction(1, 1000),
    ("Pa.s", "mPa.s"): Fraction(1000),
    ("mPa.s", "Pa.s"): Fraction(1, 1000),
    ("mN.m", "uN.m"): Fraction(1000),
    ("uN.m", "mN.m"): Fraction(1, 1000),
    ("dyn.cm", "uN.m"): Fraction(1, 10),
    ("kPa", "Pa"): Fraction(1000),
    ("dyn/cm2", "Pa"): Fraction(1, 10),
    ("St", "mm2/s"): Fraction(100),
}
"""Exact factors: SI prefixes; P, St and dyn by NIST SP 811 (2008), appendix B.8."""


def judged(plan, as_entered, unit, value, low, high):
    """Return the verdict on a value whose limits a person wrote in a unit."""
    product = plan.context.product
    code, factor = entered(as_entered)
    limit = replace(
        product.limits[0], quantity="q", unit=code, low=low * factor, high=high * factor, guard_band=None,
        geometry=None, vessel=None, speed=None, time=None, temperature=None,
    )  # fmt: skip
    product = replace(product, limits=(limit,), rounding=Rounding.UNROUNDED, acceptance="simple_acceptance")
    plan = replace(plan, context=replace(plan.context, product=product))
    return judgement(plan, "q", unit, value, None, None, None)


@pytest.mark.parametrize("pair", TIMES)
def test_a_value_on_a_limit_is_within_and_one_step_beyond_it_is_outside(pair):
    as_entered, unit = pair
    assert UNITS[entered(as_entered)[0]].dimension == UNITS[unit].dimension
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    rng = random.Random(f"limits {pair}")
    wrong = []
    for _ in range(400):
        low, high = sorted(Decimal(n).scaleb(-rng.randrange(4)) for n in rng.sample(range(1, 10_000), 2))
        if low == high:
            continue
        edges = [Fraction(x) * TIMES[pair] for x in (low, high)]
        step = Fraction(1, 10**9)
        for edge, way in ((edges[0], -1), (edges[1], 1)):
            for value, verdict in ((edge, "within"), (edge * (1 + way * step), "outside")):
                found = judged(plan, as_entered, unit, float(value), float(low), float(high))
                if found.verdict != verdict:
                    wrong.append((low, high, float(value), found.verdict))
        (used,) = found.limits
        assert (used.low, used.high) == tuple(float(x) for x in edges)
    assert wrong == []
