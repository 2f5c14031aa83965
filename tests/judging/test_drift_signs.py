"""Settling or drying against thixotropy in the result of a method with treatments: pre-shear, measure, stir, measure."""

import pytest

from daq.methods.concluding.conclude import conclude
from daq.rheology.restirring import DriftSign
from tests.judging.parts import CODES, OWN, method
from tests.support.drift_signs import SIGNS
from tests.support.runs.examples import facts, flat, kept, plan_of, summaries
from tests.support.statements import codes, parameters


def values(direction, preshear, stir, treatments=("preshear", "stir"), *, drift=60.0, sd=4.0):
    """Return the kept values of a sample that drifts by `drift` mPa.s in each stretch of 60 s."""
    out, offset, t = [], 0.0, 0.0
    for i in range(len(treatments) + 1):
        if i and (preshear if treatments[i - 1] == "preshear" else stir):
            offset = 0.0
        for part in (0.0, 0.5, 1.0):
            seen = summaries(800.0 + offset + part * direction * drift, speed=20.0)
            seen["viscosity"] = flat(800.0 + offset + part * direction * drift, n=100, sd=sd, lag1=0.2)
            at = "end" if part == 1.0 else "every"
            out.append(kept(seen, t=t + 20.0 + part * 40.0, span=10.0, step=2 * i, at=at))
        offset += direction * drift
        t += 120.0
    return out


def cautions(tmp_path, *course, treatments=("preshear", "stir"), **more):
    plan = plan_of(method(tmp_path, treatments), "bench-1", product="casting-slip")
    ended = {i: (60.0 * i, 60.0 * (i + 1), "elapsed") for i in range(len(plan.steps))}
    found = values(*course, treatments, **more)
    for k in found:
        k.speed = plan.steps[k.step].speed
    return conclude(plan, facts(found, ended=ended)).cautions


@pytest.mark.parametrize("name", SIGNS)
def test_the_cause_is_in_the_result(tmp_path, name):
    direction, preshear, stir, sign = SIGNS[name]
    found = cautions(tmp_path, direction, preshear, stir)
    assert OWN & set(codes(found)) == ({CODES[sign]} if sign in CODES else set())
    if sign in CODES:
        assert parameters(found, CODES[sign])["drift"] == pytest.approx(direction * 7.5)


def test_one_treatment_is_not_enough_to_separate_causes(tmp_path):
    found = cautions(tmp_path, -1.0, False, True, treatments=("stir",))
    assert OWN & set(codes(found)) == {"drift_not_separated"}


def test_a_drift_within_the_scatter_is_none(tmp_path):
    # 0.5 % of 800 is 4 mPa.s, times 2 sqrt(2) 11.3.
    assert not OWN & set(codes(cautions(tmp_path, -1.0, False, True, drift=11.0)))
    assert OWN & set(codes(cautions(tmp_path, -1.0, False, True, drift=12.0)))
    assert not OWN & set(codes(cautions(tmp_path, -1.0, False, True, drift=60.0, sd=300.0)))


def test_runs_that_say_nothing(tmp_path):
    plan = plan_of(method(tmp_path), "bench-1")
    found = values(-1.0, False, True)
    for k in found:
        k.speed = 20.0
    assert not OWN & set(codes(conclude(plan, facts(found, outcome="stopped")).cautions))
    assert not OWN & set(codes(conclude(plan, facts(found[:3])).cautions))
    found[4].speed = 10.0  # another speed: its value is another one
    assert not OWN & set(codes(conclude(plan, facts(found)).cautions))
    ordinary = plan_of("clear-glaze-qc", "bench-1")
    assert not OWN & set(codes(conclude(ordinary, facts([kept(summaries())])).cautions))


@pytest.mark.parametrize("name", SIGNS)
@pytest.mark.parametrize("late", [2.0, 10.0, 30.0])
def test_later_stretches_that_are_kept_later_name_no_drift_that_stayed(tmp_path, name, late):
    """A sample that returned drifts again until its first value: kept late, it looks as if it had stayed."""
    direction, preshear, stir, sign = SIGNS[name]
    plan = plan_of(method(tmp_path), "bench-1", product="casting-slip")
    ended = {i: (60.0 * i, 60.0 * (i + 1), "elapsed") for i in range(len(plan.steps))}
    found = values(direction, preshear, stir)
    for k in found:
        k.speed = plan.steps[k.step].speed
        if k.step and k.at == "every":
            k.t += int(late * 1e9)
    named = OWN & set(codes(conclude(plan, facts(found, ended=ended)).cautions))
    stays = sign in (DriftSign.SETTLING, DriftSign.DRYING, DriftSign.IRREVERSIBLE)
    assert named == ({"drift_not_separated"} if stays and late > 4.0 else {CODES[sign]} if sign in CODES else set())
