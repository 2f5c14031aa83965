"""No value is within limits outside approved combinations of method, product, measuring geometry and verification.

Every example is combined with every other one, and with generated ones.  The facts of a run are made so that every
condition of a limit that can agree by chance does agree: value, speed, time and temperature.
"""

import functools
import random
from dataclasses import replace

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.core.context import Amount, ProductLimit, ProductOfPlan
from daq.core.errors import SettingError, SettingErrors
from daq.core.units import convert
from daq.methods.concluding.conclude import conclude
from daq.methods.planning.standing import Pair, Verified, standing
from tests.support.runs.examples import facts, flat, kept, load_changed, plan_of, summaries
from tests.support.statements import codes, parameters

CATALOGUE = Catalogue.load(examples_dir())
METHODS = [m for versions in CATALOGUE.methods.values() for m in versions.values()]
DAY = 86_400 * 10**9
NOW = 1_790_000_000 * 10**9


def fitted_ones(name):
    instrument = CATALOGUE.instrument(name)
    return [instrument.with_fitted(geometry) for geometry in instrument.geometries] or [instrument]


@functools.cache
def plans_on(name):
    """Return the plans of all example methods on an instrument with each of its geometries that can be made."""
    found = []
    for instrument in fitted_ones(name):
        for method in METHODS:
            try:
                plan = CATALOGUE.compile(method, instrument)
            except SettingErrors:
                continue
            if plan.context.verification is None:
                found.append(plan)
    return found


def with_limits(plan, limits, unit="mPa.s"):
    product = ProductOfPlan(id="p", unit=unit, reported_digits=3, limits=tuple(limits))
    return replace(plan, context=replace(plan.context, product=product))


def by_chance(plan, limit):
    """Return the conclusion of a run in which everything agrees with a limit that can agree by chance."""
    quantity = plan.primary
    unit = plan.context.units[quantity]
    ends = [convert(x, limit.unit, unit) for x in (limit.low, limit.high) if x is not None]
    value = sum(ends) / len(ends)
    temperature = 25.0 if limit.temperature is None else limit.temperature
    seen = {
        plan.conditioning.signal or "temperature": flat(temperature),
        "torque": flat(50.0),
        quantity: flat(value, sd=abs(value) * 1e-6),
    }
    seconds = 60.0 if limit.time is None else limit.time / 1e9
    step = plan.context.result_step
    at = "event" if plan.claim == "time_to" else "every" if plan.claim == "peak" else "end"
    made = replace(kept(seen, t=seconds, step=step, at=at), speed=limit.speed or plan.steps[step].speed)
    # While a run goes on, no distributions are propagated, which would take most of the time here.
    return conclude(plan, facts([made], outcome="", ended={step: (0.0, seconds, "elapsed")}))


def is_approved(plan, limit):
    """Return whether the limits were set for this method, with this geometry in this vessel."""
    fitted = plan.context.geometry
    name, vessel = (None, None) if fitted is None else (fitted.name, fitted.vessel)
    return (
        f"{plan.method} {plan.version}" in limit.methods
        and limit.geometry in (None, name)
        and limit.vessel in (None, vessel)
    )


def judged_alone(plan, limit):
    """Return the verdict under one limit, and whether a method of this kind is judged at all."""
    is_judged = plan.claim != "time_to" and not any(step.seek for step in plan.steps)
    return by_chance(with_limits(plan, [limit]), limit).verdict, is_judged


def test_every_example_of_a_limit_with_every_method_and_geometry():
    within = set()
    for name in CATALOGUE.instruments:
        for plan in plans_on(name):
            for product in CATALOGUE.products.values():
                for limit in product.planned().limits:
                    if limit.quantity != plan.primary:
                        continue
                    found, is_judged = judged_alone(plan, limit)
                    approved = is_judged and is_approved(plan, limit)
                    key = (plan.method, product.id, plan.context.geometry_name)
                    assert (found.verdict == "within") is approved, (key, found.reasons)
                    if approved:
                        within.add((plan.method, product.id))
                    elif is_judged:
                        assert {"limit_of_other_method", "limit_of_other_geometry", "limit_of_other_vessel"} & set(
                            codes(found.reasons)
                        ), key
    # Every product is approved for the method its own file names.
    named = {(m.partition(" ")[0], p.id) for p in CATALOGUE.products.values() for x in p.limits for m in x.methods}
    assert within == named


