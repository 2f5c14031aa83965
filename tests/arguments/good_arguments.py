"""Good arguments for every public function, as a start from which `test_refusals` makes bad ones.

A row is a function without arguments that returns the arguments by name.  Every parameter of the function is named.
"""

import math
from decimal import Decimal

import numpy as np

from daq.core.plan import Seek
from daq.core.seeking import Try, local_index, next_speed
from daq.core.statistics import Axis, Batches, StraightLine, summarise
from daq.core.units import entered, unit
from daq.quality.charts import individuals_chart
from daq.quality.limits import Rounding
from daq.quality.verification import acceptance_band
from daq.rheology.flowcurves.curvefit import Series, Shift, choose, fit_series
from daq.rheology.flowcurves.flowcurve import fit_model
from daq.rheology.flowcurves.wallslip import GapCurve
from daq.rheology.geometry import ConePlate
from daq.rheology.ranges import Expected, FlowConstants
from daq.rheology.restirring import Stretch
from daq.rheology.temperature import Andrade, Vft
from daq.rheology.uncertainty import Component, Distribution
from daq.rheology.viscosity_budget import Specification

CYLINDERS = {"inner_radius_m": 0.012, "outer_radius_m": 0.015}
OMEGAS = np.array([0.5, 1.0, 2.0, 4.0, 8.0, 16.0])
RATES = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])
STRESSES = 5.0 + 0.8 * RATES + np.array([0.01, -0.02, 0.03, -0.01, 0.02, -0.02])
SIGMA = 0.01 * STRESSES
ANDRADE = Andrade(-10.0, 3000.0, 15.0, 40.0, 0.01)
VFT = Vft(-5.0, 800.0, 150.0, 15.0, 40.0, 0.01)
TABLE = [(20.0, 1000.0), (25.0, 700.0), (30.0, 500.0)]
VALUES = [10.1, 10.3, 9.9, 10.0, 10.2, 9.8, 10.1, 10.4]
SPECIFICATION = Specification(0.7, 0.2, 0.1, 0.1, 0.5, 0.2, 0.1, frozenset({"zero"}))
NARROW = GapCurve(0.0005, (5.0, 10.0, 20.0), (4.0, 10.0, 36.0), 0.01)
WIDE = GapCurve(0.001, (5.0, 10.0, 20.0), (3.0, 8.0, 30.0), 0.01)
PARTS = [Component("a", 1.0, Distribution.STUDENT, 5.0), Component("b", 0.5, Distribution.RECTANGULAR)]
SLOW = Batches(tuple(0.1 * (-1) ** i for i in range(20)), 0.1)
SEEK = Seek(40.0, 60.0, 1.0, 200.0, 6, 0.5, 0.6)


def newtonian(rates):
    return 2.0 * rates


def line(p, x):
    return p[0] + p[1] * x


def line_slopes(_p, x):
    return np.column_stack([np.ones_like(x), x])


def series():
    return Series(OMEGAS, STRESSES, SIGMA, 1.25)


def shifts():
    return [Shift("zero", 0.01 * np.ones_like(STRESSES)), Shift("speed", None, 0.001)]


def rising(n=40):
    return [0.1 * i for i in range(n)]


def seconds():
    return [0.5 * i for i in range(12)]


CURVE_FIT = fit_series("bingham", series(), shifts())
CHOSEN = choose(series(), ["newtonian", "bingham"], shifts())
FIT = fit_model("bingham", RATES, STRESSES, SIGMA)

OWNERS = {
    "daq.rheology.flowcurves.curvefit.CurveFit": CURVE_FIT,
    "daq.rheology.flowcurves.flowcurve.Fit": FIT,
    "daq.rheology.temperature.Andrade": ANDRADE,
    "daq.rheology.temperature.Vft": VFT,
    "daq.rheology.ranges.Expected": Expected(0.8, 0.6, 10.0, 30.0),
    "daq.quality.charts.IndividualsChart": individuals_chart(VALUES),
    "daq.rheology.flowcurves.wallslip.GapCurve": NARROW,
    "daq.quality.verification.AcceptanceBand": acceptance_band("1000", "2000"),
}
"""An object for the methods of each class."""

