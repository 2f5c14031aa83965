"""Geometries against a numerical integration of the flow, which knows none of the closed formulas."""

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from daq.core.errors import SettingError
from daq.rheology import cylinders, rotors
from daq.rheology.geometry import (
    CalibratedConstants,
    CoaxialCylinders,
    ConePlate,
    Disc,
    ParallelPlates,
    SingleCylinder,
    Vane,
    limits_of_use,
)
from tests.support.reference.vortex_onset import critical_reynolds

lengths = st.floats(0.002, 0.05)


def couette_omega(rate_of_stress, torque, ri, re, length):
    """Angular speed of the inner cylinder: integral of rate(stress(r))/r over the gap; stress from the moment balance."""
    return quad(lambda r: rate_of_stress(torque / (2 * math.pi * length * r * r)) / r, ri, re, epsabs=0, epsrel=1e-11)[
        0
    ]


def couette_torque(rate_of_stress, omega, ri, re, length):
    return brentq(
        lambda t: couette_omega(rate_of_stress, t, ri, re, length) - omega, 1e-12, 10.0, xtol=1e-18, rtol=1e-13
    )


@given(ri=lengths, ratio=st.floats(1.02, 20), length=lengths, eta=st.floats(1e-3, 1e3), omega=st.floats(0.01, 50))
def test_newtonian_fluid_between_cylinders(ri, ratio, length, eta, omega):
    re = ri * ratio
    g = CoaxialCylinders(ri, re, length)
    torque = eta * omega / g.viscosity_constant
    assert couette_omega(lambda s: s / eta, torque, ri, re, length) == pytest.approx(omega, rel=1e-8)
    assert g.stress_per_torque / g.rate_per_omega == pytest.approx(g.viscosity_constant, rel=1e-12)
    vessel = SingleCylinder(ri, length, vessel_radius_m=re)
    assert vessel.viscosity_constant * torque / omega == pytest.approx(eta, rel=1e-9)
    assert vessel.stress_per_torque * torque == pytest.approx(eta * vessel.rate_per_omega * omega, rel=1e-9)


@given(ratio=st.floats(1.05, 10), n=st.floats(0.2, 1.8), k=st.floats(0.01, 100), omega=st.floats(0.1, 50))
def test_power_law_fluid_between_cylinders(ratio, n, k, omega):
    ri, length = 0.012, 0.04
    re = ri * ratio
    rate = cylinders.krieger_elrod_rate(omega, 1 / n, ratio)
    torque = k * rate**n / cylinders.inner_stress(1.0, ri, length)
    assert couette_omega(lambda s: (s / k) ** (1 / n), torque, ri, re, length) == pytest.approx(omega, rel=1e-7)


@pytest.mark.parametrize("n", [0.3, 0.6, 1.0, 1.4])
def test_a_vessel_a_thousand_times_wider_is_unbounded(n):
    k, omega, radius, length = 3.0, 2.0, 0.005, 0.03
    far = couette_torque(lambda s: (s / k) ** (1 / n), omega, radius, 1000 * radius, length)
    remaining = 1e-6 if n <= 1.0 else 1e-4  # of the order of 1000^(-2/n)
    stress = k * cylinders.unbounded_rate(omega, n) ** n
    assert stress == pytest.approx(SingleCylinder(radius, length).stress_per_torque * far, rel=2 * remaining)
    near = couette_torque(lambda s: (s / k) ** (1 / n), omega, radius, 3 * radius, length)
    assert cylinders.vessel_wall_factor(3.0, n) == pytest.approx(near / far, rel=2 * remaining)


