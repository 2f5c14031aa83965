"""Fluids against published viscosities and the closed solutions of their models."""

import math

import numpy as np
import pytest
from chemicals import viscosity
from iapws import IAPWS95
from scipy.integrate import solve_ivp

from simulators.rotational import (
    FLUIDS,
    Andrade,
    Casson,
    GlycerolWaterViscosity,
    HerschelBulkley,
    PowerLaw,
    Structure,
    WaterViscosity,
)


# IAPWS SR6-08 (properties of liquid water at 0.1 MPa), values in mPa.s.
@pytest.mark.parametrize(
    ("celsius", "expected"),
    [(0, 1.7917824), (15, 1.1375478), (20, 1.0015673), (25, 0.88999677), (40, 0.65273347), (60, 0.46603929)],
)
def test_water_by_the_closed_formula(celsius, expected):
    assert WaterViscosity().factor(celsius) * 1e3 == pytest.approx(expected, rel=1e-7)


# IAPWS R12-08 with the density of IAPWS-95, by the packages `iapws` and `chemicals`.
@pytest.mark.parametrize("celsius", [15.0, 20.0, 25.0, 40.0, 60.0])
def test_water_against_the_full_equation(celsius):
    liquid = IAPWS95(T=celsius + 273.15, P=0.1)
    ours = WaterViscosity().factor(celsius)
    assert ours == pytest.approx(liquid.mu, rel=1e-4)
    assert ours == pytest.approx(viscosity.mu_IAPWS(celsius + 273.15, liquid.rho), rel=1e-4)


# N.-S. Cheng, Ind. Eng. Chem. Res. 47 (2008) 3285, mPa.s.
@pytest.mark.parametrize(
    ("mass_fraction", "celsius", "expected"),
    [(0.0, 20, 1.0048602), (0.5, 20, 6.0022503), (0.85, 25, 80.163893), (0.95, 20, 515.62379), (1.0, 40, 282.44403)],
)
def test_glycerol_in_water(mass_fraction, celsius, expected):
    assert GlycerolWaterViscosity(mass_fraction).factor(celsius) * 1e3 == pytest.approx(expected, rel=1e-7)


# VDI Heat Atlas coefficients as in the package `chemicals`; handbooks spread by about 5 %.
# The package loads its table with an option that its own dependency has deprecated.
@pytest.mark.filterwarnings("ignore:The 'float_precision' argument is deprecated")
@pytest.mark.parametrize("celsius", [20.0, 25.0, 40.0])
def test_pure_glycerol_is_within_the_spread_of_handbooks(celsius):
    row = viscosity.mu_data_VDI_PPDS_7.loc["56-81-5"]
    handbook = viscosity.PPDS9(celsius + 273.15, *(float(row[name]) for name in "ABCDE"))
    assert GlycerolWaterViscosity(1.0).factor(celsius) == pytest.approx(handbook, rel=0.05)


# Andrade's equation through 1.0 Pa.s at 20 Cel and 0.3 Pa.s at 40 Cel gives 0.53695332 Pa.s at 30 Cel (numpy polyfit).
def test_andrade_oil():
    law = Andrade(5526.2305, 20.0)
    assert law.factor(40.0) == pytest.approx(0.3, rel=1e-6)
    assert law.factor(30.0) == pytest.approx(0.53695332, rel=1e-6)


def test_reference_fluid_is_483_mpas_at_25_celsius():
    fluid = FLUIDS["reference-b"]
    assert fluid.law.rate(np.array([0.4832]))[0] == pytest.approx(1.0)
    assert fluid.temperature.factor(25.0) == 1.0


# Definitions of the models (handbooks of rheology).
@pytest.mark.parametrize("rate", [0.01, 1.0, 50.0, 500.0])
@pytest.mark.parametrize(
    ("law", "stress"),
    [
        (PowerLaw(6.5, 0.45), lambda g: 6.5 * g**0.45),
        (HerschelBulkley(8.0, 3.2, 0.55), lambda g: 8.0 + 3.2 * g**0.55),
        (Casson(5.0, 0.12), lambda g: (math.sqrt(5.0) + math.sqrt(0.12 * g)) ** 2),
    ],
)
def test_laws_invert_their_definition(law, stress, rate):
    assert law.rate(np.array([stress(rate)]))[0] == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize("law", [HerschelBulkley(8.0, 3.2, 0.55), Casson(5.0, 0.12)])
def test_nothing_flows_below_the_yield_stress(law):
    assert law.rate(np.array([0.0, 0.5 * law.yield_stress, law.yield_stress])).tolist() == [0.0, 0.0, 0.0]


# Goodeve and Moore's structural model, low-high-low test; values also by scipy's solve_ivp.
def test_structure_breaks_down_and_builds_up_again():
    structure = Structure(0.05, 0.004, 0.5, 4.0)
    level, levels = 1.0, []
    for rate, seconds in ((0.1, 60.0), (200.0, 30.0), (0.1, 90.0)):
        # A hundred steps instead of one: the closed solution has no step-size error.
        for _ in range(100):
            level = structure.after(level, rate, seconds / 100)
        levels.append(level)
    assert levels == pytest.approx([0.99244926, 0.058823529, 0.98206272], rel=1e-7)
    assert [structure.factor(level) for level in levels] == pytest.approx([4.469797, 0.73529412, 4.4282509], rel=1e-7)


def test_structure_against_an_integrated_equation():
    structure = Structure(0.02, 0.0015, 0.25, 0.9)
    solved = solve_ivp(lambda _, y: 0.02 * (1 - y) - 0.0015 * 16.0 * y, (0, 40), [0.7], rtol=1e-11, atol=1e-12)
    assert structure.after(0.7, 16.0, 40.0) == pytest.approx(solved.y[0, -1], rel=1e-8)
