"""Torque of the simulated flow against published solutions and against other numerical routes."""

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from simulators.rotational import Casson, CoaxialCylinders, HerschelBulkley, Newtonian, PowerLaw, SingleCylinder
from simulators.rotational.flow import HIGHEST_OMEGA, LOWEST_OMEGA, torque_at_omega, torque_table


def rad_per_s(per_min):
    return per_min * 2.0 * math.pi / 60.0


def torque(geometry, law, per_min):
    return float(torque_at_omega(geometry, law, np.array([rad_per_s(per_min)]))[0])


# Margules equation as in handbooks of rheology; second value there from scipy's solve_bvp.
def test_newtonian_annulus_gives_margules_torque():
    geometry = CoaxialCylinders(0.012, 0.015, 0.04)
    assert torque(geometry, Newtonian(0.5), 60.0) == pytest.approx(0.00063165468, rel=1e-7)


# ISO 3219-2, DIN 53019-1: standard coaxial cylinders, radius ratio 1.0847, L/Ri 3, end factor 1.10.
def test_standard_coaxial_cylinders_with_their_end_factor():
    geometry = CoaxialCylinders(0.015, 0.0162705, 0.045, 1.1)
    assert torque(geometry, Newtonian(0.10239565), 100.0) == pytest.approx(1e-3, rel=1e-6)


# Krieger & Elrod 1953, Krieger & Maron: power law in a wide gap; second values from quad and solve_bvp.
@pytest.mark.parametrize(
    ("consistency", "index", "expected"),
    [(10.0, 0.5, 0.0022646529), (0.8, 1.3, 0.0015182224)],
)
def test_power_law_in_a_wide_gap_gives_the_krieger_torque(consistency, index, expected):
    geometry = CoaxialCylinders(0.0125, 0.015625, 0.05)
    assert torque(geometry, PowerLaw(consistency, index), 30.0) == pytest.approx(expected, rel=1e-6)


# Limit of the Margules equation and of the power-law solution for an unbounded fluid (as used by ASTM D2196, ISO 2555).
@pytest.mark.parametrize(
    ("law", "expected"),
    [(Newtonian(2.0), 0.00015349209), (PowerLaw(15.0, 0.4), 0.00095538704)],
)
def test_single_cylinder_in_an_unbounded_fluid(law, expected):
    assert torque(SingleCylinder(0.009, 0.06), law, 12.0) == pytest.approx(expected, rel=1e-6)


# Margules: torque in a vessel over torque in an unbounded fluid is 1/(1 - (Ri/Rb)^2).
@pytest.mark.parametrize(("ratio", "expected"), [(2, 4 / 3), (3, 1.125), (5, 25 / 24), (10, 1.010101)])
def test_a_finite_vessel_raises_the_torque(ratio, expected):
    finite = torque(SingleCylinder(0.009, 0.06, 0.009 * ratio), Newtonian(2.0), 12.0)
    unbounded = torque(SingleCylinder(0.009, 0.06), Newtonian(2.0), 12.0)
    assert finite / unbounded == pytest.approx(expected, rel=1e-6)


# Reiner & Riwlin 1927: Bingham fluid between coaxial cylinders, sheared throughout or only out to the yield radius.
@pytest.mark.parametrize(("per_min", "whole_gap"), [(0.5, False), (2.0, False), (60.0, True), (150.0, True)])
def test_bingham_fluid_gives_the_reiner_riwlin_speed(per_min, whole_gap):
    inner, outer, length, yield_stress, viscosity = 0.0125, 0.016, 0.05, 12.0, 0.35
    moment = torque(CoaxialCylinders(inner, outer, length), HerschelBulkley(yield_stress, viscosity, 1.0), per_min)
    yield_radius = math.sqrt(moment / (2.0 * math.pi * length * yield_stress))
    assert (yield_radius >= outer) is whole_gap
    edge = min(yield_radius, outer)
    speed = moment / (4.0 * math.pi * length * viscosity) * (inner**-2 - edge**-2)
    speed -= yield_stress / viscosity * math.log(edge / inner)
    assert speed == pytest.approx(rad_per_s(per_min), rel=1e-8)


