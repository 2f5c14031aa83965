"""A fluid without a yield stress whose zero-shear plateau lies below the measured rates gives no unmarked yield stress.

Generated: Cross, Carreau and Carreau-Yasuda fluids x distances of the plateau x spans, points, scatter, models asked for
and forms of the specification.  The equations are those of P. J. Carreau, Trans. Soc. Rheol. 16 (1972) 99; M. M. Cross,
J. Colloid Sci. 20 (1965) 417; K. Yasuda, R. C. Armstrong, R. E. Cohen, Rheol. Acta 20 (1981) 163 (all from memory).
"""

import math
import random
from dataclasses import dataclass

import numpy as np
import pytest

from daq.methods.files.recipe import ALL_MODELS
from daq.rheology.flowcurves import plateaus
from daq.rheology.flowcurves.curvefit import Series, choose
from daq.rheology.flowcurves.flowmodels import MODELS, FlowModel
from daq.rheology.flowcurves.gapflow import wall_rates
from daq.rheology.flowcurves.yieldspread import yield_spread
from tests.campaigns.coverage import curves
from tests.campaigns.coverage.curves import FORMS, Case, TrueFluid, simulate
from tests.campaigns.coverage.shares import clopper_pearson

ASKED = (ALL_MODELS, ("casson",), ("bingham",), ("newtonian", "bingham", "power_law", "casson"), ("herschel_bulkley",))
SPECIFIED = ("nothing stated", "reading, zero stated", "full scale, includes the zero")
SCATTERS = ((0.05, 0.2), (0.2, 1.0))
TOP_RATE = 300.0
"""1/s, of the campaign's cone at its greatest speed."""


def yasuda(p, g):
    return g * (p[1] + (p[0] - p[1]) * (1.0 + (p[2] * g) ** p[4]) ** ((p[3] - 1.0) / p[4]))


YASUDA = FlowModel(
    "carreau_yasuda", "", ("eta0", "eta_inf", "lam", "n", "a"), ("Pa.s", "Pa.s", "s", "1", "1"), yasuda, None, (), 1.0
)
"""A fluid whose equation is not among the models: a test of the class, not of the fitted equations."""


def part_of_structure(kind, lam, rng):
    """Return the viscosity of the structure at the greatest rate over that at rest, and the exponents, drawn."""
    if kind == "cross":
        m = rng.uniform(0.5, 1.0)
        return 1.0 / (1.0 + lam**m), (m,)
    if kind == "cross, m = 1":
        return 1.0 / (1.0 + lam), (1.0,)
    n = rng.uniform(0.1, 0.6)
    if kind == "carreau":
        return (1.0 + lam**2) ** ((n - 1.0) / 2.0), (n,)
    a = rng.uniform(0.5, 2.0)
    return (1.0 + lam**a) ** ((n - 1.0) / a), (n, a)


def hidden(kind, rng, span, distance):
    """Return a fluid whose plateau ends at the slowest rate over `distance`, with 2 to 80 % of the greatest stress viscous."""
    lam, viscous = distance * span, rng.uniform(0.02, 0.8)
    part, exponents = part_of_structure(kind, lam, rng)
    name = {"yasuda": "carreau_yasuda", "cross, m = 1": "cross"}.get(kind, kind)
    return TrueFluid(name, (viscous + (1.0 - viscous) / part, viscous, lam, *exponents), span)


def yielding(kind, rng, span):
    """Return a fluid with a yield stress of 20 to 80 % of the greatest stress."""
    y = rng.uniform(0.2, 0.8)
    if kind == "bingham":
        return TrueFluid(kind, (y, (1.0 - y) / TOP_RATE), span)
    if kind == "casson":
        return TrueFluid(kind, (y, (1.0 - math.sqrt(y)) ** 2 / TOP_RATE), span)
    n = rng.uniform(0.35, 0.9)
    return TrueFluid(kind, (y, (1.0 - y) / TOP_RATE**n, n), span)


