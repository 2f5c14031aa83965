"""The values of geometry.csv, computed with the public functions."""

import math

import numpy as np

from daq.core.units import convert, entered
from daq.rheology import cylinders, rotors, torque
from daq.rheology.cylinders import angular_speed
from daq.rheology.geometry import CoaxialCylinders, ConePlate, Disc, ParallelPlates, SingleCylinder, Vane
from daq.rheology.leastsquares import linear_fit


def standard_geometry(i):
    # Any size is valid: the factors are dimensionless.
    ri = 0.015
    g = CoaxialCylinders(ri, ri * i["delta"], ri * i["L_over_Ri"], i["c_L"])
    factor, rpm = g.stress_per_torque * ri**3, g.rate_per_omega * angular_speed(1.0)
    return {
        "tau_rep*Ri^3/T": factor,
        "rounded_factor": factor,
        "gdot_rep/omega": g.rate_per_omega,
        "gdot_rep per (1/min)": rpm,
        "rounded_factor_rpm": rpm,
    }


def _coaxial(i):
    return CoaxialCylinders(i["R_i_m"], i["R_e_m"], i["L_m"], i.get("c_L", 1.0))


def coaxial(i):
    g, omega = _coaxial(i), angular_speed(i["speed_rpm"])
    eta = g.viscosity_constant * i["torque_N_m"] / omega
    return {
        "omega": omega,
        "gdot_rep": g.rate_per_omega * omega,
        "tau_rep": g.stress_per_torque * i["torque_N_m"],
        "eta": eta,
        "torque_back": eta * omega / g.viscosity_constant,
    }


def walls(i):
    omega, t = angular_speed(i["speed_rpm"]), i["torque_N_m"]
    tau_i = cylinders.inner_stress(t, i["R_i_m"], i["L_m"], i["c_L"])
    # The torque is the same at every radius.
    tau_e = cylinders.inner_stress(t, i["R_e_m"], i["L_m"], i["c_L"])
    rate_i = cylinders.newtonian_inner_rate(omega, i["R_i_m"], i["R_e_m"])
    rate_e = rate_i * tau_e / tau_i
    return {
        "tau_inner": tau_i,
        "tau_outer": tau_e,
        "gdot_inner": rate_i,
        "gdot_outer": rate_e,
        "mean_tau": (tau_i + tau_e) / 2,
        "mean_gdot": (rate_i + rate_e) / 2,
    }


def margules(i):
    omega, g = angular_speed(i["speed_rpm"]), _coaxial(i)
    t = i["eta_Pa_s"] * omega / g.viscosity_constant
    return {
        "torque": t,
        "gdot_inner": cylinders.newtonian_inner_rate(omega, i["R_i_m"], i["R_e_m"]),
        "eta_back": g.stress_per_torque * t / (g.rate_per_omega * omega),
    }


def wide_gap(i):
    omega = angular_speed(i["speed_rpm"])
    rate = cylinders.krieger_elrod_rate(omega, 1.0 / i["n"], i["R_e_m"] / i["R_i_m"])
    stress = i["K_Pa_s^n"] * rate ** i["n"]
    t = stress / cylinders.inner_stress(1.0, i["R_i_m"], i["L_m"])
    newtonian = cylinders.newtonian_inner_rate(omega, i["R_i_m"], i["R_e_m"])
    return {
        "gdot_inner": rate,
        "torque": t,
        "tau_inner": stress,
        "gdot_newtonian": newtonian,
        "ratio_true_to_newtonian": rate / newtonian,
    }


def krieger_elrod(i):
    return {
        "closed gdot_i*ln(delta)/omega": cylinders.krieger_elrod_rate(1.0, i["N"], i["delta"]) * math.log(i["delta"])
    }


def unbounded_newtonian(i):
    omega, g = angular_speed(i["speed_rpm"]), SingleCylinder(i["R_m"], i["L_m"])
    return {"gdot": g.rate_per_omega * omega, "torque": i["eta_Pa_s"] * omega / g.viscosity_constant}


def unbounded_power_law(i):
    rate = cylinders.unbounded_rate(angular_speed(i["speed_rpm"]), i["n"])
    stress = i["K"] * rate ** i["n"]
    return {"gdot": rate, "tau": stress, "torque": stress / SingleCylinder(i["R_m"], i["L_m"]).stress_per_torque}


def vessel_wall(i):
    ratios = np.array(i["Rb_over_Ri"], dtype=float)
    factors = cylinders.vessel_wall_factor(ratios)
    return {f"ratio_{r:g}": f for r, f in zip(ratios, factors, strict=True)}