def herschel_bulkley_rate(stress):
    return (max(stress - 8.0, 0.0) / 3.2) ** (1.0 / 0.55)


def casson_rate(stress):
    return max(math.sqrt(stress) - math.sqrt(5.0), 0.0) ** 2 / 0.12


@pytest.mark.parametrize("per_min", [0.01, 0.5, 12.0, 100.0])
@pytest.mark.parametrize(
    ("law", "rate", "yield_stress"),
    [(HerschelBulkley(8.0, 3.2, 0.55), herschel_bulkley_rate, 8.0), (Casson(5.0, 0.12), casson_rate, 5.0)],
)
@pytest.mark.parametrize("radii", [(0.015, 0.0162705), (0.009, 0.0425)])
def test_yield_stress_fluids_against_the_integral_over_stress(law, rate, yield_stress, radii, per_min):
    # Another route to the same flow: omega = 1/2 * integral of rate/stress over the stress (scipy quad and brentq).
    (inner, outer), length, end_factor = radii, 0.05, 1.1

    def excess(wall_stress):
        low = max(wall_stress * (inner / outer) ** 2, yield_stress)
        speed, _ = quad(lambda stress: rate(stress) / stress, low, wall_stress, epsabs=1e-13, epsrel=1e-8, limit=200)
        return 0.5 * speed - rad_per_s(per_min)

    wall_stress = brentq(excess, yield_stress * (1.0 + 1e-9), 5e3, xtol=1e-12, rtol=1e-12)
    expected = 2.0 * math.pi * length * end_factor * inner**2 * wall_stress
    geometry = CoaxialCylinders(inner, outer, length, end_factor)
    assert torque(geometry, law, per_min) == pytest.approx(expected, rel=1e-6)


def test_a_march_from_the_wall_comes_to_rest_at_the_vessel():
    # A third route: the momentum balance as an initial value problem, d omega/dr = -rate/r (scipy solve_ivp).
    geometry, per_min = CoaxialCylinders(0.0125, 0.015625, 0.05), 30.0
    moment = torque(geometry, Casson(5.0, 0.12), per_min)

    def slope(radius, _):
        return [-casson_rate(moment / (2.0 * math.pi * 0.05 * radius**2)) / radius]

    march = solve_ivp(slope, (0.0125, 0.015625), [rad_per_s(per_min)], rtol=1e-10, atol=1e-12)
    assert march.y[0, -1] == pytest.approx(0.0, abs=1e-7)


def test_torque_falls_to_the_yield_stress_times_the_wall_when_creeping():
    geometry = SingleCylinder(0.009, 0.06, 0.0425)
    least = 2.0 * math.pi * 0.06 * 0.009**2 * 8.0
    assert torque(geometry, HerschelBulkley(8.0, 3.2, 0.55), 1e-5) == pytest.approx(least, rel=0.02)
    assert torque_table(geometry, HerschelBulkley(8.0, 3.2, 0.55)).yield_torque_nm == pytest.approx(least, rel=1e-12)


@pytest.mark.parametrize(
    "law", [Newtonian(0.8), PowerLaw(6.5, 0.45), HerschelBulkley(8.0, 3.2, 0.55), Casson(5.0, 0.12)]
)
def test_the_table_follows_the_solution(law):
    geometry = SingleCylinder(0.009, 0.06, 0.0425)
    speeds = np.exp(np.random.default_rng(5).uniform(math.log(LOWEST_OMEGA), math.log(HIGHEST_OMEGA), 200))
    table = torque_table(geometry, law)
    looked_up = [table.torque(float(speed)) for speed in speeds]
    assert looked_up == pytest.approx(torque_at_omega(geometry, law, speeds).tolist(), rel=1e-4)
