"""How the values of geometry.csv come out of the public functions."""

import math

import numpy as np

from daq.core.units import convert, entered
from daq.rheology import bodies, cylinders, torque
from daq.rheology.cylinders import angular_speed
from daq.rheology.geometry import CoaxialCylinders, ConePlate, LargeVessel, ParallelPlates, Vane


def standard_geometry(i):
    # Any size: the factors are without dimension.
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
        "torque_back": cylinders.margules_torque(eta, omega, i["R_i_m"], i["R_e_m"], i["L_m"], end_factor=i["c_L"]),
    }


def walls(i):
    omega, t = angular_speed(i["speed_rpm"]), i["torque_N_m"]
    tau_i = cylinders.inner_stress(t, i["R_i_m"], i["L_m"], i["c_L"])
    tau_e = cylinders.outer_stress(t, i["R_e_m"], i["L_m"], i["c_L"])
    rate_i = cylinders.newtonian_inner_rate(omega, i["R_i_m"], i["R_e_m"])
    rate_e = cylinders.newtonian_outer_rate(omega, i["R_i_m"], i["R_e_m"])
    return {
        "tau_inner": tau_i,
        "tau_outer": tau_e,
        "gdot_inner": rate_i,
        "gdot_outer": rate_e,
        "mean_tau": (tau_i + tau_e) / 2,
        "mean_gdot": (rate_i + rate_e) / 2,
    }


def margules(i):
    omega = angular_speed(i["speed_rpm"])
    t = cylinders.margules_torque(i["eta_Pa_s"], omega, i["R_i_m"], i["R_e_m"], i["L_m"])
    return {
        "torque": t,
        "gdot_inner": cylinders.newtonian_inner_rate(omega, i["R_i_m"], i["R_e_m"]),
        "eta_back": _coaxial(i).viscosity_constant * t / omega,
    }


def wide_gap(i):
    omega = angular_speed(i["speed_rpm"])
    rate = cylinders.power_law_inner_rate(omega, i["n"], i["R_i_m"], i["R_e_m"])
    t = cylinders.power_law_torque(
        i["K_Pa_s^n"], i["n"], omega, inner_radius_m=i["R_i_m"], outer_radius_m=i["R_e_m"], length_m=i["L_m"]
    )
    newtonian = cylinders.newtonian_inner_rate(omega, i["R_i_m"], i["R_e_m"])
    return {
        "gdot_inner": rate,
        "torque": t,
        "tau_inner": cylinders.inner_stress(t, i["R_i_m"], i["L_m"]),
        "gdot_newtonian": newtonian,
        "ratio_true_to_newtonian": rate / newtonian,
    }


def krieger_elrod(i):
    return {
        "closed gdot_i*ln(delta)/omega": cylinders.krieger_elrod_rate(1.0, i["N"], i["delta"]) * math.log(i["delta"])
    }


def unbounded_newtonian(i):
    omega = angular_speed(i["speed_rpm"])
    return {
        "gdot": LargeVessel(i["R_m"], i["L_m"]).rate_per_omega * omega,
        "torque": cylinders.unbounded_torque(i["eta_Pa_s"], omega, i["R_m"], i["L_m"]),
    }


def unbounded_power_law(i):
    omega = angular_speed(i["speed_rpm"])
    t = cylinders.unbounded_torque(i["K"], omega, i["R_m"], i["L_m"], i["n"])
    return {
        "gdot": cylinders.unbounded_rate(omega, i["n"]),
        "tau": LargeVessel(i["R_m"], i["L_m"]).stress_per_torque * t,
        "torque": t,
    }


def vessel_wall(i):
    ratios = np.array(i["Rb_over_Ri"], dtype=float)
    factors = cylinders.vessel_wall_factor(ratios)
    return {f"ratio_{r:g}": f for r, f in zip(ratios, factors, strict=True)}


def index_from_speeds(i):
    omegas = angular_speed(np.array(i["speeds_rpm"]))
    n, k = cylinders.unbounded_power_law(omegas, i["torques_N_m"], i["R_m"], i["L_m"])
    return {"n": n, "K": k}


def cone(i):
    alpha, t, omega = math.radians(i["alpha_deg"]), i["torque_N_m"], i["omega_rad_s"]
    g = ConePlate(i["R_m"], alpha)
    return {
        "tau": g.stress_per_torque * t,
        "gdot_tan": g.rate_per_omega * omega,
        "gdot_small_angle": bodies.cone_rate(omega, alpha, small_angle=True),
        "eta": g.viscosity_constant * t / omega,
    }


def plates(i):
    g, omega, n = ParallelPlates(i["R_m"], i["gap_m"]), i["omega_rad_s"], i["n"]
    t = bodies.plates_power_law_torque(i["K"], n, omega, i["R_m"], i["gap_m"])
    apparent, true = g.stress_per_torque * t, bodies.plates_rim_stress(t, n, i["R_m"])
    return {
        "gdot_rim": g.rate_per_omega * omega,
        "torque": t,
        "tau_apparent": apparent,
        "tau_rim_true": true,
        "apparent/true": apparent / true,
    }


def single_point(i):
    out = {f"fraction_n{n}": bodies.plates_single_point_fraction(n) for n in i["n"]}
    return out | {"fraction_n->1": bodies.plates_single_point_fraction(1.0)}


def vane(i):
    t = bodies.vane_torque(i["tau_y_Pa"], i["D_m"], i["H_m"])
    return {
        "torque": t,
        "tau_y_back": Vane(i["D_m"], i["H_m"]).stress_per_torque * t,
        "ends_share": bodies.vane_ends_share(i["D_m"], i["H_m"]),
    }


def disc(i):
    arguments = i["eta_Pa_s"], i["omega_rad_s"], i["R_m"]
    return {"torque_disc": bodies.disc_torque(*arguments), "torque_sphere": bodies.sphere_torque(*arguments)}


def taylor(i):
    omega = cylinders.taylor_critical_omega(i["rho"], i["eta"], i["R_i_m"], i["R_e_m"], i["critical_number"])
    return {
        "omega_crit": omega,
        "rpm_crit": cylinders.revolutions_per_minute(omega),
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
    g, fs, speed = LargeVessel(i["R_m"], i["L_m"]), i["torque_full_scale_N_m"], i["speed_rpm"]
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
    "GEO-PP-03": single_point,
    "GEO-VANE-01": vane,
    "GEO-DISC-01": disc,
    "GEO-TAYLOR-01": taylor,
    "GEO-UNIT-01": units,
    "GEO-RANGE-01": ranges,
}
