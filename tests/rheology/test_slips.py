"""Dry content of a slip from its density, against a mass balance by hand and against Monte Carlo."""

import numpy as np
import pytest
from iapws import IAPWS95

from daq.core.errors import ArgumentError
from daq.rheology.geometry import CoaxialCylinders, ConePlate, Disc, ParallelPlates, SingleCylinder, Vane, narrowest_gap
from daq.rheology.slips import dry_content, water_density


@pytest.mark.parametrize("celsius", [0.5, 4.0, 10.0, 20.0, 25.0, 40.0, 60.0, 80.0, 99.0])
def test_density_of_water_against_the_formulation_of_iapws(celsius):
    """IAPWS-95 by an independent library; Kell's polynomial differs by its older temperature scale."""
    assert water_density(celsius) == pytest.approx(IAPWS95(T=celsius + 273.15, P=0.101325).rho, abs=0.03)


def test_density_of_water_in_tables():
    # Kell 1975, table: 999.972 at 4, 998.204 at 20, 997.045 at 25 degC (from memory).
    for celsius, expected in ((4.0, 999.972), (20.0, 998.204), (25.0, 997.045)):
        assert water_density(celsius) == pytest.approx(expected, abs=0.003)
    assert list(water_density(np.array([4.0, 20.0]))) == [water_density(4.0), water_density(20.0)]


def test_a_slip_that_is_mixed_by_hand():
    """700 g of a solid of 2.62 g/mL and 300 g of water of 0.998204 g/mL at 20 degC."""
    water = water_density(20.0)
    volume = 0.7 / 2620.0 + 0.3 / water
    found = dry_content(1.0 / volume, 2620.0, 20.0)
    assert found.fraction == pytest.approx(0.7, rel=1e-12)
    assert found.by_volume == pytest.approx(0.7 / 2620.0 / volume, rel=1e-12)
    assert found.u == 0.0
    assert dry_content(water, 2620.0, 20.0).fraction == 0.0
    assert dry_content(2620.0, 2620.0, 20.0).fraction == pytest.approx(1.0, rel=1e-12)


def test_its_uncertainty_is_that_of_monte_carlo():
    rng = np.random.default_rng(4)
    rho, solid, celsius = (rng.normal(m, u, 20_000) for m, u in ((1780.0, 4.0), (2620.0, 20.0), (23.0, 3.0)))
    drawn = [dry_content(*x).fraction for x in zip(rho, solid, celsius, strict=True)]
    found = dry_content(1780.0, 2620.0, 23.0, u_density=4.0, u_solid_density=20.0, u_celsius=3.0)
    assert found.u == pytest.approx(np.std(drawn, ddof=1), rel=0.03)
    assert found.fraction == pytest.approx(np.mean(drawn), abs=0.0005)


@pytest.mark.parametrize(
    ("density", "solid", "celsius", "words"),
    [
        (1.78, 2620.0, 20.0, "density: must be in kg/m3.*was it given in g/mL"),
        (1780.0, 2.62, 20.0, "solid_density: must be in kg/m3"),
        (990.0, 2620.0, 20.0, "density: must be between that of water at 20 degC .998.2 kg/m3. and that of the solid"),
        (2700.0, 2620.0, 20.0, "density: must be between"),
        (1780.0, 1000.0, 20.0, "solid_density: must be at least 1008.2 kg/m3"),
        (1780.0, 2620.0, 120.0, "celsius: must be from 0 to 100 degC"),
    ],
)
def test_a_density_that_no_slip_can_have_is_refused(density, solid, celsius, words):
    with pytest.raises(ArgumentError, match=words):
        dry_content(density, solid, celsius)


def test_the_narrowest_gap_of_each_geometry():
    assert narrowest_gap(CoaxialCylinders(0.012, 0.015, 0.04)) == pytest.approx(0.003)
    assert narrowest_gap(SingleCylinder(0.012, 0.04, 1.1, 0.05)) == pytest.approx(0.038)
    assert narrowest_gap(ParallelPlates(0.02, 0.001)) == 0.001
    assert narrowest_gap(ConePlate(0.02, 0.0349)) == pytest.approx(0.02 * np.tan(0.0349))
    for unbounded in (SingleCylinder(0.012, 0.04), Disc(0.02), Vane(0.02, 0.04)):
        assert narrowest_gap(unbounded) is None
