"""A plan under a corrected declaration has the constants of a plan that was compiled with it from the start."""

import itertools
from dataclasses import replace

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.core.context import RequiredControl
from daq.core.errors import SettingError, SettingErrors
from daq.core.plan import Keep, Rule
from daq.methods.planning.compile import InstrumentHistory, compile_plan
from daq.methods.planning.redeclaring import Redeclared, redeclared

CATALOGUE = Catalogue.load(examples_dir())


def compiled(method, instrument, product, geometry):
    """Return the plan, or None where the method refuses the combination."""
    bench = CATALOGUE.instrument(instrument).with_fitted(geometry)
    fluid = CATALOGUE.fluid("reference-b") if CATALOGUE.method(method).verification is not None else None
    try:
        found = CATALOGUE.products.get(product)
        return CATALOGUE.compile(CATALOGUE.method(method), bench, product=found, fluid=fluid)
    except (SettingError, SettingErrors):
        return None


def cases():
    products = ["", *CATALOGUE.products]
    for method, instrument in itertools.product(CATALOGUE.methods, ("bench-1", "bench-2")):
        geometries = list(CATALOGUE.instrument(instrument).geometries)
        for before, after in itertools.permutations(itertools.product(products, geometries), 2):
            yield method, instrument, before, after


def facts(plan):
    """Return what a declaration decides of a plan."""
    c = plan.context
    names = {d.name: (d.op, d.inputs, d.unit, pytest.approx(d.a, rel=1e-12)) for d in plan.derivations}
    warnings = sorted(w.text for w in c.warnings if w.code in ("gap_narrow_for_particles", "vane_too_fast"))
    return (plan.primary, names, c.geometry, c.other_geometries, c.units, c.product, c.temperature_curve, warnings)


def test_it_equals_the_plan_that_is_compiled_with_the_corrected_facts():
    compared = 0
    plans = {}
    for method, instrument, before, after in itertools.islice(cases(), 0, None, 7):
        for product, geometry in (before, after):
            key = method, instrument, product, geometry
            if key not in plans:
                plans[key] = compiled(*key)
        old, new = plans[method, instrument, *before], plans[method, instrument, *after]
        if old is None or new is None or old.claim == "time_to":
            continue
        changed = {n for n, a, b in zip(("product", "geometry"), before, after, strict=True) if a != b}
        bench = CATALOGUE.instrument(instrument)
        made = Redeclared(
            frozenset(changed), CATALOGUE.products.get(after[0]), after[1], bench.geometries, old.context.standing
        )
        try:
            found = redeclared(old, made)
        except SettingError as error:
            assert "against a limit of its own" in str(error)  # noqa: PT017 - refused for its claim
            continue
        assert facts(found) == facts(new), (method, instrument, before, after)
        same = replace(
            found, derivations=(), primary="", context=replace(new.context, warnings=(), units={})
        )  # fmt: skip
        assert (same.steps, same.conditioning, same.band, same.links) == (
            old.steps,
            old.conditioning,
            old.band,
            old.links,
        )
        compared += 1
    assert compared > 100


def plan_with(claim, signal, *, relative=False):
    """Return a plan of the clear glaze whose value depends on a condition on a signal."""
    plan = compiled("clear-glaze-qc", "bench-1", "clear-glaze", "coaxial-12")
    rule = Rule("above" if claim == "time_to" else "steady", "r", signal, low=500.0, limit=5.0, relative=relative)
    i = plan.context.result_step
    step = plan.steps[i]
    keep = (Keep("event", "mean", step.keep[0].span, event=Rule("any", "e", rules=(rule,))),)
    step = replace(step, keep=keep if claim == "time_to" else step.keep, stop=rule)
    return replace(plan, claim=claim, steps=(*plan.steps[:i], step, *plan.steps[i + 1 :]))


@pytest.mark.parametrize(
    ("claim", "signal", "relative", "refused"),
    [
        ("time_to", "viscosity", False, True),
        ("time_to", "stress", False, True),
        ("time_to", "torque", False, False),
        ("equilibrium", "viscosity", False, True),
        ("equilibrium", "viscosity", True, False),
        ("equilibrium", "torque_abs", False, False),
        ("at_time", "viscosity", False, False),
    ],
)
def test_a_value_that_was_selected_with_the_wrong_constants_is_refused(claim, signal, relative, refused):
    plan = plan_with(claim, signal, relative=relative)
    made = Redeclared(frozenset({"geometry"}), None, "coaxial-15", CATALOGUE.instrument("bench-1").geometries)
    if not refused:
        assert redeclared(plan, made).context.geometry_name == "coaxial-15"
        return
    with pytest.raises(SettingError, match="annul the run and measure again"):
        redeclared(plan, made)


def test_an_unknown_geometry_is_refused_with_the_known_ones():
    plan = compiled("clear-glaze-qc", "bench-1", "clear-glaze", "coaxial-12")
    made = Redeclared(frozenset({"geometry"}), None, "coaxial-99", CATALOGUE.instrument("bench-1").geometries)
    with pytest.raises(SettingError, match="geometries of this instrument: coaxial-15, coaxial-12"):
        redeclared(plan, made)


@pytest.mark.parametrize("now", ["passed", "missing", "failed", "expired"])
def test_another_geometry_has_the_control_of_that_geometry(now):
    plan = compiled("clear-glaze-qc", "bench-1", "clear-glaze", "coaxial-12")
    before = RequiredControl(fluid="house-oil", state="passed")
    plan = replace(plan, context=replace(plan.context, control=before))
    geometries = CATALOGUE.instrument("bench-1").geometries
    found = RequiredControl(fluid="house-oil", state=now)
    made = Redeclared(
        frozenset({"geometry"}), CATALOGUE.product("clear-glaze"), "coaxial-15", geometries, control=found
    )
    assert redeclared(plan, made).context.control == found
    # A correction of the product says nothing about the instrument.
    made = Redeclared(frozenset({"product"}), CATALOGUE.product("white-glaze"), "coaxial-12", geometries)
    assert redeclared(plan, made).context.control == before


def started(method, bench, fluid, today):
    """Return the plan of a run that starts on a day."""
    driver, companions = CATALOGUE.make_driver(bench), CATALOGUE.companions(bench)
    history = InstrumentHistory(today=today)
    return compile_plan(method, bench, driver, fluid=fluid, companions=companions, history=history)


def test_a_fluid_is_refused_by_name_exactly_where_the_run_would_not_have_started_with_it():
    certified, house = CATALOGUE.fluid("reference-b"), CATALOGUE.fluid("house-oil")
    bench, tried = CATALOGUE.instrument("bench-1"), set()
    for versions, fluid, day in itertools.product(
        CATALOGUE.methods, (certified, house, None), ("", "2000-01-01", certified.expires, "2099-01-01")
    ):
        method = CATALOGUE.method(versions)
        if method.control or compiled(versions, "bench-1", "clear-glaze", "coaxial-12") is None:
            continue
        first = CATALOGUE.compile(method, bench, fluid=certified if method.verification is not None else None)
        try:
            started(method, bench, fluid, day)
            allowed = True
        except SettingError:
            allowed = False
        made = Redeclared(frozenset({"fluid"}), fluid=fluid, day=day)
        if allowed:
            assert redeclared(first, made).context.fluid == (None if fluid is None else fluid.certified())
        else:
            with pytest.raises(SettingError) as refused:
                redeclared(first, made)
            assert refused.value.key in ("fluid", "expires")
        tried.add((method.verification is not None, allowed))
    assert tried >= {(True, True), (True, False), (False, True)}
