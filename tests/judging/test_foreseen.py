"""The line before a run and the verdict after it agree, for every method with every product, geometry and choice.

The line is right if no run within the plan gets another verdict: where it says that a result cannot be comparable, no
run is; where it says nothing, a run in which everything goes well is.
"""

import itertools
import random
from dataclasses import replace

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.core.context import Amount, ProductLimit, ProductOfPlan
from daq.core.errors import SettingErrors
from daq.core.units import UNITS, convert
from daq.methods.concluding.claims import result_quantity
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.foreseeing import foreseen
from tests.support.runs.examples import facts, flat, kept, plan_of
from tests.support.statements import codes

CATALOGUE = Catalogue.load(examples_dir())
METHODS = [m for versions in CATALOGUE.methods.values() for m in versions.values()]


def fitted_ones(name):
    instrument = CATALOGUE.instrument(name)
    return [instrument.with_fitted(geometry) for geometry in instrument.geometries] or [instrument]


def choices_of(method):
    """Return the defaults, and every allowed value of each choice alone."""
    yield {}
    for name, choice in method.choices.items():
        for allowed in choice.allowed:
            yield {name: f"{allowed.value} {allowed.unit}".strip()}


def plans(products):
    """Yield every plan that can be made of the examples, with each of the products."""
    for name in CATALOGUE.instruments:
        for instrument, method in itertools.product(fitted_ones(name), METHODS):
            for choices in choices_of(method):
                try:
                    plan = CATALOGUE.compile(method, instrument, choices=choices)
                except SettingErrors:
                    continue
                if plan.context.verification is not None:
                    continue  # its verdict is that of the certified fluid
                for product in products:
                    yield replace(plan, context=replace(plan.context, product=product))


def measured(plan, limit, rng=None):
    """Return the verdict of a run of the plan in which everything agrees with a limit that the plan leaves open.

    With `rng` time and temperature are any that the plan allows.
    """
    quantity, unit = result_quantity(plan)
    seconds = 60.0 if limit.time is None else limit.time / 1e9
    gate = plan.conditioning
    wanted = 25.0 if limit.temperature is None else limit.temperature
    temperature = min(max(wanted, gate.low), gate.high) if gate.signal else wanted
    if rng is not None:
        seconds = rng.uniform(1.0, 200.0)
        temperature = rng.uniform(gate.low, gate.high) if gate.signal else rng.uniform(20.0, 30.0)
    value = 1.0
    if limit.quantity == quantity and UNITS[limit.unit].dimension == UNITS[unit].dimension:
        ends = [convert(x, limit.unit, unit) for x in (limit.low, limit.high) if x is not None]
        value = sum(ends) / len(ends)
    seen = {plan.primary: flat(value, sd=abs(value) * 1e-6), "torque": flat(50.0)}
    if (signal := gate.signal or "temperature") in plan.context.units:
        seen[signal] = flat(temperature)
    step = plan.context.result_step
    at = "event" if plan.claim == "time_to" else "every" if plan.claim == "peak" else "end"
    made = replace(kept(seen, t=seconds, step=step, at=at), speed=plan.steps[step].speed)
    return conclude(plan, facts([made], outcome="", ended={step: (0.0, seconds, "elapsed")})).verdict


def agrees(plan):
    """Check one plan under one limit, and return whether its result can be comparable."""
    limit = plan.context.product.limits[0]
    line = foreseen(plan)
    found = measured(plan, limit)
    assert (found.verdict == "not_comparable") is bool(line), (plan.method, limit, line, found.reasons)
    if line:
        assert {r.text for r in found.reasons if r.code != "no_value_to_compare"} == {r.text for r in line}
    return not line and found.verdict != "none"


def test_every_example_with_every_product_geometry_and_choice():
    products = [p.planned() for p in CATALOGUE.products.values()]
    alone = [replace(p, limits=(limit,)) for p in products for limit in p.limits]
    comparable, tried = set(), 0
    for plan in plans(alone):
        tried += 1
        if agrees(plan):
            comparable.add((plan.method, plan.context.product.id))
    assert tried > 500
    by_the_files = {
        (m.partition(" ")[0], p.id) for p in CATALOGUE.products.values() for x in p.limits for m in x.methods
    }
    assert comparable == by_the_files


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_generated_limits_with_every_method_geometry_and_choice(seed):
    rng = random.Random(seed)
    names = [f"{m.id} {m.version}" for m in METHODS] + [f"{m.id} {int(m.version) + 1}" for m in METHODS]
    seen = {True: 0, False: 0}
    named = set()
    for bare in plans([None, None]):
        if bare.claim == "time_to" or bare.primary == "temperature":
            continue
        if any(step.seek for step in bare.steps):
            continue
        fitted, gate = bare.context.geometry, bare.conditioning
        limit = ProductLimit(
            quantity=rng.choice([bare.primary] * 9 + ["density"]), low=10.0, high=20.0,
            unit=bare.context.units[bare.primary] if rng.random() < 0.9 else "Cel",
            methods=tuple({*rng.sample(names, 2), *([f"{bare.method} {bare.version}"] if rng.random() < 0.8 else [])}),
            choices={name: Amount(rng.choice([a.value, 7.0]), a.unit) for name, a in bare.context.choices.items() if rng.random() < 0.2},
            geometry=None if fitted is None else rng.choice([None, None, fitted.name, fitted.name, "another-one"]),
            vessel=None if fitted is None else rng.choice([None, None, None, fitted.vessel or "a cup", "another cup"]),
            speed=rng.choice([None, None, bare.steps[bare.context.result_step].speed, 11.0]) if bare.speed_signal else None,
            time=rng.choice([None, 45 * 10**9]), time_band=10**9,
            temperature=rng.choice([None, 21.0, gate.low if gate.signal else 22.0]), temperature_band=rng.choice([0.05, 0.5]),
        )  # fmt: skip
        product = ProductOfPlan(id="p", unit="mPa.s", reported_digits=3, limits=(limit,))
        plan = replace(bare, context=replace(bare.context, product=product))
        seen[agrees(plan)] += 1
        line = foreseen(plan)
        named |= set(codes(line))
        # In any run the reasons of the line are among those of the verdict.
        for _ in range(3):
            found = measured(plan, limit, rng)
            assert found.verdict == "not_comparable" or not line
            # A mean temperature in a reason is the one that was measured.
            ahead = {r.text for r in line if r.code != "limit_at_other_temperature"}
            assert ahead <= {r.text for r in found.reasons}
    assert min(seen.values()) >= 10
    assert named >= {
        "limit_of_other_quantity", "limit_of_other_method", "limit_of_other_geometry", "limit_of_other_vessel",
        "limit_at_other_choice", "limit_at_other_speed", "limit_at_other_temperature",
    }  # fmt: skip


def with_limits(plan, *limits):
    product = ProductOfPlan(id="p", unit="mPa.s", reported_digits=3, limits=limits)
    return replace(plan, context=replace(plan.context, product=product))


def test_one_limit_that_can_apply_is_enough_and_its_quantity_gives_the_reasons():
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    own = plan.context.product.limits[0]
    other = replace(own, quantity="density", unit="g/mL", low=1.0, high=2.0)
    assert foreseen(with_limits(plan, other, own)) == ()
    assert foreseen(with_limits(plan, own, replace(own, speed=10.0))) == ()
    assert codes(foreseen(with_limits(plan, other, replace(own, speed=10.0)))) == ["limit_at_other_speed"]
    assert codes(foreseen(with_limits(plan, other))) == ["limit_of_other_quantity"]
    assert foreseen(with_limits(plan)) == ()
