"""The values of statistics.csv, computed with the public functions."""

import math

import numpy as np

from daq.core.student import student_quantile
from daq.quality.capability import capability
from daq.quality.charts import (
    average_run_length,
    constants,
    ewma_chart,
    first_signals,
    individuals_chart,
)
from daq.quality.replicates import ROUNDED_FACTOR, precision, repeatability_factor
from daq.quality.statistics import (
    describe,
    dixon_critical,
    fit_line,
    grubbs_critical,
    grubbs_test,
)
from daq.rheology.leastsquares import fit_curve
from daq.rheology.uncertainty import coverage_factor
from tests.support.reference.tables import strd, univariate

GENERATED = {
    "numacc2": [1.2] + [1.1, 1.3] * 500,
    "numacc3": [1000000.2] + [1000000.1, 1000000.3] * 500,
}

STRD_MODELS = {
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
}


def nist_univariate(name):
    def evaluate(_i):
        d = describe(univariate(name) or GENERATED[name])
        return {"mean": d.mean, "sd": d.sd, "lag1_autocorrelation": d.lag1}

    return evaluate


def nist_nonlinear(name):
    def evaluate(i):
        pairs = strd(name)
        solutions = [
            fit_curve(STRD_MODELS[name], [x for _, x in pairs], [y for y, _ in pairs], i[start])
            for start in ("start1", "start2")
        ]
        # Both published starting points must lead to the same solution.
        np.testing.assert_allclose(solutions[0].parameters, solutions[1].parameters, rtol=1e-6)
        s = solutions[1]
        out = {f"b{k}": b for k, b in enumerate(s.parameters, start=1)}
        out |= {f"sd_b{k}": e for k, e in enumerate(s.standard_errors, start=1)}
        return out | {"residual_sum_of_squares": s.sum_of_squares}

    return evaluate


def norris(_i):
    pairs = strd("Norris")
    line = fit_line([x for _, x in pairs], [y for y, _ in pairs])
    return {
        "B0": line.intercept,
        "B1": line.slope,
        "sd_B0": line.intercept_se,
        "sd_B1": line.slope_se,
        "residual_sd": line.residual_sd,
    }


def interlaboratory_precision(_i):
    groups: dict[float, list[float]] = {}
    for group, value in strd("SiRstv"):
        groups.setdefault(group, []).append(value)
    p = precision(list(groups.values()))
    return {"F": p.f, "s_r": p.s_r, "s_R": p.s_R, "r_limit_2.8": p.r_limit, "R_limit_2.8": p.R_limit}


def repeatability_factors(_i):
    return {"factor": repeatability_factor(), "rounded": ROUNDED_FACTOR}


def individuals(i):
    c, exact = individuals_chart(i["values"], i["d2"]), individuals_chart(i["values"])
    return {
        "mean": c.centre,
        "MRbar": c.mean_moving_range,
        "UCL": c.upper,
        "LCL": c.lower,
        "UCL_exact_d2": exact.upper,
        "UCL_MR": c.moving_range_upper,
    }


def ewma(i):
    c = ewma_chart(i["values"], target=50.0, sigma=2.0539, weight=0.3, width=3.0)
    return {
        "UCL": c.upper[-1],
        "LCL": c.lower[-1],
        "ewma_1": c.averages[0],
        "ewma_2": c.averages[1],
        "ewma_last": c.averages[-1],
    }


def chart_constants(i):
    return {f"{name}_{n}": getattr(constants(n), name) for n in i["n"] for name in ("d2", "d3", "D3", "D4", "A2", "c4")}


def capabilities(i):
    c = capability(i["mean"], i["s"], i["LSL"], i["USL"], target=14.0)
    return {
        "Cp": c.cp,
        "Cpk": c.cpk,
        "Cpu": c.cpu,
        "Cpl": c.cpl,
        "k": c.k,
        "Cpm_target14": c.cpm,
        "ppm_out_of_limits": 1e6 * c.outside,
    }


def rules(i):
    return first_signals(i["z"])


def run_length(_i):
    return {"ARL": average_run_length(), "ARL_shift_1sigma": average_run_length(1.0)}


def student(i):
    return {f"t_{df}": student_quantile(0.975, df) for df in i["df"]} | {"z": coverage_factor(math.inf)}


def interval(i):
    d = describe(i["values"])
    error = d.sd / math.sqrt(d.n)
    half = student_quantile(0.975, d.n - 1) * error
    return {
        "mean": d.mean,
        "sd": d.sd,
        "rsd_percent": 100 * d.sd / d.mean,
        "ci_low": d.mean - half,
        "ci_high": d.mean + half,
        "u_mean": error,
    }


def grubbs_table(i):
    return {f"G_{n}_{p}pct": grubbs_critical(n, p / 100) for n in i["n"] for p in (5, 1)}


def grubbs(i):
    two, one = grubbs_test(i["values"], i["alpha"]), grubbs_test(i["values"], i["alpha"], two_sided=False)
    assert two.index == 7
    assert two.is_outlier
    return {"G": two.statistic, "G_crit_one_sided_5pct": one.critical, "G_crit_two_sided_5pct": two.critical}


def dixon_table(i):
    return {f"Q_{n}_{c}": dixon_critical(n, (100 - c) / 100) for n in i["n"] for c in (90, 95, 99)}


RULE_CASES = ("BEYOND", "SHIFT", "TREND", "TWO-OF-THREE", "OPPOSITE-SIDES-NO-ALARM", "FOUR-OF-FIVE", "ALTERNATING")

EVALUATE = (
    {f"STA-NIST-{n.upper()}": nist_univariate(n) for n in ("lew", "lottery", "mavro", "numacc1", "numacc2", "numacc3")}
    | {f"STA-STRD-{n.upper()}": nist_nonlinear(n) for n in STRD_MODELS}
    | {f"STA-RULE-{n}": rules for n in RULE_CASES}
    | {
        "STA-STRD-NORRIS": norris,
        "STA-5725-01": interlaboratory_precision,
        "STA-5725-02": repeatability_factors,
        "STA-IMR-01": individuals,
        "STA-EWMA-01": ewma,
        "STA-CONST-01": chart_constants,
        "STA-CAP-01": capabilities,
        "STA-ARL-01": run_length,
        "STA-T-01": student,
        "STA-CI-01": interval,
        "STA-GRUBBS-01": grubbs_table,
        "STA-GRUBBS-02": grubbs,
        "STA-DIXON-01": dixon_table,
    }
)