@dataclass
class Count:
    published: int = 0
    unmarked: int = 0
    wrong: int = 0
    """Not marked, and the interval excludes the truth."""
    spread_wrong: int = 0
    """Marked, and the spread between the models excludes the truth."""


def count(cases):
    """Return the counts of (case, seed) pairs, and the shape of each unmarked wrong one for the report of a failure."""
    c, shapes = Count(), []
    for case, seed in cases:
        made = simulate(case, seed)
        y = made.curve.yield_stress
        if y is None:
            continue
        truth = made.truth.get("tau_y", made.truth.get("tau_c", 0.0))
        c.published += 1
        c.unmarked += not y.model_dependent
        c.spread_wrong += y.model_dependent and not y.low <= truth <= y.high
        if not y.model_dependent and abs(y.value - truth) > y.expanded:
            c.wrong += 1
            shapes.append(case)
    return c, shapes


def log_uniform(rng, low, high):
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def hidden_cases(kind, cases, seed, distances=(1.0, 30.0), spans=(12.0, 100.0), points=(6, 10)):
    rng = random.Random(f"hidden {kind} {seed}")
    for i in range(cases):
        fluid = hidden(kind, rng, log_uniform(rng, *spans), log_uniform(rng, *distances))
        yield (
            Case(
                fluid,
                FORMS[rng.choice(SPECIFIED)],
                points=rng.randint(*points),
                models=rng.choice(ASKED),
                scatter=rng.choice(SCATTERS),
            ),
            f"hidden {kind} {seed} {i}",
        )


def yielding_cases(kind, cases, seed, span=100.0, points=8):
    rng = random.Random(f"yielding {kind} {seed}")
    for i in range(cases):
        scatter = SCATTERS[i % 2]
        yield (
            Case(yielding(kind, rng, span), FORMS[rng.choice(SPECIFIED)], points=points, scatter=scatter),
            f"yielding {kind} {seed} {i}",
        )


@pytest.fixture(autouse=True)
def known_fluids(monkeypatch):
    monkeypatch.setattr(curves, "MODELS", {**MODELS, YASUDA.name: YASUDA})


def test_the_fluids_are_what_they_are_called():
    """At rates far below the plateau's end the viscosity is constant; the greatest stress is 1 Pa at the greatest rate."""
    rng = random.Random("shapes")
    for kind in ("cross", "cross, m = 1", "carreau", "yasuda"):
        fluid = hidden(kind, rng, 50.0, 3.0)
        stress = curves.MODELS[fluid.model].stress
        p = np.array(fluid.parameters)
        assert stress(p, np.array([1.0])) == pytest.approx([1.0])
        slow = 1e-12 * np.array([1.0, 10.0])
        assert stress(p, slow) / slow == pytest.approx([p[0], p[0]], rel=1e-3)
    for kind in ("bingham", "casson", "herschel_bulkley"):
        fluid = yielding(kind, rng, 100.0)
        assert MODELS[kind].stress(np.array(fluid.parameters), np.array([TOP_RATE])) == pytest.approx([1.0])


@pytest.mark.parametrize("kind", ["cross", "carreau", "yasuda"])
def test_a_hidden_plateau_gives_no_unmarked_yield_stress(kind):
    found, shapes = count(hidden_cases(kind, 16, 3, points=(8, 10)))
    assert found.published >= 5
    assert found.wrong == 0, shapes
    assert found.unmarked == 0
    assert found.spread_wrong <= 1


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("kind", ["cross", "cross, m = 1", "carreau", "yasuda"])
def test_hidden_plateaus_give_no_unmarked_yield_stress(kind):
    """Every unmarked one is wrong; of all that are published they are fewer than the 5 % of an interval at 97.5 %."""
    found, shapes = count(hidden_cases(kind, 130, 1))
    assert found.published > 73  # of fewer, none wrong would not show it
    assert clopper_pearson(found.wrong, found.published)[1] <= 0.05, (found, shapes)
    assert clopper_pearson(found.spread_wrong, found.published)[0] <= 0.05, found


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize(("kind", "least"), [("bingham", 0.4), ("casson", 0.2), ("herschel_bulkley", 0.4)])
def test_a_true_yield_stress_over_two_decades_keeps_its_value(kind, least):
    found, shapes = count(yielding_cases(kind, 16, 1))
    assert found.published >= 15
    assert found.unmarked >= least * found.published, found
    assert clopper_pearson(found.wrong, found.unmarked)[0] <= 0.05, (found, shapes)