BEYOND_THE_RULE = {
    "daq.core.statistics.summarise": (
        summarise,
        lambda: {"values": list(VALUES), "axis": Axis(range(len(VALUES)))},
    ),
    "daq.core.statistics.StraightLine.through": (
        StraightLine.through,
        lambda: {"x": seconds(), "y": [3.0 + 0.1 * x + 0.01 * (-1) ** i for i, x in enumerate(seconds())]},
    ),
    "daq.core.seeking.Try": (Try, lambda: {"speed": 30.0, "torque": 20.0}),
    "daq.core.seeking.local_index": (local_index, lambda: {"first": Try(30.0, 20.0), "second": Try(60.0, 30.0)}),
    "daq.core.seeking.next_speed": (next_speed, lambda: {"seek": SEEK, "tries": [Try(30.0, 20.0), Try(60.0, 30.0)]}),
    "daq.core.units.unit": (unit, lambda: {"code": "mPa.s"}),
    "daq.core.units.entered": (entered, lambda: {"text": "cP"}),
}
"""Numerical functions of the core that take more than numbers."""

GOOD = {
    # curvefit, flowcurve, leastsquares, gapflow
    "daq.rheology.flowcurves.curvefit.CurveFit.expanded": lambda: {"name": "tau_y", "coverage": 0.95},
    "daq.rheology.flowcurves.curvefit.CurveFit.band": lambda: {"rates": RATES.copy(), "coverage": 0.95},
    "daq.rheology.flowcurves.curvefit.CurveFit.rates_at": lambda: {"omegas": OMEGAS.copy(), "radius_ratio": 1.25},
    "daq.rheology.flowcurves.curvefit.fit_series": lambda: {
        "model": "bingham", "series": series(), "shifts": shifts(), "unsupported": False
    },
    "daq.rheology.flowcurves.curvefit.fit_or_reason": lambda: {
        "model": "bingham", "series": series(), "shifts": shifts(), "unsupported": False
    },
    "daq.rheology.flowcurves.curvefit.choose": lambda: {
        "series": series(), "models": ["newtonian", "bingham"], "shifts": shifts()
    },
    "daq.rheology.flowcurves.curvefit.Series": lambda: {
        "omegas": OMEGAS.copy(), "stresses": STRESSES.copy(), "sigma": SIGMA.copy(), "radius_ratio": 1.25, "rates": None,
        "scatter": 0.5 * SIGMA,
    },
    "daq.rheology.flowcurves.curvefit.Shift": lambda: {"name": "zero", "stresses": 0.01 * np.ones(6), "speed": 0.001},
    "daq.rheology.flowcurves.flowcurve.Fit.parameter": lambda: {"name": "tau_y"},
    "daq.rheology.flowcurves.flowcurve.Fit.stress": lambda: {"rates": RATES.copy()},
    "daq.rheology.flowcurves.flowcurve.fit_model": lambda: {
        "model": "bingham", "rates": RATES.copy(), "stresses": STRESSES.copy(), "sigma": SIGMA.copy(),
        "start": [5.0, 1.0], "unsupported": False,
    },
    "daq.rheology.flowcurves.flowcurve.not_determined": lambda: {"parameter": "tau_y", "value": 1.0, "interval": 2.0},
    "daq.rheology.flowcurves.flowcurve.casson_line": lambda: {"rates": RATES.copy(), "stresses": STRESSES.copy()},
    "daq.rheology.leastsquares.fit_curve": lambda: {
        "function": line, "x": RATES.copy(), "y": STRESSES.copy(), "start": [5.0, 1.0], "sigma": SIGMA.copy(),
        "jacobian": line_slopes, "lower": [0.0, 0.0], "upper": [100.0, 100.0],
        "diff_step": 1e-5, "max_evaluations": 100,
    },
    "daq.rheology.leastsquares.linear_fit": lambda: {
        "columns": line_slopes(None, RATES), "y": STRESSES.copy(), "sigma": SIGMA.copy()
    },
    "daq.rheology.flowcurves.gapflow.omegas_of_wall_rates": lambda: {
        "stress": newtonian, "rates": np.geomspace(0.1, 10, 50), "radius_ratio": 1.25
    },
    "daq.rheology.flowcurves.gapflow.wall_rates": lambda: {"stress": newtonian, "omegas": OMEGAS.copy(), "radius_ratio": 1.25},
    "daq.rheology.flowcurves.plateaus.plateau_fits": lambda: {
        "series": series(), "rates": RATES.copy(), "factor": np.diag(SIGMA)
    },
    "daq.rheology.flowcurves.yieldspread.yield_spread": lambda: {"series": series(), "shifts": shifts(), "chosen": CHOSEN},
    # cylinders, rotors, geometry
    "daq.rheology.cylinders.angular_speed": lambda: {"speed_per_min": 30.0},
    "daq.rheology.cylinders.inner_stress": lambda: {
        "torque": 1e-3, "inner_radius_m": 0.012, "length_m": 0.04, "end_factor": 1.1
    },
    "daq.rheology.cylinders.representative_stress": lambda: {
        "torque": 1e-3, **CYLINDERS, "length_m": 0.04, "end_factor": 1.1
    },
    "daq.rheology.cylinders.representative_rate": lambda: {"omega": 3.0, **CYLINDERS},
    "daq.rheology.cylinders.newtonian_inner_rate": lambda: {"omega": 3.0, **CYLINDERS},
    "daq.rheology.cylinders.margules_viscosity": lambda: {
        "torque": 1e-3, "omega": 3.0, **CYLINDERS, "length_m": 0.04, "end_factor": 1.1
    },
    "daq.rheology.cylinders.krieger_elrod_rate": lambda: {"omega": 3.0, "slope": 2.0, "radius_ratio": 1.25},
    "daq.rheology.cylinders.local_slopes": lambda: {"independent": RATES.copy(), "dependent": STRESSES.copy()},
    "daq.rheology.cylinders.unbounded_rate": lambda: {"omega": 3.0, "flow_behaviour_index": 0.5},
    "daq.rheology.cylinders.vessel_wall_factor": lambda: {"radius_ratio": 3.0, "flow_behaviour_index": 0.5},
    "daq.rheology.cylinders.taylor_number": lambda: {"density": 1000.0, "viscosity": 1e-3, "omega": 3.0, **CYLINDERS},
    "daq.rheology.cylinders.critical_taylor_number": lambda: {"radius_ratio": 1.25},
    "daq.rheology.cylinders.viscous_heating_rise": lambda: {
        "viscosity": 1.0, "rate": 100.0, "gap_m": 0.003, "conductivity": 0.2
    },
    "daq.rheology.rotors.cone_stress": lambda: {"torque": 1e-3, "radius_m": 0.012},
    "daq.rheology.rotors.cone_rate": lambda: {"omega": 3.0, "angle_rad": 0.02, "small_angle": False},
    "daq.rheology.rotors.plates_rim_rate": lambda: {"omega": 3.0, "radius_m": 0.012, "gap_m": 0.001},
    "daq.rheology.rotors.plates_apparent_stress": lambda: {"torque": 1e-3, "radius_m": 0.012},
    "daq.rheology.rotors.plates_rim_stress": lambda: {"apparent_stress": 10.0, "slope": 0.5},
    "daq.rheology.rotors.vane_yield_stress": lambda: {
        "torque": 1e-3, "diameter_m": 0.02, "height_m": 0.04, "end_faces": 2
    },
    "daq.rheology.rotors.disc_viscosity": lambda: {"torque": 1e-3, "omega": 3.0, "radius_m": 0.012},
    "daq.rheology.geometry.limits_of_use": lambda: {"geometry": ConePlate(0.012, 0.02)},
    "daq.rheology.geometry.CoaxialCylinders": lambda: {**CYLINDERS, "length_m": 0.04, "end_factor": 1.1},
    "daq.rheology.geometry.SingleCylinder": lambda: {
        "radius_m": 0.012, "length_m": 0.04, "end_factor": 1.1, "vessel_radius_m": 0.05
    },
    "daq.rheology.geometry.ConePlate": lambda: {"radius_m": 0.012, "angle_rad": 0.02},
    "daq.rheology.geometry.ParallelPlates": lambda: {"radius_m": 0.012, "gap_m": 0.001},
    "daq.rheology.geometry.CalibratedConstants": lambda: {"viscosity_constant": 100.0},
    "daq.rheology.geometry.Disc": lambda: {"radius_m": 0.012},
    "daq.rheology.geometry.Vane": lambda: {"diameter_m": 0.02, "height_m": 0.04},
    # elementary, pt100, structure, temperature
    "daq.rheology.elementary.exp": lambda: {"x": 2.0, "name": "x"},
    "daq.rheology.elementary.power": lambda: {"x": 2.0, "exponent": 0.5, "name": "x"},
    "daq.rheology.pt100.resistance": lambda: {"celsius": 25.0, "r0": 100.0},
    "daq.rheology.pt100.sensitivity": lambda: {"celsius": 25.0, "r0": 100.0},
    "daq.rheology.pt100.temperature": lambda: {"ohm": 110.0, "r0": 100.0},
    "daq.rheology.flowcurves.structure.shear_thinning_index": lambda: {"viscosity_slow": 2.0, "viscosity_fast": 1.0},
    "daq.rheology.flowcurves.structure.recovery_fraction": lambda: {"viscosity": 1.5, "before": 2.0, "broken": 1.0},
    "daq.rheology.flowcurves.structure.loop_area": lambda: {
        "up_rates": list(RATES), "up_stresses": list(STRESSES),
        "down_rates": list(RATES), "down_stresses": list(STRESSES - 1.0),
    },
    "daq.rheology.temperature.Andrade": lambda: {
        "a": -10.0, "b_kelvin": 3000.0, "low_celsius": 15.0, "high_celsius": 40.0, "relative_sd": 0.01
    },
    "daq.rheology.temperature.Vft": lambda: {
        "a": -5.0, "b_kelvin": 800.0, "t0_kelvin": 150.0, "low_celsius": 15.0, "high_celsius": 40.0, "relative_sd": 0.01
    },
    "daq.rheology.temperature.Andrade.viscosity": lambda: {"celsius": 25.0},
    "daq.rheology.temperature.Andrade.coefficient": lambda: {"celsius": 25.0},
    "daq.rheology.temperature.Vft.viscosity": lambda: {"celsius": 25.0},
    "daq.rheology.temperature.Vft.coefficient": lambda: {"celsius": 25.0},
    "daq.rheology.temperature.fit_andrade": lambda: {"celsius": [20.0, 30.0, 40.0], "viscosity": [1.0, 0.7, 0.5]},
    "daq.rheology.temperature.vft_through_three": lambda: {
        "celsius": [20.0, 30.0, 40.0], "viscosity": [1.0, 0.6, 0.4]
    },
    "daq.rheology.temperature.fit_vft": lambda: {
        "celsius": [20.0, 30.0, 40.0, 50.0, 60.0],
        "viscosity": [VFT.viscosity(t) for t in (20.0, 30.0, 40.0, 50.0, 60.0)],
    },
    "daq.rheology.temperature.correct_to_reference": lambda: {
        "viscosity": 0.8, "celsius": 23.0, "reference_celsius": 25.0, "curve": ANDRADE
    },
    "daq.rheology.geometry.narrowest_gap": lambda: {"geometry": ConePlate(0.012, 0.02)},
    "daq.rheology.slips.water_density": lambda: {"celsius": 23.0},
    "daq.rheology.slips.dry_content": lambda: {
        "density": 1780.0, "solid_density": 2620.0, "celsius": 23.0, "u_density": 1.0, "u_solid_density": 15.0,
        "u_celsius": 0.5,
    },
    # torque, ranges
    "daq.rheology.torque.percent_to_torque": lambda: {"percent": 50.0, "full_scale": 1e-3},
    "daq.rheology.torque.torque_to_percent": lambda: {"torque": 5e-4, "full_scale": 1e-3},
    "daq.rheology.torque.classify_torque": lambda: {"percent": 50.0, "low_percent": 10.0, "high_percent": 100.0},
    "daq.rheology.torque.viscosity_at": lambda: {
        "percent": 50.0, "full_scale": 1e-3, "viscosity_constant": 100.0, "speed_per_min": 30.0
    },
    "daq.rheology.torque.torque_percent_at": lambda: {
        "viscosity": 0.8, "full_scale": 1e-3, "viscosity_constant": 100.0, "speed_per_min": 30.0
    },
    "daq.rheology.torque.viscosity_range": lambda: {
        "full_scale": 1e-3, "viscosity_constant": 100.0, "speed_per_min": 30.0, "low_percent": 10.0,
        "high_percent": 100.0,
    },
    "daq.rheology.torque.speed_for_torque": lambda: {
        "torque_percent": 20.0, "speed_per_min": 30.0, "target_percent": 50.0, "flow_behaviour_index": 0.5
    },
    "daq.rheology.torque.advise": lambda: {
        "mean_percent": 20.0, "speed_per_min": 30.0, "saturated_at_percent": None, "target_percent": 50.0,
        "flow_behaviour_index": 0.5, "full_scale": 1e-3, "viscosity_constant": 100.0,
    },
    "daq.rheology.ranges.speeds_between": lambda: {"slowest": 0.5, "fastest": 200.0},
    "daq.rheology.ranges.FlowConstants": lambda: {"viscosity_constant": 100.0, "rate_per_omega": 4.5},
    "daq.rheology.ranges.Expected": lambda: {
        "viscosity": 0.8, "flow_behaviour_index": 0.6, "at_rate": 10.0, "at_speed_per_min": 30.0
    },
    "daq.rheology.ranges.Expected.from_torque": lambda: {
        "torque_percent": 50.0, "speed_per_min": 30.0, "full_scale": 1e-3, "geometry": FlowConstants(100.0, 4.5),
        "flow_behaviour_index": 0.6,
    },
    "daq.rheology.ranges.Expected.seen": lambda: {"rate": 20.0, "speed_per_min": 60.0},
    "daq.rheology.ranges.plan_ranges": lambda: {
        "full_scale": 1e-3, "geometries": {"cone": FlowConstants(100.0, 4.5)}, "speeds_per_min": [10.0, 30.0],
        "expected": Expected(0.8), "specification": SPECIFICATION, "temperature_coefficient": 0.04,
        "low_percent": 10.0, "high_percent": 100.0,
    },
    # uncertainty
    "daq.rheology.uncertainty.Component": lambda: {
        "name": "a", "u": 1.0, "distribution": Distribution.NORMAL, "dof": 5.0, "sensitivity": 2.0, "unit": "%"
    },
    "daq.rheology.uncertainty.from_limit": lambda: {
        "name": "a", "half_width": 1.0, "sensitivity": 2.0, "distribution": Distribution.RECTANGULAR, "dof": 5.0,
        "unit": "%",
    },
    "daq.rheology.uncertainty.from_expanded": lambda: {
        "name": "a", "expanded": 1.0, "coverage_factor": 2.0, "sensitivity": 2.0, "dof": 5.0
    },
    "daq.rheology.slowdrift.mean_scatter": lambda: {
        "sd": 1.0, "n": 40, "lag1": 0.3, "batches": SLOW, "fitted": 1, "standard_errors": 1.0
    },
    "daq.rheology.slowdrift.effective_below_noise": lambda: {
        "n": 40, "lag1": 0.3, "lag2": 0.2, "fitted": 1, "standard_errors": 1.0
    },
    "daq.rheology.slowdrift.is_slower": lambda: {"means": [0.1 * (-1) ** i for i in range(20)], "u": 0.5, "fitted": 1},
    "daq.rheology.uncertainty.span_mean_uncertainty": lambda: {"sd": 1.0, "n": 40, "lag1": 0.3, "batches": SLOW},
    "daq.rheology.uncertainty.from_readings": lambda: {
        "name": "a", "sd": 1.0, "n": 40, "lag1": 0.3, "sensitivity": 2.0, "batches": SLOW},
    "daq.rheology.uncertainty.from_drifting_readings": lambda: {
        "name": "a", "line_sd": 1.0, "n": 100, "line_lag1": 0.1, "slope": 1.0, "spread": 800.0, "batches": SLOW},
    "daq.rheology.uncertainty.from_rippling_readings": lambda: {
        "name": "a", "sd": 1.0, "n": 100, "lag1": 0.1, "power": 800.0, "batches": SLOW},
    "daq.rheology.uncertainty.from_one_reading": lambda: {"name": "a", "sd": 1.0, "n": 40, "lag1": 0.3, "batches": SLOW},
    "daq.rheology.viscosity_budget.vane_end_component": lambda: {"stress": 40.0, "diameter": 20.0, "height": 40.0},
    "daq.rheology.viscosity_budget.end_factor_component": lambda: {
        "viscosity": 800.0, "end_factor": 1.1, "flow_behaviour_index": 0.5
    },
    "daq.rheology.uncertainty.bounded_share": lambda: {"components": list(PARTS)},
    "daq.rheology.uncertainty.combine": lambda: {"components": list(PARTS), "coverage": 0.95},
    "daq.rheology.uncertainty.welch_satterthwaite": lambda: {"u_c": 1.2, "components": list(PARTS)},
    "daq.rheology.uncertainty.coverage_factor": lambda: {"nu_eff": 7.3, "coverage": 0.95},
    "daq.rheology.viscosity_budget.Specification": lambda: {
        "torque_percent_full_scale": 0.7, "torque_percent_reading": 0.2, "resolution_percent_full_scale": 0.1,
        "speed_percent": 0.1, "geometry_percent": 0.5, "temperature_kelvin": 0.2, "zero_percent_full_scale": 0.1,
        "includes": frozenset({"zero"}),
    },
    "daq.rheology.viscosity_budget.viscosity_components": lambda: {
        "viscosity": 0.8, "torque_percent": 50.0, "specification": SPECIFICATION, "temperature_coefficient": 0.04,
        "zero_percent": 0.1, "zero_drift_percent": 0.05, "scatter": (0.01, 40, 0.3),
        "others": [Component("fluid", 0.002)],
    },
    "daq.rheology.viscosity_budget.is_beyond_torque_error": lambda: {
        "specification": SPECIFICATION, "observed": 0.1
    },
    "daq.rheology.viscosity_budget.zero_component": lambda: {
        "specification": SPECIFICATION, "observed": 0.1, "sensitivity": 2.0
    },
    "daq.rheology.montecarlo.draw": lambda: {
        "rng": np.random.default_rng(1), "component": PARTS[0], "trials": 1000
    },
    "daq.rheology.montecarlo.propagate_budget": lambda: {
        "value": 10.0, "components": list(PARTS), "seed": 3, "trials": 1000, "coverage": 0.95
    },
    # quality
    "daq.quality.limits.in_sigmas": lambda: {"value": 150.6, "centre": 150.3, "sigma": 0.1},
    "daq.quality.charts.constants": lambda: {"n": 5},
    "daq.quality.charts.IndividualsChart.z": lambda: {"values": list(VALUES)},
    "daq.quality.charts.individuals_chart": lambda: {"values": list(VALUES), "d2": 1.128},
    "daq.quality.charts.ewma_chart": lambda: {
        "values": list(VALUES), "target": 10.0, "sigma": 0.2, "weight": 0.3, "width": 3.0, "exact": True
    },
    "daq.quality.charts.run_rules": lambda: {"z": [0.1, -0.5, 1.2, 3.2, 0.4]},
    "daq.quality.charts.first_signals": lambda: {"z": [0.1, -0.5, 1.2, 3.2, 0.4]},
    "daq.quality.capability.capability": lambda: {"mean": 10.0, "sd": 0.2, "lower": 9.0, "upper": 11.0, "target": 10.1},
    "daq.quality.capability.cp_interval": lambda: {"cp": 1.2, "n": 25, "coverage": 0.95},
    "daq.quality.capability.cpk_interval": lambda: {"cpk": 1.1, "n": 25, "coverage": 0.95},
    "daq.quality.chisquare.chi_square_quantile": lambda: {"dof": 24, "tail": 0.025, "upper": True},
    "daq.quality.capability.one_sided_interval": lambda: {"index": 1.1, "n": 25, "coverage": 0.95},
    "daq.quality.chartsignals.find_signals": lambda: {
        "values": list(VALUES), "centre": 10.0, "sigma": 0.2, "weight": 0.3
    },
    "daq.quality.chartsignals.false_alarm": lambda: {"rule": "six_trend"},
    "daq.quality.charts.average_run_length": lambda: {"shift": 0.5, "limit": 3.0},
    "daq.quality.distributions.range_below": lambda: {"width": 2.0, "n": 4},
    "daq.quality.distributions.range_moments": lambda: {"n": 4},
    "daq.rheology.flowcurves.wallslip.GapCurve": lambda: {
        "gap": 0.001, "stresses": (5.0, 10.0, 20.0), "rates": (3.0, 8.0, 30.0), "relative_u": 0.01
    },
    "daq.rheology.flowcurves.wallslip.GapCurve.rate_at": lambda: {"stress": 12.0},
    "daq.rheology.flowcurves.wallslip.compare_gaps": lambda: {"narrow": NARROW, "wide": WIDE},
    "daq.rheology.restirring.Stretch": lambda: {"treatment": "preshear", "first": 800.0, "last": 740.0},
    "daq.rheology.restirring.drift_sign": lambda: {
        "stretches": [Stretch("preshear", 800.0, 740.0), Stretch("stir", 801.0, 741.0)], "standard_deviation": 5.0
    },
    "daq.quality.distributions.spacing_ratio_above": lambda: {"ratio": 0.4, "n": 5},
    "daq.quality.health.once_per_revolution": lambda: {
        "revolutions": rising(), "values": [math.sin(2 * math.pi * r) for r in rising()]
    },
    "daq.quality.health.trend": lambda: {"values": list(VALUES), "limit": 12.0},
    "daq.quality.limits.decimal_of": lambda: {"value": 0.1, "name": "value"},
    "daq.quality.limits.rounded": lambda: {"value": 123.456, "decimals": 1},
    "daq.quality.limits.as_reported": lambda: {"value": 123.456, "decimals": 1},
    "daq.quality.limits.judge": lambda: {
        "value": 10.0, "low": 9.0, "high": 11.0, "rule": Rounding.ROUNDED, "decimals": 1
    },
    "daq.quality.guardbands.judge_guarded": lambda: {"value": 10.0, "low": 9.0, "high": 11.0, "guard_band": 0.3},
    "daq.quality.guardbands.probability_outside": lambda: {"value": 10.0, "u": 0.3, "low": 9.0, "high": 11.0},
    "daq.quality.replicates.repeatability_factor": lambda: {"coverage": 0.95},
    "daq.quality.replicates.repeatability_deviation": lambda: {"r_limit": 0.5},
    "daq.quality.replicates.mean_uncertainty": lambda: {"values": [10.0, 10.1, 10.3], "known_sd": 0.2},
    "daq.quality.digits.number": lambda: {"value": 806.549, "digits": 4},
    "daq.quality.digits.as_set": lambda: {"value": 12345.67},
    "daq.quality.digits.significant": lambda: {"value": 806.549, "digits": 4},
    "daq.quality.digits.to_place": lambda: {"value": 806.549, "decimals": 1},
    "daq.quality.digits.is_interval": lambda: {"expanded": 17.3},
    "daq.quality.digits.decimals_for": lambda: {"expanded": 17.3},
    "daq.quality.digits.uncertain": lambda: {"expanded": 17.3},
    "daq.quality.digits.within": lambda: {"value": 806.549, "expanded": 17.3, "digits": 4},
    "daq.quality.digits.interval_text": lambda: {"value": 806.549, "expanded": 17.3, "unit": "mPa.s"},
    "daq.quality.digits.supported": lambda: {"value": 806.549, "expanded": 17.3, "most": 4},
    "daq.quality.digits.not_finer": lambda: {"reported": "806.5", "value": 806.549, "expanded": 17.3},
    "daq.quality.replicates.precision": lambda: {"groups": [[1.0, 1.1], [1.2, 1.1], [0.9, 1.0]], "factor": 2.8},
    "daq.quality.replicates.critical_range": lambda: {"n": 3, "r_limit": 0.5},
    "daq.quality.replicates.judge_replicates": lambda: {"values": [10.0, 10.1], "r_limit": 0.5, "most": 3},
    "daq.quality.statistics.describe": lambda: {"values": list(VALUES)},
    "daq.quality.statistics.grubbs_critical": lambda: {"n": 8, "alpha": 0.05, "two_sided": True},
    "daq.quality.statistics.grubbs_test": lambda: {"values": list(VALUES), "alpha": 0.05, "two_sided": True},
    "daq.quality.statistics.dixon_critical": lambda: {"n": 8, "alpha": 0.05},
    "daq.quality.statistics.dixon_test": lambda: {"values": list(VALUES), "alpha": 0.05},
    "daq.quality.statistics.range_quantile": lambda: {"n": 4, "probability": 0.95},
    "daq.quality.statistics.fit_line": lambda: {"x": seconds()[:8], "y": list(VALUES)},
    "daq.quality.statistics.theil_sen": lambda: {"x": seconds()[:8], "y": list(VALUES), "coverage": 0.95},
    "daq.quality.verification.AcceptanceBand.accepts": lambda: {"measured": 1001.0},
    "daq.quality.verification.AcceptanceBand.deviation_percent": lambda: {"measured": Decimal("1001.0")},
    "daq.quality.verification.acceptance_band": lambda: {
        "certified": 1000.0, "full_scale_viscosity": 2000.0, "certified_uncertainty_percent": 0.5,
        "full_scale_percent": 1.0,
    },
    "daq.quality.verification.certified_viscosity": lambda: {"celsius": 22.0, "table": list(TABLE), "reach_k": 1.0},
    "daq.quality.verification.certified_coefficient": lambda: {"celsius": 22.0, "table": list(TABLE), "reach_k": 1.0},
    "daq.quality.verification.normalised_error": lambda: {
        "measured": 10.1, "expanded": 0.2, "certified": 10.0, "certified_expanded": 0.1
    },
    # core and methods
    "daq.core.wordorder.to_sign_and_magnitude": lambda: {"number": -5.0, "size": 2},
    "daq.core.checksums.crc": lambda: {"width": 16, "polynomial": 0x8005, "initial": 0xFFFF, "reflected": True, "reflected_out": None, "final": 1},
    "daq.core.seeking.power_law_speed": lambda: {"torque": 20.0, "speed": 30.0, "target": 50.0, "index": 0.5},
    "daq.core.statistics.longest_interval": lambda: {"times": [1000, 2000, 5000], "start": 0, "end": 6000},
    "daq.core.steady.effective_count": lambda: {"n": 40, "lag1": 0.3, "fitted": 1, "standard_errors": 1.0},
    "daq.core.steady.drift_bound": lambda: {
        "seconds": seconds(), "values": [3.0 + 0.1 * x + 0.01 * (-1) ** i for i, x in enumerate(seconds())]
    },
    "daq.core.faults.codes_after": lambda: {"checks": 1},
    "daq.core.quietness.noise_at_rest": lambda: {"values": [0.01 * ((i * 7919) % 11) for i in range(60)]},
    "daq.core.quietness.noise_of_span": lambda: {"values": [40.0 + 0.1 * (i % 3) for i in range(60)]},
    "daq.core.sensorsigns.is_frozen": lambda: {"values": [40.0 + 0.1 * (i % 3) for i in range(60)]},
    "daq.core.sensorsigns.is_clipped": lambda: {"values": [40.0 + 0.1 * (i % 3) for i in range(60)]},
    "daq.core.sensorsigns.is_jumped": lambda: {
        "values": [40.0 + 0.1 * (i % 3) for i in range(60)], "limit": 100.0, "before": [40.0, 40.1, 40.2], "settled": 2,
        "times": list(range(63)), "interval": 1
    },
    "daq.core.sensorsigns.is_disturbed": lambda: {"values": [40.0 + 0.1 * (i % 3) for i in range(60)], "limit": 100.0, "is_last": False},
    "daq.core.sensorsigns.step_at": lambda: {"values": [40.0 + 0.1 * (i % 3) for i in range(60)], "level": 40.0},
    "daq.core.sensorsigns.median_of": lambda: {"values": [40.0 + 0.1 * (i % 3) for i in range(60)]},
    "daq.core.sensorsigns.tail_of": lambda: {"values": [40.0 + 0.1 * (i % 3) for i in range(60)]},
    "daq.core.student.student_quantile": lambda: {"p": 0.975, "dof": 7},
    "daq.core.student.t_975": lambda: {"dof": 7.5},
    "daq.core.units.convert": lambda: {"value": 800.0, "source": "mPa.s", "target": "Pa.s"},
    "daq.core.units.as_written": lambda: {"value": 1399.9999999999998},
    "daq.methods.curves.curvetrends.in_time_of_a_turn": lambda: {"speed": 30.0},
    "daq.methods.planning.settling.needed_revolutions": lambda: {
        "before": 30.0, "after": 60.0, "flow_behaviour_index": 0.5
    },
    "daq.methods.planning.settling.settled": lambda: {
        "settle_revolutions": 2.0, "before": 30.0, "after": 60.0, "flow_behaviour_index": 0.5
    },
    "daq.methods.planning.standing.day": lambda: {"utc_ns": 1_700_000_000_000_000_000},
    "daq.methods.planning.standing.moment": lambda: {"utc_ns": 1_700_000_000_000_000_000},
}  # fmt: skip
