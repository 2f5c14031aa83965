"""Viscosity of reference liquids by published formulas.

Temperatures are in degC (`celsius`) unless a name says K, viscosities in Pa.s, densities in kg/m3.  All functions take
numbers or numpy arrays.  Water is good enough to check an instrument with; the other liquids are for plausibility
(handbooks spread by 5 % and more, and glycerol takes up water), not for a verdict.

Raises:
    ArgumentError: a temperature or composition outside the range stated for the function.
"""

from dataclasses import dataclass

from numpy import exp, log, sqrt

from daq.rheology.elementary import ZERO_CELSIUS_K, ArgumentError, Number, power, require_within

WATER_20C = 1.0016e-3
"""Viscosity of water at 20 degC and 1013.25 hPa, Pa.s, the conventional value (ISO/TR 3666:1998; from memory)."""

WATER_20C_RELATIVE_EXPANDED = 0.0017
"""Relative expanded uncertainty of `WATER_20C` (ISO/TR 3666:1998; from memory)."""


def water_viscosity(celsius: Number) -> Number:
    """Liquid water at 0.1 MPa: 1e-6 (280.68 x^-1.9 + 511.45 x^-7.7 + 61.131 x^-19.6 + 0.45903 x^-40), x = T/300 K.

    IAPWS SR6-08 (revised 2011), 253.15 to 383.15 K; uncertainty 1 % at 20..100 degC, and far better near 20 degC.
    """
    require_within("celsius", celsius, -20.0, 110.0, "degC")
    x = (celsius + ZERO_CELSIUS_K) / 300.0
    return 1e-6 * (
        280.68 * power(x, -1.9) + 511.45 * power(x, -7.7) + 61.131 * power(x, -19.6) + 0.45903 * power(x, -40.0)
    )


def water_density(celsius: Number) -> Number:
    """Liquid water at 101.325 kPa, kg/m3, 0 to 110 degC.

    G.S. Kell, J. Chem. Eng. Data 20 (1975) 97, air-free water (from memory); within 0.02 kg/m3 of IAPWS-95 to 100 degC.
    """
    require_within("celsius", celsius, 0.0, 110.0, "degC")
    t = celsius
    series = 105.56302e-9 - 280.54253e-12 * t
    series = -46.170461e-6 + series * t
    series = -7.9870401e-3 + series * t
    series = 16.945176 + series * t
    return (999.83952 + series * t) / (1.0 + 16.87985e-3 * t)


_H0 = (1.67752, 2.20462, 0.6366564, -0.241605)
_H1 = {
    (0, 0): 0.520094,
    (1, 0): 0.0850895,
    (2, 0): -1.08374,
    (3, 0): -0.289555,
    (0, 1): 0.222531,
    (1, 1): 0.999115,
    (2, 1): 1.88797,
    (3, 1): 1.26613,
    (5, 1): 0.120573,
    (0, 2): -0.281378,
    (1, 2): -0.906851,
    (2, 2): -0.772479,
    (3, 2): -0.489837,
    (4, 2): -0.257040,
    (0, 3): 0.161913,
    (1, 3): 0.257399,
    (0, 4): -0.0325372,
    (3, 4): 0.0698452,
    (4, 5): 0.00872102,
    (3, 6): -0.00435673,
    (5, 6): -0.000593264,
}


def water_viscosity_at_density(temperature_k: Number, density: Number) -> Number:
    """Water and steam, from temperature (K) and density (kg/m3): mu0(T) mu1(T, rho), without the critical term.

    IAPWS R12-08, 273.16 to 1173.15 K, density 0 to 1300 kg/m3; at 0.1 MPa take the density from `water_density`.
    """
    require_within("temperature_k", temperature_k, 273.15, 1173.15, "K")
    require_within("density", density, 0.0, 1300.0, "kg/m3")
    t, d = temperature_k / 647.096, density / 322.0
    inverse = 1.0 / t
    zero = 100.0 * sqrt(t) / (_H0[0] + inverse * (_H0[1] + inverse * (_H0[2] + inverse * _H0[3])))
    total = 0.0 * (t + d)
    for (i, j), h in _H1.items():
        total = total + h * (inverse - 1.0) ** i * (d - 1.0) ** j
    return 1e-6 * zero * exp(d * total)


