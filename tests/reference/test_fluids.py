"""Reference liquids, compared with two general property libraries."""

import math
import warnings

import chemicals
import numpy as np
import pytest
from iapws import IAPWS95
from iapws._iapws import _Liquid, _Viscosity

from daq.core.errors import SettingError
from tests.support.reference import fluids

with warnings.catch_warnings():
    # The library reads its tables with a deprecated argument of pandas.
    warnings.simplefilter("ignore")
    PERRY, VDI = chemicals.viscosity.mu_data_Perrys_8E_2_313, chemicals.viscosity.mu_data_VDI_PPDS_7


@pytest.mark.parametrize("celsius", [-15.0, 0.0, 10.0, 25.0, 63.0, 100.0])
def test_water_at_atmospheric_pressure(celsius):
    # SR6-08 in iapws; it warns outside its own range.
    assert fluids.water_viscosity(celsius) == pytest.approx(_Liquid(celsius + 273.15)["mu"], rel=1e-6)


@pytest.mark.parametrize("celsius", [0.01, 4.0, 20.0, 37.0, 60.0, 95.0])
def test_water_density_and_its_viscosity(celsius):
    water = IAPWS95(T=celsius + 273.15, P=0.101325)
    assert fluids.water_density(celsius) == pytest.approx(water.rho, abs=0.02)
    assert fluids.water_viscosity_at_density(celsius + 273.15, water.rho) == pytest.approx(water.mu, rel=1e-4)


@pytest.mark.parametrize(("kelvin", "density"), [(300.0, 996.5), (500.0, 850.0), (700.0, 200.0), (900.0, 10.0)])
def test_water_and_steam(kelvin, density):
    ours = fluids.water_viscosity_at_density(kelvin, density)
    assert ours == pytest.approx(chemicals.mu_IAPWS(kelvin, density), rel=1e-9)
    assert ours == pytest.approx(_Viscosity(density, kelvin), rel=1e-9)


def test_liquids_have_the_constants_and_ranges_of_their_tables():
    cas = {
        "ethylene glycol": "107-21-1",
        "1,2-propylene glycol": "57-55-6",
        "ethanol": "64-17-5",
        "n-dodecane": "112-40-3",
    }
    for name, number in cas.items():
        row = PERRY.loc[number]
        liquid = fluids.LIQUIDS[name]
        assert liquid.constants == tuple(float(row[f"C{i}"]) for i in range(1, 6))
        assert (liquid.low_k, liquid.high_k) == (row["Tmin"], row["Tmax"])
        theirs = chemicals.dippr.EQ101(310.0, *liquid.constants)
        assert fluids.liquid_viscosity(name, 310.0 - 273.15) == pytest.approx(theirs, rel=1e-12)
    row = VDI.loc["56-81-5"]
    theirs = chemicals.viscosity.PPDS9(320.0, *(float(row[c]) for c in "ABCDE"))
    assert fluids.liquid_viscosity("glycerol", 320.0 - 273.15) == pytest.approx(theirs, rel=1e-12)


def test_mixtures_agree_with_their_pure_liquids_at_both_ends():
    for t in (10.0, 25.0, 60.0):
        assert fluids.glycerol_water_viscosity(0.0, t) == pytest.approx(fluids.water_viscosity(t), rel=0.01)
        # Two handbook equations of pure glycerol agree to 5 %.
        if t >= 18.0:
            assert fluids.glycerol_water_viscosity(1.0, t) == pytest.approx(
                fluids.liquid_viscosity("glycerol", t), rel=0.05
            )
        assert fluids.sucrose_viscosity(0.0, t) == pytest.approx(fluids.water_viscosity(t), rel=0.15)
        for glycol in ("propylene glycol", "ethylene glycol"):
            assert fluids.glycol_water_viscosity(glycol, 0.0, t) == pytest.approx(fluids.water_viscosity(t), rel=0.15)


def test_arrays_give_the_same_values_as_numbers():
    t = np.array([5.0, 20.0, 80.0])
    for function in (
        fluids.water_viscosity,
        fluids.water_density,
        lambda x: fluids.glycerol_water_viscosity(0.5, x),
        lambda x: fluids.sucrose_viscosity(30.0, x),
        fluids.sucrose_40_fluidity,
        lambda x: fluids.liquid_viscosity("ethanol", x),
        lambda x: fluids.glycol_water_viscosity("ethylene glycol", 0.3, x),
    ):
        assert function(t) == pytest.approx([function(float(x)) for x in t], rel=1e-13)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: fluids.water_viscosity(-30.0),
        lambda: fluids.water_viscosity(np.array([20.0, 120.0])),
        lambda: fluids.water_viscosity(math.nan),
        lambda: fluids.glycerol_water_viscosity(1.2, 20.0),
        lambda: fluids.liquid_viscosity("honey", 20.0),
        lambda: fluids.liquid_viscosity("glycerol", -10.0),
        lambda: fluids.glycol_water_viscosity("glycerol", 0.3, 20.0),
        lambda: fluids.glycol_water_viscosity("ethylene glycol", 0.3, -40.0),
    ],
)
def test_arguments_outside_a_formula_s_range_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()