@pytest.mark.parametrize("ratio", [1.1, 1.25, 2.0, math.inf])
def test_local_slope_gives_the_rate_of_a_fluid_that_is_no_power_law(ratio):
    # Ellis fluid: rate = stress/eta0 (1 + (stress/s)^2); smooth, with a varying slope.
    def rate_of_stress(s):
        return s / 2.0 * (1.0 + (s / 20.0) ** 2)

    ri, length = 0.0125, 0.05
    re = ri * (ratio if math.isfinite(ratio) else 300.0)
    torques = np.geomspace(2e-4, 4e-3, 25)
    omegas = np.array([couette_omega(rate_of_stress, t, ri, re, length) for t in torques])
    true = np.array([rate_of_stress(cylinders.inner_stress(float(t), ri, length)) for t in torques])
    found = cylinders.krieger_elrod_rate(omegas, cylinders.local_slopes(torques, omegas), ratio)
    newtonian = cylinders.newtonian_inner_rate(omegas, ri, re)
    inner = slice(1, -1)  # one-sided differences at the ends are less sure
    assert np.max(np.abs(found / true - 1)[inner]) < 0.03
    assert np.max(np.abs(found / true - 1)[inner]) < 0.5 * np.max(np.abs(newtonian / true - 1)[inner])


def test_local_slopes_keep_the_order_of_the_series_and_refuse_bad_ones():
    x = np.array([5.0, 1.0, 3.0, 2.0])
    assert cylinders.local_slopes(x, x**1.7) == pytest.approx([1.7] * 4, rel=1e-9)
    with pytest.raises(ValueError, match="at least 3"):
        cylinders.local_slopes([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="greater than 0"):
        cylinders.local_slopes([1.0, 2.0, 3.0], [1.0, -2.0, 3.0])
    with pytest.raises(ValueError, match="twice"):
        cylinders.local_slopes([1.0, 2.0, 2.0], [1.0, 2.0, 3.0])


def plates_torque(stress_of_rate, omega, radius, gap):
    return quad(lambda r: 2 * math.pi * r * r * stress_of_rate(omega * r / gap), 0, radius, epsabs=0, epsrel=1e-12)[0]


@given(n=st.floats(0.2, 1.6), k=st.floats(0.01, 100), omega=st.floats(0.1, 50))
def test_parallel_plates(n, k, omega):
    radius, gap = 0.02, 0.001
    torque = plates_torque(lambda g: k * g**n, omega, radius, gap)
    g = ParallelPlates(radius, gap)
    stress = rotors.plates_rim_stress(g.stress_per_torque * torque, n)
    assert stress == pytest.approx(k * (g.rate_per_omega * omega) ** n, rel=1e-9)


def test_rim_stress_of_a_fluid_that_is_no_power_law():
    def stress(g):
        return g * (0.1 + 20.0 / (1.0 + g) ** 0.7)

    radius, gap = 0.02, 0.001
    omegas = np.geomspace(0.05, 10, 30)
    torques = np.array([plates_torque(stress, float(w), radius, gap) for w in omegas])
    rates = rotors.plates_rim_rate(omegas, radius, gap)
    true = np.array([stress(g) for g in rates])
    apparent = rotors.plates_apparent_stress(torques, radius)
    found = rotors.plates_rim_stress(apparent, cylinders.local_slopes(rates, torques))
    assert np.max(np.abs(found / true - 1)) < 0.002
    assert np.max(np.abs(apparent / true - 1)) > 0.05


def test_cone_torque_is_the_integral_of_a_uniform_stress():
    g, eta, omega = ConePlate(0.025, math.radians(1.0)), 3.0, 2.0
    stress = eta * g.rate_per_omega * omega
    torque = quad(lambda r: 2 * math.pi * r * r * stress, 0, 0.025)[0]
    assert g.viscosity_constant * torque / omega == pytest.approx(eta, rel=1e-12)
    assert g.stress_per_torque * torque == pytest.approx(stress, rel=1e-12)


def test_vane_and_disc_torques_are_surface_integrals():
    d, h, tau = 0.02, 0.05, 120.0
    side = math.pi * d * h * tau * d / 2
    ends = 2 * quad(lambda r: 2 * math.pi * r * r * tau, 0, d / 2)[0]
    assert Vane(d, h).stress_per_torque * (side + ends) == pytest.approx(tau, rel=1e-12)
    for faces in (0, 1, 2):
        torque = side + faces * ends / 2
        assert rotors.vane_yield_stress(torque, d, h, end_faces=faces) == pytest.approx(tau, rel=1e-12)
    with pytest.raises(SettingError, match="one of 0, 1, 2"):
        rotors.vane_yield_stress(tau, d, h, end_faces=3)

    eta, omega, radius = 2.0, 3.0, 0.03
    # Jeffery's stress on one face of a disc; r = R sin(a).
    face = quad(
        lambda a: 2 * math.pi * (radius * math.sin(a)) ** 2 * 4 / math.pi * eta * omega * radius * math.sin(a),
        0,
        math.pi / 2,
    )[0]
    assert Disc(radius).viscosity_constant * 2 * face / omega == pytest.approx(eta, rel=1e-9)


def test_arrays_give_the_same_as_single_numbers():
    torques = np.array([1e-4, 2e-4, 7e-4])
    assert cylinders.margules_viscosity(torques, 2.0, 0.01, 0.012, 0.03) == pytest.approx(
        [cylinders.margules_viscosity(float(t), 2.0, 0.01, 0.012, 0.03) for t in torques], rel=1e-14
    )
    omegas = np.array([0.5, 1.0, 20.0])
    assert cylinders.krieger_elrod_rate(omegas, 2.5, 1.2) == pytest.approx(
        [cylinders.krieger_elrod_rate(float(w), 2.5, 1.2) for w in omegas], rel=1e-14
    )


def test_end_factor_divides_the_torque():
    plain, ends = CoaxialCylinders(0.015, 0.01627, 0.045), CoaxialCylinders(0.015, 0.01627, 0.045, 1.1)
    assert plain.viscosity_constant / ends.viscosity_constant == pytest.approx(1.1, rel=1e-14)
    assert plain.rate_per_omega == ends.rate_per_omega


def test_calibrated_body_has_no_rate_and_no_stress():
    g = CalibratedConstants(12.5)
    assert (g.stress_per_torque, g.rate_per_omega, g.viscosity_constant) == (None, None, 12.5)


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: CoaxialCylinders(0.0, 0.01, 0.03), "inner_radius_m"),
        (lambda: CoaxialCylinders(0.01, 0.01, 0.03), "outer_radius_m"),
        (lambda: CoaxialCylinders(0.01, 0.02, math.nan), "length_m"),
        (lambda: CoaxialCylinders(0.01, 0.02, 0.03, 0.9), "end_factor"),
        (lambda: SingleCylinder(0.01, 0.03, vessel_radius_m=0.005), "vessel_radius_m"),
        (lambda: ConePlate(0.02, 1.0), "angle_rad"),
        (lambda: ParallelPlates(0.02, -0.001), "gap_m"),
        (lambda: CalibratedConstants(math.inf), "viscosity_constant"),
        (lambda: Disc(0.0), "radius_m"),
        (lambda: Vane(0.02, 0.0), "height_m"),
        (lambda: cylinders.unbounded_rate(1.0, 0.0), "flow_behaviour_index"),
        (lambda: cylinders.krieger_elrod_rate(1.0, 1.0, 1.0), "radius_ratio"),
    ],
)
def test_impossible_numbers_are_refused_by_name(make, key):
    with pytest.raises(SettingError) as refused:
        make()
    assert refused.value.key == key