def glycerol_water_viscosity(mass_fraction: Number, celsius: Number) -> Number:
    """Glycerol-water mixture: mu_w^alpha mu_g^(1-alpha).

    N.-S. Cheng, Ind. Eng. Chem. Res. 47 (2008) 3285, mass fraction 0..1, 0 to 100 degC; handbooks spread by 5 %.
    """
    require_within("mass_fraction", mass_fraction, 0.0, 1.0)
    require_within("celsius", celsius, 0.0, 100.0, "degC")
    c, t = mass_fraction, celsius
    water = 1.790e-3 * exp((-1230.0 - t) * t / (36100.0 + 360.0 * t))
    glycerol = 12.1 * exp((-1233.0 + t) * t / (9900.0 + 70.0 * t))
    a = 0.705 - 0.0017 * t
    b = (4.9 + 0.036 * t) * power(a, 2.5)
    alpha = 1.0 - c + a * b * c * (1.0 - c) / (a * c + b * (1.0 - c))
    return exp(alpha * log(water) + (1.0 - alpha) * log(glycerol))


def sucrose_viscosity(percent: Number, celsius: Number) -> Number:
    """Sucrose solution, percent by mass: lg(eta/mPa.s) = 22.46 N - 0.114 + (30-t)/(91+t) (1.1 + 43.1 N^1.25).

    N = w/(1900 - 18 w).  Genotelle's equation as in ICUMSA SPS-5 (from memory), 0 to 80 %, 0 to 80 degC; within 5 %.
    """
    require_within("percent", percent, 0.0, 80.0, "%")
    require_within("celsius", celsius, 0.0, 80.0, "degC")
    n = percent / (1900.0 - 18.0 * percent)
    lg = 22.46 * n - 0.114 + (30.0 - celsius) / (91.0 + celsius) * (1.1 + 43.1 * power(n, 1.25))
    return 1e-3 * exp(lg * 2.302585092994046)


def sucrose_40_fluidity(celsius: Number) -> Number:
    """Fluidity phi (1/P) of a sucrose solution of 40 % by mass, from t = 0.597 (phi+20) - 1438.6/(phi+20) + 38.24.

    Bingham and Jackson, Bull. Bur. Standards 14 (1918) 59; 0 to 100 degC.  The viscosity is 0.1/phi Pa.s.
    """
    require_within("celsius", celsius, 0.0, 100.0, "degC")
    half = (celsius - 38.24) / (2.0 * 0.597)
    return half + sqrt(half * half + 1438.6 / 0.597) - 20.0


@dataclass(frozen=True, slots=True)
class Liquid:
    """Constants of a pure liquid: DIPPR equation 101 or PPDS equation 9, with their range in K."""

    equation: str
    constants: tuple[float, float, float, float, float]
    low_k: float
    high_k: float
    source: str


_PERRY = "DIPPR 101, Perry's Chemical Engineers' Handbook, 8th edition, table 2-313"

LIQUIDS = {
    "glycerol": Liquid(
        "ppds9",
        (-3.91153, 6.54946, 582.48, 73.885, 0.0079964),
        291.15,
        563.15,
        "PPDS 9, VDI Heat Atlas, 2nd edition, table 7",
    ),
    "ethylene glycol": Liquid("dippr101", (-20.515, 2468.5, 1.2435, 2.4998e12, -5.0), 260.15, 576.0, _PERRY),
    "1,2-propylene glycol": Liquid("dippr101", (-804.54, 30487.0, 130.79, -0.15449, 1.0), 213.15, 500.8, _PERRY),
    "ethanol": Liquid("dippr101", (7.875, 781.98, -3.0418, 0.0, 0.0), 200.0, 440.0, _PERRY),
    "n-dodecane": Liquid("dippr101", (-7.8244, 1191.9, -0.49963, 3.9572e23, -10.0), 262.15, 526.4, _PERRY),
}
"""Pure liquids by name; good to 5 to 12 % (spread of handbooks)."""