@pytest.mark.parametrize("seed", range(8))
def test_generated_limits_with_every_method_and_geometry(seed):
    rng = random.Random(seed)
    names = [f"{m.id} {m.version}" for m in METHODS]
    names += [f"{m.id} {int(m.version) + 1}" for m in METHODS]  # a version that the limits were not set for
    tried = within = 0
    for name in CATALOGUE.instruments:
        for plan in plans_on(name):
            own, fitted = f"{plan.method} {plan.version}", plan.context.geometry
            limit = ProductLimit(
                quantity=plan.primary, low=10.0, high=20.0, unit=plan.context.units[plan.primary],
                methods=tuple({*rng.sample(names, 2), *([own] if rng.random() < 0.4 else [])}),
                geometry=None if fitted is None else rng.choice([None, fitted.name, "another-one"]),
                vessel=None if fitted is None else rng.choice([None, fitted.vessel or "a cup", "another cup"]),
                speed=rng.choice([None, 10.0, 20.0]) if plan.speed_signal else None,
                time=rng.choice([None, 45 * 10**9]), time_band=10**9,
                temperature=rng.choice([None, 21.0]), temperature_band=0.2,
            )  # fmt: skip
            if plan.primary == "temperature":
                limit = replace(limit, temperature=None)
            found, is_judged = judged_alone(plan, limit)
            assert (found.verdict == "within") is (is_judged and is_approved(plan, limit)), (plan.method, limit, found)
            tried += 1
            within += found.verdict == "within"
    assert tried > 40
    assert within > 0


CHANGES = {
    "rest": ("[conditioning.temperature]", '[conditioning]\nrest = "5 min"\n\n[conditioning.temperature]'),
    "preshear": ("[[steps]]", '[conditioning.preshear]\nspeed = 60\ntime = "2 min"\n\n[[steps]]'),
    "target": ("target = 25.0", "target = 25.1"),
    "keep": ('span = "30 s"', 'span = "20 s"'),
    "settle": ('settle = "1 rev"', 'settle = "3 rev"'),
}


@pytest.mark.parametrize("key", CHANGES)
def test_another_version_of_the_method_is_another_method(tmp_path, key):
    changed = load_changed(tmp_path, "methods/clear-glaze-qc.toml", CHANGES[key], ('version = "1"', 'version = "2"'))
    found = conclude(plan_of(changed, "bench-1", product="clear-glaze"), facts([kept(summaries())])).verdict
    assert found.verdict == "not_comparable"
    assert parameters(found.reasons, "limit_of_other_method") == {
        "wanted": ("clear-glaze-qc 1",), "used": "clear-glaze-qc 2",
    }  # fmt: skip


# ---- choices of the method


CHOOSING = (
    "[choices.speed]",
    '[choices.shear]\ndefault = "60 /min"\nallowed = ["60 /min", "30 /min"]\nunit = "/min"\n\n'
    '[choices.goal]\ndefault = "25 Cel"\nallowed = ["25 Cel", "20 Cel"]\nunit = "Cel"\n\n[choices.speed]',
)
SHEARED = ("[[steps]]", '[conditioning.preshear]\nspeed = "shear"\ntime = "2 min"\n\n[[steps]]')
GOAL = ("target = 25.0", 'target = "goal"')


@pytest.mark.parametrize("limited", [set(), {"shear"}, {"goal"}, {"shear", "goal"}])
@pytest.mark.parametrize("bound", [set(), {"speed"}, {"temperature"}, {"speed", "temperature"}])
@pytest.mark.parametrize("shear", [60, 30])
@pytest.mark.parametrize("goal", [25, 20])
@pytest.mark.parametrize("speed", [20, 10])
def test_a_choice_must_be_that_of_the_limits(tmp_path, limited, bound, shear, goal, speed):
    """A choice is the default, or the value that the limit names, or set by the limit's own speed or temperature."""
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", CHOOSING, SHEARED, GOAL)
    limit = ProductLimit(
        quantity="viscosity", low=700.0, high=900.0, unit="mPa.s", methods=("clear-glaze-qc 1",),
        choices={k: v for k, v in {"shear": Amount(30.0, "/min"), "goal": Amount(20.0, "Cel")}.items() if k in limited},
        speed=float(speed) if "speed" in bound else None,
        temperature=float(goal) if "temperature" in bound else None, temperature_band=0.3,
    )  # fmt: skip
    plan = with_limits(plan_of(method, "bench-1", choices={"shear": shear, "goal": goal, "speed": speed}), [limit])
    c = conclude(plan, facts([kept(summaries(temperature=float(goal)))], outcome=""))
    approved = (
        (shear == 30 if "shear" in limited else shear == 60)
        and (goal == 20 if "goal" in limited else goal == 25 or "temperature" in bound)
        and (speed == 20 or "speed" in bound)
    )
    assert (c.verdict.verdict == "within") is approved, c.verdict.reasons
    if not approved:
        assert "limit_at_other_choice" in codes(c.verdict.reasons)


