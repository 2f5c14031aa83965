"""The parts of vane ends and of the end factor of a shear-thinning fluid in the budget."""

import math

import pytest
from scipy.integrate import quad

from daq.core.errors import SettingError
from daq.methods.concluding.conclude import conclude
from daq.rheology.viscosity_budget import END_FACTOR, VANE_ENDS, end_factor_component, vane_end_component
from tests.support.runs.examples import example, facts, flat, kept, load_changed, plan_of, summaries
from tests.support.statements import codes


def half_width(component):
    return math.sqrt(3.0) * component.contribution


@pytest.mark.parametrize("slender", [1.0, 1.5, 2.0, 3.5])
def test_the_limit_of_a_vane_is_that_of_a_stress_proportional_to_the_radius(slender):
    """Torque by the surface integral: 2 π R^2 H on the wall, and twice the integral of 2 π r^2 (r/R)^m over an end."""
    radius, height = 0.5, slender

    def torque(m):
        ends, _ = quad(lambda r: 2.0 * math.pi * r**2 * (r / radius) ** m, 0.0, radius)
        return 2.0 * math.pi * radius**2 * height + 2.0 * ends

    expected = torque(0.0) / torque(1.0) - 1.0
    assert half_width(vane_end_component(50.0, 1.0, slender)) == pytest.approx(50.0 * expected, rel=1e-9)


def test_the_vane_of_twice_its_diameter_is_known_to_a_few_percent():
    # (2 + 1/3)/(2 + 1/4) = 1.0370
    assert half_width(vane_end_component(100.0, 20.0, 40.0)) == pytest.approx(3.7037, rel=1e-4)


@pytest.mark.parametrize(
    ("factor", "index", "percent"),
    [
        (1.10, 0.5, 100 * (1 - 1.10 / 1.20)),  # half way from 10 % to 30 %
        (1.10, 1e-9, 100 * (1 - 1.10 / 1.30)),  # the most that is published
        (1.05, 0.5, 100 * (1 - 1.05 / 1.10)),
    ],
)
def test_the_end_factor_grows_where_the_fluid_thins(factor, index, percent):
    assert half_width(end_factor_component(100.0, factor, index)) == pytest.approx(percent, rel=1e-6)


def test_a_fluid_that_does_not_thin_and_ends_without_torque_have_no_part():
    assert end_factor_component(100.0, 1.10, 1.0) is None
    assert end_factor_component(100.0, 1.10, 1.3) is None
    assert end_factor_component(100.0, 1.0, 0.4) is None


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: vane_end_component(1.0, 0.0, 1.0),
        lambda: vane_end_component(1.0, 1.0, math.nan),
        lambda: end_factor_component(1.0, 0.9, 0.5),
        lambda: end_factor_component(1.0, math.inf, 0.5),
        lambda: end_factor_component(1.0, 1.1, 0.0),
        lambda: end_factor_component(1.0, 1.1, math.nan),
    ],
)
def test_impossible_ends_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()


def names(c):
    return {x.name for x in c.uncertainty.components}


def test_a_result_of_a_vane_has_the_part_of_its_ends():
    bench = example("instruments/bench-2.toml").with_fitted("vane-20")
    plan = plan_of("slip-yield-stress", bench)
    step = plan.context.result_step
    series = [
        kept(summaries() | {"stress": flat(stress, sd=0.1)}, step=step, at="every", t=t)
        for t, stress in ((60.0, 30.0), (62.0, 40.0), (64.0, 30.0))
    ]
    c = conclude(plan, facts(series, ended={step: (0.0, 80.0, "stress fell")}))
    part = next(x for x in c.uncertainty.components if x.name == VANE_ENDS)
    assert (c.value, math.sqrt(3.0) * part.contribution) == (40.0, pytest.approx(0.037037 * 40.0, rel=1e-4))


@pytest.mark.parametrize(("index", "has"), [("0.5", True), ("1.0", False)])
def test_a_result_of_a_thinning_product_has_the_part_of_the_end_factor(tmp_path, index, has):
    product = load_changed(
        tmp_path, "products/clear-glaze.toml", ("flow_behaviour_index = 1.0", f"flow_behaviour_index = {index}")
    )
    c = conclude(plan_of("clear-glaze-qc", "bench-1", product=product), facts([kept(summaries())]))
    assert (END_FACTOR in names(c)) is has
    assert "end_factor_of_newtonian_fluid" not in codes(c.uncertainty.left_out)
    unknown = conclude(plan_of("clear-glaze-qc", "bench-1"), facts([kept(summaries())]))
    assert "end_factor_of_newtonian_fluid" in codes(unknown.uncertainty.left_out)