def liquid_viscosity(name: str, celsius: Number) -> Number:
    """Viscosity of one of `LIQUIDS`.

    DIPPR 101: exp(C1 + C2/T + C3 ln T + C4 T^C5).  PPDS 9: E exp(A x^(1/3) + B x^(4/3)), x = (C - T)/(T - D).
    """
    try:
        liquid = LIQUIDS[name]
    except KeyError:
        raise ArgumentError(f"unknown liquid {name!r}; known: {', '.join(sorted(LIQUIDS))}", key="name") from None
    t = celsius + ZERO_CELSIUS_K
    require_within("celsius", t, liquid.low_k, liquid.high_k, "K")
    a, b, c, d, e = liquid.constants
    if liquid.equation == "dippr101":
        return exp(a + b / t + c * log(t) + d * power(t, e))
    x = (c - t) / (t - d)
    return e * exp(a * power(x, 1.0 / 3.0) + b * power(x, 4.0 / 3.0))


@dataclass(frozen=True, slots=True)
class _Brine:
    base_fraction: float
    base_k: float
    freezing_k: tuple[float, ...]
    rows: tuple[tuple[float, ...], ...]


_BRINES = {
    "propylene glycol": _Brine(
        0.307031,
        305.8583,
        (259.9, -66.31, -109.4, -228.3, -340.9, 146.5),
        (
            (-6.224055, 3.328, 0.5453, -3.900, -1.587, 35.64),
            (-3.045e-2, -3.984e-2, -8.6e-4, 0.1054, 4.475e-2),
            (2.525e-4, 4.332e-4, -1.593e-4, -1.589e-3),
            (-1.399e-6, -1.860e-6, -4.465e-7),
        ),
    ),
    "ethylene glycol": _Brine(
        0.308462,
        304.878,
        (257.9, -80.80, -133.4, -72.93, 100.6, 11.40),
        (
            (-6.437255, 2.471, 3.328e-2, 1.659, 3.089, -18.65),
            (-2.550e-2, -1.171e-2, 1.086e-2, 3.157e-3, 1.831e-2),
            (1.782e-4, 1.052e-4, 1.051e-4, 4.063e-4),
            (-7.669e-7, -1.634e-6, -6.475e-6),
        ),
    ),
}


def glycol_water_viscosity(glycol: str, mass_fraction: float, celsius: Number) -> Number:
    """Aqueous `propylene glycol` or `ethylene glycol`, mass fraction 0..0.6, from freezing to 100 degC.

    ln(eta/Pa.s) is a polynomial in fraction and temperature: A. Melinder, Properties of Secondary Working Fluids for
    Indirect Systems, IIR 2010, with the coefficients as an open property library tabulates them.
    """
    try:
        brine = _BRINES[glycol]
    except KeyError:
        raise ArgumentError(f"unknown glycol {glycol!r}; known: {', '.join(_BRINES)}", key="glycol") from None
    require_within("mass_fraction", mass_fraction, 0.0, 0.6)
    x = mass_fraction - brine.base_fraction
    freezing = sum(a * x**i for i, a in enumerate(brine.freezing_k)) - ZERO_CELSIUS_K
    require_within("celsius", celsius, freezing, 100.0, "degC")
    t = celsius + (ZERO_CELSIUS_K - brine.base_k)
    total = 0.0 * t
    for i, row in enumerate(brine.rows):
        total = total + sum(a * x**j for j, a in enumerate(row)) * t**i
    return exp(total)
