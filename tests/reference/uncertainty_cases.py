"""The values of uncertainty.csv and practice.csv, computed with the public functions."""

import math

from daq.rheology import torque
from daq.rheology.flowcurves.structure import recovery_fraction, shear_thinning_index
from daq.rheology.uncertainty import Component, combine, coverage_factor, from_limit
from daq.rheology.viscosity_budget import Specification, viscosity_components
from tests.support.reference.rectangular_sums import half_width


def full_scale_limit(i):
    spec = Specification(torque_percent_full_scale=i["limit_percent_FS"])
    out = {}
    for p in i["torque_percent"]:
        budget = combine(viscosity_components(1.0, p, spec))
        out |= {f"u_rel_percent_at_{p}": 100 * budget.u_c, f"limit_percent_at_{p}": 100 * math.sqrt(3.0) * budget.u_c}
    return out


def end_gauge(i):
    def length(x):
        return x["l_s"] + x["d"] - x["l_s"] * (x["delta_alpha"] * x["theta"] + x["alpha_s"] * x["delta_theta"])

    at = {
        "l_s": i["l_s_nm"],
        "d": i["d_nm"],
        "delta_alpha": 0.0,
        "theta": i["theta_mean_K"],
        "alpha_s": i["alpha_s_per_K"],
        "delta_theta": 0.0,
    }
    u = {"l_s": i["u_ls"], "d": i["u_d"], "delta_alpha": i["u_delta_alpha"], "delta_theta": i["u_delta_theta"]}
    dof = {"l_s": 18.0, "d": 25.6, "delta_alpha": 50.0, "delta_theta": 2.0}
    # Partial derivatives of the model at these values.
    c = {"l_s": 1.0, "d": 1.0, "delta_alpha": -at["l_s"] * at["theta"], "delta_theta": -at["l_s"] * at["alpha_s"]}
    first = [Component(name, u[name], dof=dof[name], sensitivity=c[name]) for name in u]
    budget = combine(first, coverage=0.99)
    term = {x.name: x.contribution for x in budget.components}
    # Second order (JCGM 100 5.1.2 note): products of inputs, with u(alpha_s) = 1.2e-6 /K and u(theta) = 0.41 K.
    second = [
        Component("delta_alpha theta", i["u_delta_alpha"] * 0.41, sensitivity=i["l_s_nm"]),
        Component("alpha_s delta_theta", 1.2e-6 * i["u_delta_theta"], sensitivity=i["l_s_nm"]),
    ]
    return {
        "l": length(at),
        "term_delta_alpha": term["delta_alpha"],
        "term_delta_theta": term["delta_theta"],
        "u_c": budget.u_c,
        "nu_eff": math.floor(budget.nu_eff),
        "nu_eff_unrounded": budget.nu_eff,
        "t_99_16": coverage_factor(16, 0.99),
        "U_99": budget.expanded,
        "u_c_second_order": combine([*first, *second]).u_c,
    }


def rectangular_sum(i):
    n = i["n"]
    one = from_limit("x", math.sqrt(3.0))
    budget = combine([Component(f"x{k}", one.u) for k in range(n)])
    exact = half_width([math.sqrt(3.0)] * n)
    return {
        "u_y": budget.u_c,
        "half95_normal": budget.expanded,
        "half95_rectangular": exact,
        "half95_rectangular_exact": exact,
    }


def welch(i):
    b = combine([Component(f"x{k}", u, dof=nu) for k, (u, nu) in enumerate(zip(i["u"], i["nu"], strict=True))])
    return {"u_c": b.u_c, "nu_eff": b.nu_eff, "k95": b.k}


def band(i):
    quantities = ("9.99", "10.0", "55.0", "100.0", "100.01", "-0.3", "nan")
    return {q: str(torque.classify_torque(float(q), i["low_percent"], i["high_percent"])) for q in quantities}


def speed(i):
    now, at, target = i["torque_percent"], i["speed_rpm"], i["target_percent"]
    advice = torque.advise(now, at, target_percent=target)
    return {
        "speed_newtonian": advice.speed_per_min,
        "speed_n0.5": torque.advise(now, at, target_percent=target, flow_behaviour_index=0.5).speed_per_min,
        "lowest_valid_speed_newtonian": torque.advise(now, at, target_percent=10.0).speed_per_min,
    }


def shear_thinning(i):
    return {
        "shear_thinning_index": shear_thinning_index(i["eta_at_3rpm"], i["eta_at_30rpm"]),
        "recovery_percent": 100 * recovery_fraction(i["eta_slow_after_high_speed"], i["eta_slow_before"], 0.0),
    }


def temperature(i):
    # 5 % per K: the limit of the temperature, computed back from the standard uncertainty of its component.
    spec = Specification(temperature_kelvin=i["band_K"])
    (part,) = viscosity_components(1.0, 50.0, spec, temperature_coefficient=0.05)
    return {"error_in_eta_at_0.1K_5pct_per_K": 100 * math.sqrt(3.0) * part.contribution}


EVALUATE = {
    "UNC-FS-01": full_scale_limit,
    "UNC-H1-01": end_gauge,
    "UNC-101-01": rectangular_sum,
    "UNC-WS-01": welch,
    "PRA-BAND-01": band,
    "PRA-RANGE-01": speed,
    "PRA-STI-01": shear_thinning,
    "PRA-TEMP-01": temperature,
}
