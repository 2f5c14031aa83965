"""Settling or drying against thixotropy: samples made by simple laws, and the sign that is found.  Common practice."""

import itertools
import math
import random

import pytest

from daq.rheology.elementary import ArgumentError
from daq.rheology.restirring import COVERAGE_FACTOR, DriftSign, Stretch, drift_sign
from tests.support.drift_signs import SIGNS

BEGIN, DRIFT = 800.0, 60.0
PLAN = ("preshear", "preshear", "stir")


def stretches(direction, preshear, stir, plan=PLAN, *, drift=DRIFT, noise=lambda: 0.0):
    """Return the stretches of a sample that drifts by `drift` in each of them."""
    out, offset = [], 0.0
    for i, treatment in enumerate(plan):
        if i and (preshear if treatment == "preshear" else stir):
            offset = 0.0
        first = BEGIN + offset + noise()
        offset += direction * drift
        out.append(Stretch(treatment, first, BEGIN + offset + noise()))
    return out


@pytest.mark.parametrize("name", SIGNS)
def test_the_cause_is_found(name):
    direction, preshear, stir, sign = SIGNS[name]
    assert drift_sign(stretches(direction, preshear, stir), 5.0) is sign
    # The order of the two treatments does not matter.
    assert drift_sign(stretches(direction, preshear, stir, ("stir", "stir", "preshear")), 5.0) is sign


def test_one_treatment_alone_leaves_causes_open():
    both = ("preshear", "stir")
    assert drift_sign(stretches(-1.0, False, True, both), 5.0) is DriftSign.AMBIGUOUS
    assert drift_sign(stretches(+1.0, True, True, both), 5.0) is DriftSign.AMBIGUOUS
    assert drift_sign(stretches(+1.0, False, False, both), 5.0) is DriftSign.IRREVERSIBLE
    assert drift_sign(stretches(-1.0, False, True, ("preshear", "preshear")), 5.0) is DriftSign.AMBIGUOUS


def test_a_return_by_half_is_no_return():
    half = [Stretch("preshear", 800.0, 740.0), Stretch("preshear", 770.0, 740.0), Stretch("stir", 770.0, 740.0)]
    assert drift_sign(half, 5.0) is DriftSign.AMBIGUOUS


def test_a_drift_within_the_scatter_is_none():
    # 2 sqrt(2) 25 = 70.7, above the drift of 60.
    assert drift_sign(stretches(-1.0, False, True), 25.0) is DriftSign.NO_DRIFT


@pytest.mark.parametrize("name", SIGNS)
def test_generated_samples_are_never_called_something_else(name):
    """With a drift of ten standard deviations the sign is right in 9 of 10 cases, otherwise open; it is never another cause."""
    direction, preshear, stir, sign = SIGNS[name]
    rng = random.Random(name)
    counts = {}
    for _ in range(500):
        sd = rng.uniform(0.5, 20.0)
        found = drift_sign(
            stretches(direction, preshear, stir, drift=10.0 * sd, noise=lambda sd=sd: rng.gauss(0.0, sd)), sd
        )
        counts[found] = counts.get(found, 0) + 1
    assert counts[sign] >= 440, counts
    if sign is not DriftSign.NO_DRIFT:
        assert counts[sign] + counts.get(DriftSign.AMBIGUOUS, 0) >= 495, counts


LATE = (0.05, 0.2, 0.35, 0.5, 0.7)
"""Parts of a stretch after which its first value is kept."""
DRIFTS = (4.0, 6.0, 10.0, 20.0)
"""Drift of a whole stretch over the standard deviation of a value."""
COURSES = {"line": lambda t: t, "relaxation": lambda t: (1.0 - math.exp(-3.0 * t)) / (1.0 - math.exp(-3.0))}
"""Part of the drift of a stretch that has happened after a part of its time."""
ORDERS = (("preshear", "preshear", "stir"), ("stir", "stir", "preshear"), ("preshear", "stir", "preshear"))


def kept_late(rng, direction, undone_by, plan, late, drift, course):
    """Return the stretches of a sample that drifts while it is treated too, each with its first value kept late."""
    out, offset, sd = [], 0.0, 0.5
    for i, treatment in enumerate(plan):
        if i:
            offset = 0.0 if treatment in undone_by else offset + 0.3 * direction * drift
        first, last = (BEGIN + offset + direction * drift * course(t) for t in (late, 1.0))
        offset += direction * drift
        out.append(Stretch(treatment, first + rng.gauss(0.0, sd), last + rng.gauss(0.0, sd)))
    return out


@pytest.mark.parametrize("name", [name for name, (direction, *_) in SIGNS.items() if direction])
def test_values_that_are_kept_late_are_named_rightly_and_never_wrongly(name):
    """Keep times, drift rates, courses and orders of treatments: the share named rightly is printed for each keep time."""
    direction, preshear, stir, sign = SIGNS[name]
    undone_by = {t for t, undoes in (("preshear", preshear), ("stir", stir)) if undoes}
    rng = random.Random(name)
    for late in LATE:
        rightly = seen = 0
        for drift, course, plan in itertools.product(DRIFTS, COURSES.values(), ORDERS):
            for _ in range(20):
                found = drift_sign(kept_late(rng, direction, undone_by, plan, late, drift, course), 1.0)
                assert found in (sign, DriftSign.AMBIGUOUS, DriftSign.NO_DRIFT), (late, drift, plan)
                # Below twice the least change that counts, the beginning and the end are not apart.
                if drift * (1.0 - course(late)) > 2.0 * COVERAGE_FACTOR * math.sqrt(2.0) + 3.0:
                    seen += 1
                    rightly += found is sign
        print(f"{name}, first value after {late:.0%} of the stretch: {rightly} of {seen} named rightly")
        assert rightly >= 0.95 * seen
        assert seen or late > 0.4


def test_a_value_beyond_its_beginning_shows_neither():
    """Stirring that changes more than the drift: 800 to 740, then 850."""
    beyond = [Stretch("preshear", 800.0, 740.0), Stretch("preshear", 735.0, 690.0), Stretch("stir", 850.0, 800.0)]
    assert drift_sign(beyond, 5.0) is DriftSign.AMBIGUOUS


@pytest.mark.parametrize(
    "bad",
    [
        lambda: drift_sign([], 5.0),
        lambda: drift_sign([Stretch("stir", 1.0, 2.0)], 5.0),
        lambda: drift_sign([Stretch("stir", 1.0, math.nan)] * 2, 5.0),
        lambda: drift_sign([Stretch("stir", math.inf, 1.0)] * 2, 5.0),
        lambda: drift_sign([Stretch("stir", 1.0, 2.0)] * 2, 0.0),
        lambda: drift_sign([Stretch("stir", 1.0, 2.0)] * 2, math.nan),
    ],
)
def test_wrong_numbers_are_refused(bad):
    with pytest.raises(ArgumentError):
        bad()