# ---- verification


SERIALS = ("R-1042", "R-1043", "")
GEOMETRIES = (("coaxial-12", ""), ("coaxial-15", ""), ("coaxial-12", "G-1"), ("coaxial-12", "G-2"), ("renamed", "G-1"))


def is_verified(history, pair):
    """Return whether the newest verification that may belong to the pair passed, and surely belongs to it."""
    for v in reversed(history):
        surely = v.serial == pair.serial and (
            v.geometry_serial == pair.geometry_serial
            if v.geometry_serial and pair.geometry_serial
            else (v.geometry, v.geometry_serial) == (pair.geometry, pair.geometry_serial)
        )
        possibly = (v.serial == pair.serial or "" in (v.serial, pair.serial)) and (
            v.geometry_serial == pair.geometry_serial
            if v.geometry_serial and pair.geometry_serial
            else v.geometry == pair.geometry
        )
        if surely or (possibly and not v.passed):
            return v.passed and v.utc_ns >= NOW - 31 * DAY
    return False


@pytest.mark.parametrize("seed", range(4))
def test_a_verification_counts_for_the_serial_numbers_of_instrument_and_geometry_together(seed):
    rng = random.Random(seed)
    base = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    run = facts([kept(summaries())], outcome="")
    seen = {True: 0, False: 0}
    for _ in range(400):
        days = sorted((rng.randrange(45) for _ in range(rng.randrange(5))), reverse=True)
        history = []
        for day in days:
            name, number = rng.choice(GEOMETRIES)
            history.append(
                Verified(
                    NOW - day * DAY, f"run-{day}", rng.random() < 0.6, geometry=name, geometry_serial=number,
                    serial=rng.choice(SERIALS),
                )
            )  # fmt: skip
        name, number = rng.choice(GEOMETRIES)
        pair = Pair(rng.choice(SERIALS), name, number)
        found = standing(history, now_utc_ns=NOW, every_ns=31 * DAY, pair=pair)
        c = conclude(replace(base, context=replace(base.context, standing=found)), run)
        wanted = is_verified(history, pair)
        seen[wanted] += 1
        assert (c.verdict.verdict == "within") is wanted, (history, pair)
        assert (c.validity == "valid") is wanted
    assert min(seen.values()) > 20


def test_a_pass_on_one_geometry_does_not_clear_the_failure_of_another():
    failed = Verified(NOW - 2 * DAY, "a", False, geometry="coaxial-12", serial="R-1042")
    passed = Verified(NOW - DAY, "b", True, geometry="coaxial-15", serial="R-1042")
    for pair, text in ((Pair("R-1042", "coaxial-12"), "failed"), (Pair("R-1042", "coaxial-15"), "passed")):
        assert standing([failed, passed], now_utc_ns=NOW, every_ns=None, pair=pair).text == text


# ---- files


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("", "is missing"),
        ("methods = []\n", "name the methods"),
        ('methods = ["clear-glaze-qc"]\n', "one space and its version"),
        ('methods = ["clear-glaze-qc  1"]\n', "one space and its version"),
        ('methods = ["Clear 1"]\n', "one space and its version"),
    ],
)
def test_a_limit_names_its_methods_with_their_versions(tmp_path, line, reason):
    with pytest.raises(SettingError, match=reason):
        load_changed(tmp_path, "products/clear-glaze.toml", ('methods = ["clear-glaze-qc 1"]\n', line))


def test_the_methods_of_a_limit_are_published():
    j = conclude(plan_of("clear-glaze-qc", "bench-1", product="clear-glaze"), facts([kept(summaries())])).verdict
    assert j.limits[0].applies_at["method"] == "clear-glaze-qc 1"