@pytest.mark.slow
def test_true_yield_stresses_over_two_decades_are_not_all_marked():
    found, _ = count(yielding_cases("bingham", 6, 2))
    assert found.unmarked >= 2


def points(stress, ratio, sigma=0.002, seed=1):
    """Return a series with normal scatter of a law `stress(rates)` over fiftyfold speeds."""
    omegas = np.geomspace(0.2, 10.0, 10)
    if ratio is None:
        rates = 30.0 * omegas
        clean = stress(rates)
    else:
        rates, clean = None, stress(wall_rates(stress, omegas, ratio))
    noisy = clean * (1.0 + sigma * np.random.default_rng(seed).standard_normal(omegas.size))
    return Series(omegas, noisy, sigma * noisy, ratio, rates)


@pytest.mark.parametrize("ratio", [None, 1.1, 2.0, math.inf])
def test_the_wall_rates_of_a_rival_come_from_its_own_flow(ratio):
    """The search starts from the rates of a Newtonian fluid, which differ by more than a tenth in a wide gap."""

    def stress(g):
        return MODELS["cross"].stress(np.array([50.0, 0.2, 2.0, 0.95]), g)

    made = points(stress, ratio)
    start = made.rates if ratio is None else wall_rates(lambda g: 0.2 * g, made.omegas, ratio)
    found = {f.fit.fit.model: f for f in plateaus.plateau_fits(made, start, np.diag(made.sigma))}
    assert found["cross"].misfit < 15.0
    fitted = found["cross"].fit
    p = np.array([q.value for q in fitted.fit.parameters])
    own = start if ratio is None else wall_rates(lambda g: MODELS["cross"].stress(p, g), made.omegas, ratio)
    assert np.array(fitted.rates) == pytest.approx(own, rel=1e-3)
    if ratio is not None and ratio > 1.5:
        assert np.max(np.abs(own / start - 1.0)) > 0.1
    spread = yield_spread(made, (), choose(made, ("bingham", "herschel_bulkley", "casson")))
    assert spread is not None
    assert spread.low == 0.0
    assert "cross" in [r.model for r in spread.rivals]


@pytest.mark.parametrize("n", [4, 5])
def test_as_many_points_as_parameters_exclude_no_plateau(n):
    rates = np.geomspace(1.0, 100.0, n)
    stresses = 20.0 + 0.1 * rates
    series = Series(rates, stresses, 0.001 * stresses, rates=rates)
    spread = yield_spread(series, (), choose(series, ("bingham",)))
    assert spread is not None
    assert (spread.low == 0.0) is (n == 4)


def test_the_bounds_of_the_rivals():
    """A plateau within the reach is found although no point shows it; a straight line needs one beyond the reach."""
    rates = np.geomspace(3.0, 300.0, 10)

    def misfits(stresses):
        series = Series(rates / 30.0, stresses, 0.002 * stresses, rates=rates)
        return {f.fit.fit.model: f.misfit for f in plateaus.plateau_fits(series, rates, np.diag(series.sigma))}

    within = MODELS["cross"].stress(np.array([200.0, 0.1, 25.0 / 3.0, 1.0]), rates)
    assert misfits(within)["cross"] < 1e-3
    assert misfits(20.0 + 0.1 * rates)["cross"] > 20.0