def index_from_speeds(i):
    stresses = SingleCylinder(i["R_m"], i["L_m"]).stress_per_torque * np.array(i["torques_N_m"])
    log_omegas = np.log(angular_speed(np.array(i["speeds_rpm"])))
    line = linear_fit(np.column_stack([np.ones_like(log_omegas), log_omegas]), np.log(stresses))
    intercept, n = (float(p) for p in line.parameters)
    return {"n": n, "K": math.exp(intercept) / cylinders.unbounded_rate(1.0, n) ** n}


def cone(i):
    alpha, t, omega = math.radians(i["alpha_deg"]), i["torque_N_m"], i["omega_rad_s"]
    g = ConePlate(i["R_m"], alpha)
    return {
        "tau": g.stress_per_torque * t,
        "gdot_tan": g.rate_per_omega * omega,
        "gdot_small_angle": rotors.cone_rate(omega, alpha, small_angle=True),
        "eta": g.viscosity_constant * t / omega,
    }


def plates(i):
    g, omega, n = ParallelPlates(i["R_m"], i["gap_m"]), i["omega_rad_s"], i["n"]
    true = i["K"] * (g.rate_per_omega * omega) ** n
    apparent = true / rotors.plates_rim_stress(1.0, n)
    return {
        "gdot_rim": g.rate_per_omega * omega,
        "torque": apparent / g.stress_per_torque,
        "tau_apparent": apparent,
        "tau_rim_true": true,
        "apparent/true": apparent / true,
    }


def vane(i):
    t = i["tau_y_Pa"] / Vane(i["D_m"], i["H_m"]).stress_per_torque
    back = rotors.vane_yield_stress(t, i["D_m"], i["H_m"])
    return {
        "torque": t,
        "tau_y_back": back,
        "ends_share": 1.0 - back / rotors.vane_yield_stress(t, i["D_m"], i["H_m"], end_faces=0),
    }


def disc(i):
    return {"torque_disc": i["eta_Pa_s"] * i["omega_rad_s"] / Disc(i["R_m"]).viscosity_constant}


def taylor(i):
    omega = i["critical_number"] / cylinders.taylor_number(i["rho"], i["eta"], 1.0, i["R_i_m"], i["R_e_m"])
    return {
        "omega_crit": omega,
        "rpm_crit": convert(omega, "rad/s", "/min"),
        "gdot_crit": cylinders.representative_rate(omega, i["R_i_m"], i["R_e_m"]),
    }


def units(_i):
    def one(text, target, value=1.0):
        code, factor = entered(text)
        return convert(value * factor, code, target)

    return {
        "1 cP": one("cP", "Pa.s"),
        "1 P": one("P", "Pa.s"),
        "1 dyn cm": one("dyn.cm", "N.m"),
        "1 dyn/cm^2": one("dyn/cm2", "Pa"),
        "1 rpm": one("rpm", "rad/s"),
        "1 cSt": one("cSt", "m2/s"),
        "1 St": one("St", "m2/s"),
        "1 ozf in": one("ozf.in", "N.m"),
        "0 degC": one("°C", "K", 0.0),
        "77 degF": one("°F", "Cel", 77.0),
    }


def ranges(i):
    g, fs, speed = SingleCylinder(i["R_m"], i["L_m"]), i["torque_full_scale_N_m"], i["speed_rpm"]
    etas = torque.viscosity_at(np.array(i["torque_percent"]), fs, g.viscosity_constant, speed)
    return {f"eta_at_{p}": eta for p, eta in zip(i["torque_percent"], etas, strict=True)} | {
        "shear_rate": g.rate_per_omega * angular_speed(speed),
        "eta_full_scale_at_6rpm": torque.viscosity_range(fs, g.viscosity_constant, 6.0)[1],
    }


EVALUATE = {
    "GEO-CC-01": standard_geometry,
    "GEO-CC-02": coaxial,
    "GEO-CC-03": walls,
    "GEO-MARG-01": margules,
    "GEO-KRI-01": wide_gap,
    "GEO-KRI-03": wide_gap,
    "GEO-KRI-05": krieger_elrod,
    "GEO-INF-01": unbounded_newtonian,
    "GEO-INF-02": unbounded_power_law,
    "GEO-INF-04": vessel_wall,
    "GEO-INF-05": index_from_speeds,
    "GEO-CP-01": cone,
    "GEO-PP-01": plates,
    "GEO-VANE-01": vane,
    "GEO-DISC-01": disc,
    "GEO-TAYLOR-01": taylor,
    "GEO-UNIT-01": units,
    "GEO-RANGE-01": ranges,
}