def test_limits_of_use_are_said():
    standard = CoaxialCylinders(0.015, 0.015 * 1.0847, 0.045, 1.1)

    def output(geometry):
        return [r.code for r in limits_of_use(geometry)]

    assert output(standard) == []
    assert output(CoaxialCylinders(0.01, 0.02, 0.05)) == ["wide_gap"]
    assert output(CoaxialCylinders(0.015, 0.016, 0.02)) == ["short_cylinder"]
    (wall,) = limits_of_use(SingleCylinder(0.01, 0.05, vessel_radius_m=0.03))
    assert (wall.code, wall.parameters) == ("vessel_wall", {"excess": pytest.approx(12.5)})
    assert output(SingleCylinder(0.001, 0.05, vessel_radius_m=0.05)) == []
    assert output(SingleCylinder(0.01, 0.05)) == ["unbounded_vessel"]
    assert output(ConePlate(0.02, math.radians(1))) == []
    assert output(ConePlate(0.02, math.radians(6))) == ["steep_cone"]
    assert output(CalibratedConstants(1.0)) == ["no_shear_rate"]
    assert output(ParallelPlates(0.02, 0.001)) == ["rate_varies_with_radius"]
    assert output(Vane(0.02, 0.04)) == ["uniform_stress_assumed"]


