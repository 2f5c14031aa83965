"""The values of fluids.csv and temperature.csv, computed with the public functions."""

import math

import numpy as np

from daq.rheology import pt100
from daq.rheology.temperature import Vft, correct_to_reference, fit_andrade, vft_through_three
from tests.support.reference import fluids

GAS_CONSTANT = 8.314462618
"""J/(mol K), exact to the digits given (SI 2019)."""


def water_release(i):
    pairs = i["T_K_rho_kg_m3"]
    return {f"mu_T{t}_rho{d}": 1e6 * fluids.water_viscosity_at_density(t, d) for t, d in pairs}


def water_by_density(i):
    t = np.array(i["t_C"], dtype=float)
    eta = 1e3 * fluids.water_viscosity_at_density(t + 273.15, fluids.water_density(t))
    return {f"eta_{c}C": e for c, e in zip(i["t_C"], eta, strict=True)}


def water(i):
    eta = 1e3 * fluids.water_viscosity(np.array(i["t_C"], dtype=float))
    return {f"eta_{c}C": e for c, e in zip(i["t_C"], eta, strict=True)}


def water_conventional(i):
    return {
        "eta": 1e3 * fluids.WATER_20C,
        "nu": 1e6 * fluids.WATER_20C / fluids.water_density(i["t_C"]),
        "relative_expanded_uncertainty": fluids.WATER_20C_RELATIVE_EXPANDED,
    }


def water_coefficient(i):
    def coefficient(t):
        return -math.log(fluids.water_viscosity(t + 0.01) / fluids.water_viscosity(t - 0.01)) / 0.02

    return {f"coeff_{c}C": 100 * coefficient(float(c)) for c in i["t_C"]}


def glycerol_water(i):
    return {
        f"mu_{100 * c:.0f}pct_{t:g}C": 1e3 * fluids.glycerol_water_viscosity(float(c), float(t)) for c, t in i["Cm_t"]
    }


def glycerol(i):
    return {f"eta_{c}C": 1e3 * fluids.liquid_viscosity("glycerol", float(c)) for c in i["t_C"]}


def liquids(i):
    return {f"{n}_25C": 1e3 * fluids.liquid_viscosity(n, float(i["t_C"])) for n in fluids.LIQUIDS if n != "glycerol"}


def glycols(i):
    out = {f"MPG_{x}": 1e3 * fluids.glycol_water_viscosity("propylene glycol", x, 20.0) for x in i["x"]}
    return out | {"MEG_0.5": 1e3 * fluids.glycol_water_viscosity("ethylene glycol", 0.5, 20.0)}


def sucrose(i):
    t = float(i["t_C"])
    return {f"eta_{w}pct": 1e3 * fluids.sucrose_viscosity(float(w), t) for w in i["w_percent"]}


def sucrose_fluidity(i):
    phi = fluids.sucrose_40_fluidity(i["t_C"])
    return {"phi": phi, "eta": 1e3 * 0.1 / phi}


def arrhenius(i):
    curve = fit_andrade(i["t_C"], i["eta_Pa_s"])
    corrected = correct_to_reference(1.0, 25.4, 25.0, curve)
    return {
        "B": curve.b_kelvin,
        "Ea": curve.b_kelvin * GAS_CONSTANT / 1000,
        "eta_30C": curve.viscosity(30.0),
        "coefficient_25C": 100 * curve.coefficient(25.0),
        "factor_25.4_to_25.0": corrected.factor,
        "eta_ref25_from_1.0_at_25.4": corrected.corrected,
    }


def vogel(i):
    curve = vft_through_three([t - 273.15 for t in i["T_K"]], i["eta_Pa_s"])
    return {
        "T0": curve.t0_kelvin,
        "B": curve.b_kelvin,
        "A": curve.a,
        "eta_313.15K": curve.viscosity(40.0),
        "coefficient_298.15K": 100 * curve.coefficient(25.0),
    }


def water_three_constants(i):
    curve = Vft(math.log(2.414e-5), 247.8 * math.log(10.0), 140.0, 0.0, 100.0)
    return {f"eta_{c}C": 1e3 * curve.viscosity(float(c)) for c in i["t_C"]}


def platinum(i):
    return {f"R_{t}": pt100.resistance(float(t)) for t in i["t_C"]}


def platinum_sensitivity(_i):
    return {"sensitivity_25C": pt100.sensitivity(25.0)}


EVALUATE = {
    "FLU-W-01": water_release,
    "FLU-W-02": water_by_density,
    "FLU-W-03": water,
    "FLU-W-04": water_conventional,
    "FLU-W-06": water_coefficient,
    "FLU-GLY-01": glycerol_water,
    "FLU-GLY-03": glycerol,
    "FLU-MISC-01": liquids,
    "FLU-MISC-02": glycols,
    "FLU-SUC-01": sucrose,
    "FLU-SUC-02": sucrose_fluidity,
    "TMP-ARR-01": arrhenius,
    "TMP-VFT-01": vogel,
    "TMP-VFT-02": water_three_constants,
    "TMP-PT100-01": platinum,
    "TMP-PT100-03": platinum_sensitivity,
}