def test_taylor_number_of_water_in_a_narrow_gap():
    # T = rho omega Ri g/eta sqrt(g/Ri), by hand for water in a gap of 1.27 mm.
    omega = 41.2 / (998.2 * 0.015 * 0.00127 / 1.0e-3 * math.sqrt(0.00127 / 0.015))
    assert cylinders.taylor_number(998.2, 1.0e-3, omega, 0.015, 0.01627) == pytest.approx(41.2)


PUBLISHED_ONSET = {
    0.975: 260.95, 0.95: 184.99, 0.9: 131.61, 0.875: 118.16, 0.85: 108.31, 0.8: 94.73, 0.75: 85.78, 0.7: 79.49,
    0.6: 71.72, 0.5: 68.19,
}  # fmt: skip
"""Ri/Re -> critical Reynolds number, outer cylinder at rest: DiPrima and Swinney 1981 (from memory)."""


@pytest.mark.parametrize("inverse_ratio", [*PUBLISHED_ONSET, 0.1, 0.13, 0.22, 0.3, 0.45, 0.65, 0.92, 0.985, 0.999])
def test_onset_of_vortices_in_any_gap(inverse_ratio):
    """The table against published numbers, and between its rows against the linear stability equations."""
    reynolds = critical_reynolds(inverse_ratio)
    if inverse_ratio in PUBLISHED_ONSET:
        assert reynolds == pytest.approx(PUBLISHED_ONSET[inverse_ratio], abs=0.006)
    inner = 0.012
    outer = inner / inverse_ratio
    omega = reynolds * 1e-3 / (1000.0 * inner * (outer - inner))
    number = cylinders.taylor_number(1000.0, 1e-3, omega, inner, outer)
    assert cylinders.critical_taylor_number(outer / inner) == pytest.approx(number, rel=1e-3)


def test_the_onset_of_a_narrow_gap_is_far_too_early_in_a_wide_one():
    assert cylinders.critical_taylor_number(1.0001) == pytest.approx(math.sqrt(1695), rel=1e-3)  # Chandrasekhar 1961
    assert cylinders.critical_taylor_number(2.0) / cylinders.critical_taylor_number(1.0001) == pytest.approx(
        1.656, rel=1e-3
    )
    assert cylinders.critical_taylor_number(math.inf) == cylinders.critical_taylor_number(10.0)


def test_viscous_heating_is_the_middle_of_the_heat_balance():
    # -k T'' = eta rate^2 between two cold walls: a parabola, solved here by finite differences.
    eta, rate, gap, k = 50.0, 100.0, 0.0012, 0.2
    n = 400
    h = gap / n
    matrix = np.diag(np.full(n - 1, 2.0)) - np.diag(np.ones(n - 2), 1) - np.diag(np.ones(n - 2), -1)
    rise = np.linalg.solve(matrix, np.full(n - 1, eta * rate**2 * h * h / k))
    assert cylinders.viscous_heating_rise(eta, rate, gap, k) == pytest.approx(rise.max(), rel=1e-6)


def test_importing_geometry_loads_neither_numpy_nor_scipy():
    code = (
        "import sys; import daq.rheology.geometry, daq.rheology.torque, daq.rheology.uncertainty, daq.quality.limits;"
        "print([m for m in ('numpy', 'scipy') if m in sys.modules])"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
